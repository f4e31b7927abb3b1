"""Options that commands which predict uncertainties share, and what follows from them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import option
from bench.defaults import OF_BAY, Bound

if TYPE_CHECKING:
    from bench.scene.model import Bay
    from bench.sighting.prediction import Predictor

BoundOption = Annotated[
    Bound | None,
    option(
        "image|corner",
        "What uncertainties are predicted from: the Cramér-Rao bound of the whole image, "
        "which photometric solvers come near and which excludes --corner-sigma, or that of "
        "corners.",
        "by the pipeline",
    ),
]
MapOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--map",
        metavar="RUN",
        help="Directory of a finished 'sightbench map' of this camera, light and target: "
        "predictions are multiplied by the ratio of RMS error to bound that it measured at that "
        "range and tilt; not with --corner-sigma. 'site' takes one for each lens.",
        show_default="the bare bound",
    ),
]
PipelineOption = Annotated[str | None, option("DETECTOR/SOLVER", "Whose predictions.", OF_BAY)]
PredictAsDrawnOption = Annotated[
    bool,
    typer.Option(
        "--as-drawn",
        help="Predict from noise alone, as if camera, print and plate were what they are drawn "
        "to be.",
    ),
]
VisibilityOption = Annotated[
    bool,
    typer.Option(
        "--visibility/--no-visibility",
        help="Whether what hides targets counts: bodies, tyres, posts, parked vehicles.",
    ),
]


def predictor(
    bay: Bay,
    bound: Bound | None,
    corner_sigma: float | None,
    runs: Sequence[Path] | None,
    pipeline: str | None,
    other_lenses: bool = False,
    as_built: bool = True,
) -> Predictor:
    """Return the predictor that options ask for.

    Raises
    ------
    ConfigError, RunError, PlugInError
        See `bench.sighting.prediction.predictor_of`.
    """
    from bench.sighting.prediction import predictor_of

    return predictor_of(bay, bound, corner_sigma, runs or (), pipeline, other_lenses, as_built)
