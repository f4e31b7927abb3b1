"""One case: take a picture, find the corners, solve, and set the errors beside the bound.

Targets lean to either side and are rolled any way, so that errors are split along the lean: a
bias that follows it would cancel between the sides. Of a target with turn t and roll r, with s
the sign of t: *pitch* is the rotation error about the target's own x, *tilt* s times that about
its y, *spin* s times that about its z; *across* is the position error along the target's x as
the picture shows it, positive toward the half that leans away; *axis* along its y, about which
it leans; *along* the line of sight.
"""

from __future__ import annotations

import math
import time

import numpy as np

from bench.detect.apriltag import AprilTag
from bench.detect.aruco import subpix
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import pose_of_view, view_of_pose
from bench.imaging.picture import Region
from bench.render.planar import render_target
from bench.solve.bounds import image_bound
from bench.solve.covariance import in_facing_frame, propagate
from bench.solve.mirror_rate import image_distance
from bench.solve.photometric import PhotometricSolver
from bench.survey.score import is_mirrored, rotation_error, translation_error
from bench.targets.target import Target
from bench.typing import Array
from reports.photometric.setting import CAMERA, Cell, draw_view, generator

COMPONENTS = ("pitch_deg", "tilt_deg", "spin_deg", "across_mm", "axis_mm", "along_mm")
# From radians and metres.
UNITS = np.array([math.degrees(1.0)] * 3 + [1e3] * 3)
# Corner noise of the start where no detector finds the marker, pixels.
SYNTHETIC_PX = 0.3
SYNTHETIC = "synthetic"

Row = dict[str, float | int | str | bool | None]


def run_case(seed: int, cell: Cell, trial: int, target: Target) -> Row:
    """Return the row of one case."""
    rng = generator(seed, f"{cell.name}/{trial}")
    pose = pose_of_view(draw_view(cell, rng), CAMERA)
    picture = render_target(target, pose, CAMERA, cell.imaging, rng)
    observation = Observation(picture, CAMERA, target, cell.imaging.sensor)
    detection, start = find(observation, pose, rng)
    begun = time.perf_counter()
    estimate = PhotometricSolver().solve(detection, observation)
    row: Row = {
        "cell": cell.name,
        "size_px": cell.size_px,
        "trial": trial,
        "start": start,
        "outcome": str(estimate.outcome),
        "solve_ms": 1e3 * (time.perf_counter() - begun),
        "distance": image_distance(target.drawing, pose, CAMERA, cell.imaging, picture.region),
    }
    row |= bound_columns(target, pose, CAMERA, cell, picture.region)
    found, covariance = estimate.T_camera_target_est, estimate.covariance
    if found is None or covariance is None:
        return row
    row |= error_columns(pose, found, covariance)
    return row | {
        "chi_square": estimate.chi_square,
        "degrees": estimate.degrees,
        "blur_px": estimate.blur_px,
    }


def bound_columns(
    target: Target, pose_true: Pose, camera: Camera, cell: Cell, region: Region
) -> Row:
    """Return the variances that no unbiased estimator beats, in the units of `COMPONENTS`."""
    bound = image_bound(target.drawing, pose_true, camera, cell.imaging, region)
    split = propagate(_along_the_lean(pose_true), in_facing_frame(bound, pose_true))
    variances = np.diag(split) * UNITS**2
    return {f"bound_var_{c}": float(v) for c, v in zip(COMPONENTS, variances, strict=True)}


def error_columns(pose_true: Pose, pose: Pose, covariance: Array) -> Row:
    """Return errors in the units of `COMPONENTS`, which branch it is, squared normalised error."""
    rotation = rotation_error(pose_true, pose)
    facing = np.concatenate((rotation, translation_error(pose_true, pose)))
    split = UNITS * (_along_the_lean(pose_true) @ facing)
    row: Row = {f"err_{c}": float(e) for c, e in zip(COMPONENTS, split, strict=True)}
    plain = np.concatenate((rotation, pose.translation - pose_true.translation))
    return row | {
        "mirrored": is_mirrored(pose_true, pose),
        "squared": float(plain @ np.linalg.solve(covariance, plain)),
    }


def _along_the_lean(pose_true: Pose) -> Array:
    """Return the matrix (6, 6) from rotation, right, up, along to `COMPONENTS`."""
    view = view_of_pose(pose_true)
    side, c, s = math.copysign(1.0, view.turn), math.cos(view.roll), math.sin(view.roll)
    split = np.diag([1.0, side, side, 1.0, 1.0, 1.0])
    split[3:5, 3:5] = [[side * c, side * s], [-s, c]]
    return split


def find(
    observation: Observation, pose_true: Pose, rng: np.random.Generator
) -> tuple[Detection, str]:
    """Return the corners as a pipeline finds them, and who found them.

    Where the detectors don't find the marker the study goes on from noisy true corners: it is
    the solver that is judged.
    """
    for detector in (AprilTag(), subpix()):
        detection = detector.detect(observation)
        if detection.found is Found.FOUND:
            return detection, detector.name
    corners = np.vstack(list(observation.target.markers.values()))
    points = np.column_stack((corners, np.zeros(len(corners))))
    noise = rng.normal(0.0, SYNTHETIC_PX, (len(points), 2))
    pixels = project(points, pose_true, CAMERA) + noise
    return Detection(Found.FOUND, pixels, points, sigma_px=SYNTHETIC_PX), SYNTHETIC
