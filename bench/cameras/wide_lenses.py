"""Lens models beyond Brown-Conrady, tried where a calibration's residuals may ask for them.

OpenCV's rational and fisheye models start from the Brown-Conrady fit and are held to the same
question: what do the other views predict of one that is left out? They are spoken of, and written
as an OpenCV file that every command takes; uncertainties are Brown-Conrady's calibration's alone.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from bench.cameras.adjustment import BoardView, State, adjust
from bench.cameras.intrinsics import MAX_FOCAL_UNCERTAINTY, Calibration, cofactor_of
from bench.cameras.lenses import FISHEYE, NAMES, RATIONAL
from bench.cameras.resampling import left_out
from bench.errors import BenchError
from bench.files import write_atomically
from bench.geometry.pose import Pose
from bench.typing import Array

# Standard errors by which another family must predict better: nothing is known of its
# uncertainty, so it is spoken of only where chance is out of the question.
ASKED = 3.0
# Of a fit that describes a lens: found points are good to some tenths of a pixel.
MOST_RMSE_PX = 1.0
# Focal lengths over the picture's width to start from: fields of view of 140 to 70 degrees.
FOCAL_GUESSES = (0.4, 0.55, 0.8)
STEEPEST = 1.4  # radians from the axis, where a tangent still tells something


@dataclass(frozen=True, eq=False)
class WideLens:
    """Another family's fit, and how it predicts views left out beside the calibration's.

    Attributes
    ----------
    state : State
        Fitted.
    held_out_px, brown_px : float
        Root mean square distance of a point from its prediction by the other views.
    gain, standard_error : float
        Mean squared distance less than Brown-Conrady's, pixels², and its standard error.
    """

    state: State
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
            f"the residuals ask for OpenCV's {self.state.family} model: it predicts views left "
            f"out to {self.held_out_px:.4f} px RMS, Brown-Conrady to {self.brown_px:.4f} px. Give "
            f"lens-{self.state.family}.yml as --camera in place of camera.toml; its numbers come "
            "without uncertainties"
        )


def wide_lens(views: Sequence[BoardView], calibration: Calibration) -> WideLens | None:
    """Return the family that predicts views left out best, where it does so beyond doubt."""
    if calibration.state is None or len(views) < 3:
        return None
    counts = np.array([len(view.pixels) for view in views])
    brown = calibration.left_out_rmse_px**2
    found = []
    for start in _starts(calibration.state, calibration):
        try:
            state, rows = adjust(views, start)
            residuals = [row.residual.reshape(-1, 2) for row in rows]
            _, rmse = left_out([row.pose_free for row in rows], residuals)
        except (BenchError, cv2.error, np.linalg.LinAlgError):
            continue  # a family that can't be fitted isn't asked for
        if not np.all(np.isfinite(rmse)):
            continue
        gains = (brown - rmse**2) * counts / counts.mean()
        found.append(
            WideLens(
                state,
                _pooled(rmse**2, counts),
                _pooled(brown, counts),
                float(np.mean(gains)),
                float(np.std(gains, ddof=1) / np.sqrt(len(gains))),
            )
        )
    asked = [wide for wide in found if wide.asked_for]
    return min(asked, key=lambda wide: wide.held_out_px) if asked else None


def only_wide(views: Sequence[BoardView], size: tuple[int, int]) -> str:
    """Return what to say where Brown-Conrady can't describe the views but another family does.

    Empty where no family does, as with views that leave the camera open.
    """
    for share in FOCAL_GUESSES:
        try:
            state, rows = adjust(views, _equidistant(views, size, share * size[0]))
            cofactor = cofactor_of([row.pose_free for row in rows])
        except (cv2.error, BenchError, np.linalg.LinAlgError):
            continue
        residuals = np.concatenate([row.residual for row in rows])
        rmse = float(np.sqrt(2.0 * np.mean(residuals**2)))
        relative = rmse * float(np.sqrt(cofactor[0, 0])) / float(state.values[0])
        if rmse < MOST_RMSE_PX and relative < MAX_FOCAL_UNCERTAINTY:
            names = ("fx", "fy", "cx", "cy", "k1", "k2", "k3", "k4")
            numbers = dict(zip(names, (float(f"{v:.9g}") for v in state.values), strict=True))
            camera = {"width": size[0], "height": size[1], "model": "fisheye"} | numbers
            return (
                f"Brown-Conrady can't describe this lens; OpenCV's {state.family} model fits it "
                f"to {rmse:.3f} px RMS. As a camera file, lens.json: {json.dumps(camera)}"
            )
    return ""


def _equidistant(views: Sequence[BoardView], size: tuple[int, int], focal: float) -> State:
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
    values = np.array([focal, focal, *centre, 0.0, 0.0, 0.0, 0.0])
    return State(FISHEYE, values, np.eye(len(values)), tuple(poses))


def write_wide_lens(path: Path, wide: WideLens, size: tuple[int, int]) -> None:
    """Write the lens as OpenCV's YAML.

    Raises
    ------
    RunError
        The file can't be written.
    """
    fx, fy, cx, cy = wide.state.values[:4].tolist()
    storage = cv2.FileStorage(".yml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    storage.write("image_width", size[0])
    storage.write("image_height", size[1])
    storage.write("camera_matrix", np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]]))
    storage.write("distortion_coefficients", wide.state.values[4:].reshape(1, -1))
    storage.write("fisheye_model", int(wide.state.family == FISHEYE))
    write_atomically(path, storage.releaseAndGetString().encode())


def _pooled(squares: Array, counts: Array) -> float:
    return float(np.sqrt(np.sum(squares * counts) / np.sum(counts)))


def _starts(state: State, calibration: Calibration) -> list[State]:
    """Return where the other families begin: the lens found, or as near as they come to it."""
    rational = np.concatenate((state.values, np.zeros(3)))
    # of a pinhole, x / z = tan θ = θ + θ³/3 + …, in terms of θ
    k1 = float(state.values[4])
    fisheye = np.concatenate((state.values[:4], (k1 + 1.0 / 3.0, 0.0, 0.0, 0.0)))
    found = []
    for family, values in ((RATIONAL, rational), (FISHEYE, fisheye)):
        free = np.eye(len(NAMES[family]))
        if calibration.model.square_pixels:
            free = np.delete(free, 0, axis=1)
            free[0, 0] = 1.0
        if not calibration.model.tangential and family == RATIONAL:
            free = free[:, [not np.any(free[6:8, i]) for i in range(free.shape[1])]]
        found.append(State(family, values, free, state.poses, np.array(state.shape), state.extent))
    return found
