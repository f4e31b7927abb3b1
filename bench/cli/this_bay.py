"""`--this-bay`: one bay for all pictures of a survey, by its number or its file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.errors import ConfigError

if TYPE_CHECKING:
    from bench.built.draws import OneBay
    from bench.scene.model import Bay
    from bench.solve.response import CameraErrors

ThisBayOption = Annotated[
    str | None,
    typer.Option(
        "--this-bay",
        metavar="K|FILE",
        help="Take every picture of one bay: number K of those that the survey draws, or a TOML "
        "file of one that was measured: name, and as far as known calibration, [print] scale and "
        "aspect, [plate] bow_across, bow_up and twist, ink_spread, blur, blur_corner. Limits "
        "then speak of that bay alone.",
        show_default="a bay a trial",
    ),
]


@dataclass(frozen=True, eq=False)
class ThisBay:
    """A bay whose pictures are all of one.

    Attributes
    ----------
    bay : Bay
        With the camera of its calibration, where there is one.
    errors : CameraErrors or None
        What isn't known of that; None leaves it to the bay's sizes.
    one : OneBay or None
        The one; None draws a bay a trial.
    """

    bay: Bay
    errors: CameraErrors | None = None
    one: OneBay | None = None


def this_bay(bay: Bay, tower: str | None, seed: int | None, asked: str | None) -> ThisBay:
    """Return what ``--this-bay`` asks for.

    Raises
    ------
    ConfigError
        The file or its calibration won't do.
    """
    from bench.budget.measured import calibrated_camera
    from bench.built.draws import draw_bay
    from bench.built.one_bay import read_one_bay
    from bench.built.sizes import sizes_of
    from bench.cameras.result import read_calibration
    from bench.solve.response import calibrated_errors
    from bench.survey.setup import find_tower

    if asked is None:
        return ThisBay(bay)
    own, start = find_tower(bay, tower), bay.survey.seed if seed is None else seed
    if asked.isdecimal():
        name = f"{own.name} {int(asked)}"
        return ThisBay(bay, None, draw_bay(sizes_of(bay, own), start, name))
    path = Path(asked)
    section, errors = read_one_bay(path), None
    if section.calibration is not None:
        try:
            result, _ = read_calibration(path.parent / section.calibration)
            camera = calibrated_camera(own.camera, result)
        except ConfigError as error:
            raise ConfigError(f"{path}: calibration: {error}") from error
        errors = calibrated_errors(result.value.matrix, str(result.path))
        towers = tuple(replace(t, camera=camera) if t is own else t for t in bay.towers)
        bay = replace(bay, towers=towers)
        own = find_tower(bay, own.name)
    return ThisBay(bay, errors, section.bay(sizes_of(bay, own, errors), start))
