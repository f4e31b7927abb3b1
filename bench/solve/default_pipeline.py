"""The pipeline that looks for a target where none is named."""

from __future__ import annotations

from collections.abc import Sequence

from bench.detect.apriltag import FAMILIES
from bench.errors import ConfigError
from bench.targets.target import Target

PHOTOMETRIC = "photometric"
BOARD_DETECTORS = {"charuco": "charuco", "circles": "circles"}


def detector_of(target: Target) -> str:
    """Return the detector that serves a kind of target best.

    For markers that is the AprilTag library where it knows the dictionary: it reads them from
    farther away than OpenCV does, and most so in grids.

    Raises
    ------
    ConfigError
        It is a bitmap, which none of the bundled detectors looks for.
    """
    if target.kind == "bitmap":
        raise ConfigError(
            f"'{target.name}': a bitmap has no detector here; name a pipeline of your own"
        )
    if target.kind in BOARD_DETECTORS:
        return BOARD_DETECTORS[target.kind]
    return "apriltag" if target.dictionary in FAMILIES else "aruco-subpix"


def default_pipeline(target: Target, named: Sequence[str] = ()) -> str:
    """Return the pipeline for a target, detector/solver.

    The photometric solver, whose claims hold and which errs least on real photographs too
    (`tests/accuracy`): of the pipelines `named`, if there are any, the first with it, else the
    first; without names it is on `detector_of`.
    """
    if not named:
        return f"{detector_of(target)}/{PHOTOMETRIC}"
    return next((name for name in named if is_photometric(name)), named[0])


def is_photometric(name: str) -> bool:
    """Tell whether a pipeline's solver works from the whole image instead of corners."""
    return name.endswith(f"/{PHOTOMETRIC}")
