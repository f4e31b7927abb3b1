"""Lens models beyond Brown-Conrady, tried where a calibration's residuals may ask for them.

OpenCV's rational and fisheye models start from the Brown-Conrady fit and are held to the same
question: what do the other views predict of one that is left out?
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from bench.cameras.adjustment import BoardView, State
from bench.cameras.intrinsics import Calibration, LensModel, calibrate
from bench.cameras.lenses import NAMES
from bench.cameras.resampling import paired_excess
from bench.errors import BenchError
from bench.geometry.lens_models import FISHEYE, RATIONAL

# Standard errors by which another family must predict better: a rational lens has three more
# numbers and runs wild beyond the points, so it is spoken of only where chance is out of the
# question.
ASKED = 3.0
# Of a fit that describes a lens: found points are good to some tenths of a pixel.
MOST_RMSE_PX = 1.0


@dataclass(frozen=True, eq=False)
class WideLens:
    """How another family predicts views left out beside the calibration's.

    Attributes
    ----------
    family : str
        Of lenses.
    held_out_px, brown_px : float
        Root mean square distance of a point from its prediction by the other views.
    gain, standard_error : float
        Mean squared distance less than Brown-Conrady's, pixels², and its standard error.
    """

    family: str
    held_out_px: float
    brown_px: float
    gain: float
    standard_error: float

    @property
    def asked_for(self) -> bool:
        """Whether it predicts better beyond doubt."""
        return self.gain > ASKED * self.standard_error

    @property
    def words(self) -> str:
        """Say so."""
        return (
            f"the residuals ask for OpenCV's {self.family} model: it predicts views left out to "
            f"{self.held_out_px:.4f} px RMS, Brown-Conrady to {self.brown_px:.4f} px; calibrate "
            f"with --lens {self.family}"
        )


def wide_lens(views: Sequence[BoardView], calibration: Calibration) -> WideLens | None:
    """Return the family that predicts views left out best, where it does so beyond doubt."""
    if calibration.state is None or len(views) < 3:
        return None
    counts = np.array([len(view.pixels) for view in views])
    size, brown = (calibration.camera.width, calibration.camera.height), calibration
    found = []
    for family in (RATIONAL, FISHEYE):
        model = replace(brown.model, family=family)
        start = _begun(calibration.state, family)
        try:
            other = calibrate(views, size, model, len(brown.shape), start)
        except (BenchError, np.linalg.LinAlgError):
            continue  # a family that can't be fitted isn't asked for
        squares = [c.left_out_rmse_px**2 for c in (brown, other)]
        if not np.all(np.isfinite(squares[1])):
            continue
        held_out = [float(np.sqrt(np.average(one, weights=counts))) for one in squares]
        found.append(
            WideLens(
                family, held_out[1], held_out[0], *paired_excess(squares[0], squares[1], counts)
            )
        )
    asked = [wide for wide in found if wide.asked_for]
    return min(asked, key=lambda wide: wide.held_out_px) if asked else None


def describing_family(
    views: Sequence[BoardView], size: tuple[int, int], most_px: float = MOST_RMSE_PX
) -> str | None:
    """Return the family that describes views which Brown-Conrady's model can't, if one does."""
    found = {}
    for family in (RATIONAL, FISHEYE):
        try:
            found[family] = calibrate(views, size, LensModel(family=family)).rmse_px
        except (cv2.error, BenchError, np.linalg.LinAlgError):
            continue
    best = min(found, key=lambda family: found[family], default=None)
    return best if best is not None and found[best] < min(most_px, MOST_RMSE_PX) else None


def _begun(state: State, family: str) -> State:
    """Return where another family begins: the lens found, or as near as it comes to it."""
    values = np.zeros(len(NAMES[family]))
    values[: len(state.values)] = state.values
    if family == FISHEYE:
        # of a pinhole, x / z = tan θ = θ + θ³/3 + …, in terms of θ
        values[4:] = 0.0
        values[4] = float(state.values[4]) + 1.0 / 3.0
    return State(family, values, np.eye(len(values)), state.poses, state.shape, state.extent)
