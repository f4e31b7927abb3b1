"""Starting points of an adjustment: OpenCV's closed form, or a guessed fisheye lens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from bench.cameras.adjustment import UNDETERMINED, BoardView, State, adjust
from bench.cameras.lenses import NAMES
from bench.errors import BenchError, GeometryError
from bench.geometry.lens_models import FISHEYE, RATIONAL
from bench.geometry.pose import Pose
from bench.typing import Array

STOP = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-12)
# Focal lengths over the picture's width to start from: fields of view of 140 to 70 degrees.
FOCAL_GUESSES = (0.4, 0.55, 0.8)
NEAR_PX = 1.0  # of a fit that is there: found points are good to some tenths of a pixel
STEEPEST = 1.4  # radians from the axis, where a tangent still tells something


def opencv_start(
    views: Sequence[BoardView], size: tuple[int, int], family: str, flags: int
) -> State:
    """Return what OpenCV makes of the views, the board taken as flat (Zhang 2000).

    Raises
    ------
    cv2.error
        The views leave the camera open.
    """
    middle = np.array([[1.0, 0, 0.5 * (size[0] - 1)], [0, 1.0, 0.5 * (size[1] - 1)], [0, 0, 1]])
    n = len(NAMES[family])
    _, K, distortion, rvecs, tvecs = cv2.calibrateCamera(
        [v.p_target.astype(np.float32) for v in views],
        [v.pixels.astype(np.float32) for v in views],
        size,
        middle,
        np.zeros(n - 4),
        flags=flags | (cv2.CALIB_RATIONAL_MODEL if family == RATIONAL else 0),
        criteria=STOP,
    )
    (fx, _, cx), (_, fy, cy), _ = K.tolist()
    values = np.array([fx, fy, cx, cy, *distortion.ravel()[: n - 4]])
    poses = tuple(Pose.from_rotvec(r, t) for r, t in zip(rvecs, tvecs, strict=True))
    return State(family, values, np.eye(n), poses)


def fisheye_start(views: Sequence[BoardView], size: tuple[int, int], basis: Array) -> State:
    """Return the best fisheye lens that guessed focal lengths lead to.

    Raises
    ------
    GeometryError
        None leads anywhere.
    """
    found = []
    pinhole = basis[:, ~np.any(basis[4:], axis=0)]  # coefficients run wild from afar
    for share in FOCAL_GUESSES:
        try:
            near, _ = adjust(views, _equidistant(views, size, share * size[0], pinhole))
            state, rows = adjust(views, replace(near, basis=basis))
        except (cv2.error, BenchError, np.linalg.LinAlgError):
            continue
        found.append((sum(float(row.residual @ row.residual) for row in rows), state))
        if found[-1][0] < sum(len(view.pixels) for view in views) * NEAR_PX**2:
            break
    if not found:
        raise GeometryError(UNDETERMINED)
    return min(found, key=lambda one: one[0])[1]


def _equidistant(
    views: Sequence[BoardView], size: tuple[int, int], focal: float, basis: Array
) -> State:
    """Return a fisheye lens of which a focal length is guessed, with poses that go with it."""
    centre = 0.5 * (np.array(size) - 1.0)
    poses = []
    for view in views:
        way = (view.pixels - centre) / focal
        angle = np.linalg.norm(way, axis=1, keepdims=True)
        straight = way * np.tan(np.minimum(angle, STEEPEST)) / np.maximum(angle, 1e-12)
        _, rvec, tvec = cv2.solvePnP(
            view.p_target, straight, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
        )
        poses.append(Pose.from_rotvec(rvec, tvec.ravel()))
    values = np.zeros(len(basis))
    values[:4] = focal, focal, *centre
    return State(FISHEYE, values, basis, tuple(poses))
