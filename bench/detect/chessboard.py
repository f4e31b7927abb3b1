"""OpenCV's chessboard detector with `cornerSubPix`, for calibration pictures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import cv2
import numpy as np
import numpy.typing as npt

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.typing import Array

# The refinement window is a square of 2 w + 1 pixels. Once it reaches a neighbouring corner it
# averages two corners, so w stays a third of the smallest distance between neighbours; larger
# than 11 it gains nothing but a stronger pull by the lens's curvature.
WINDOW_SHARE = 1 / 3
WINDOW_LIMITS = (2, 11)

# As in OpenCV's calibration sample: 30 steps, or one shorter than 0.1 px. With a window that
# keeps clear of the neighbours, tightening to 0.001 px moves a focal length by 1 % of its
# standard uncertainty (measured on OpenCV's left*.jpg).
STOP = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.1)

FLAGS = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK


@dataclass(frozen=True)
class Chessboard:
    """Finds all inner corners of a chessboard, or none.

    It doesn't tell which way up the board is (nor, with as many rows as columns, which side),
    so a pose is known up to that turn: enough for calibration.

    Attributes
    ----------
    window : int or None
        Half side of the refinement window, pixels; None fits it to each picture.
    """

    window: int | None = None
    name: ClassVar[str] = "chessboard"

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return kind == "chessboard"

    def detect(self, observation: Observation) -> Detection:
        """Look for the observation's chessboard in its picture."""
        target, picture = observation.target, observation.picture
        columns, rows = target.layout[0] - 1, target.layout[1] - 1
        grey = picture.grey8
        found, corners = cv2.findChessboardCorners(grey, (columns, rows), flags=FLAGS)
        if not found:
            return Detection(Found.MISSED)
        window = fitting_window(corners, columns, rows) if self.window is None else self.window
        corners = cv2.cornerSubPix(grey, corners, (window, window), (-1, -1), STOP)
        return Detection(
            Found.FOUND,
            pixels=corners.reshape(-1, 2) + np.array([picture.u0, picture.v0], np.float64),
            p_target=np.column_stack((target.points, np.zeros(len(target.points)))),
        )


def fitting_window(corners: npt.NDArray[np.float32] | Array, columns: int, rows: int) -> int:
    """Return the half side of the window, pixels, that keeps clear of neighbouring corners.

    Parameters
    ----------
    corners : (rows * columns, ..., 2) float
        Pixels, row by row.
    """
    grid = corners.reshape(rows, columns, 2)
    spacing = min(float(np.linalg.norm(np.diff(grid, axis=axis), axis=2).min()) for axis in (0, 1))
    return int(np.clip(WINDOW_SHARE * spacing, *WINDOW_LIMITS))
