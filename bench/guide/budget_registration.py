"""What a rehearsed registration hands on to toe and camber: noise, and answers to causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import skew
from bench.guide.budget_response import (
    CAMERA,
    PLATE,
    PRINT,
    camera_shift,
    face_shift,
    target_points,
)
from bench.scene.bar import Bar, BarPose
from bench.scene.model import Tower
from bench.solve.registration_data import Cameras, Side, Sight, Step
from bench.solve.registration_model import Model, Unknowns
from bench.typing import Array

# Left camera, right camera, print, plate of target A, plate of B, the bar's growth from the
# first to the last step, and how much longer than its calibration it is (both relative).
SIZES = (len(CAMERA), len(CAMERA), len(PRINT), len(PLATE), len(PLATE), 1, 1)


@dataclass(frozen=True, eq=False)
class RegistrationResponse:
    """How a registration errs.

    Attributes
    ----------
    covariance : (6, 6) float64
        Of T_left_right's (ω, τ) from noise in the pictures.
    transform : (6, K) float64
        Its change by each cause; columns in the order of `SIZES`.
    roll : (K,) float64
        Change of the angle about the bay's x, radians, of the line from end to end of the bar in
        the left tower's frame, on the mean: a level that is taken from the bar inherits it.
    steps : int
        Places of the bar.
    """

    covariance: Array
    transform: Array
    roll: Array
    steps: int


def registration_response(
    left: Tower, right: Tower, bar: Bar, poses: Sequence[BarPose], sigma_px: float
) -> RegistrationResponse:
    """Linearise the joint least squares of a registration about the truth.

    Parameters
    ----------
    left, right : Tower
        Whose frames are tied.
    bar : Bar
        What is carried.
    poses : sequence of BarPose
        Its places.
    sigma_px : float
        Standard deviation of a corner's coordinate.

    Raises
    ------
    ConfigError
        A tower doesn't have its target in the picture, or the places leave the transform
        undetermined.
    """
    cameras = Cameras(left.camera, right.camera)
    steps, shifts, growths = [], [], np.linspace(-0.5, 0.5, len(poses))
    for number, (pose, growth) in enumerate(zip(poses, growths, strict=True), start=1):
        sights = []
        for side, tower in (("left", left), ("right", right)):
            sight, shift = _sight(side, tower, bar, pose, number, sigma_px, float(growth))  # type: ignore[arg-type]
            sights.append(sight)
            shifts.append(shift)
        steps.append(Step(f"step {number}", tuple(sights)))
    T_left_bay = left.T_bay_camera.inverse()
    truth = Unknowns(
        T_left_bay @ right.T_bay_camera,
        bar.T_a_b,
        tuple(T_left_bay @ pose.T_bay_bar @ bar.T_bar_a for pose in poses),
    )
    u = bar.length_uncertainty
    model = Model(tuple(steps), cameras, truth, None if u is None else (bar.length, u))
    jacobian = model.jacobian(np.zeros(model.n_parameters)).toarray()
    scale = np.sqrt(np.sum(jacobian**2, axis=0))
    _, singular, vt = np.linalg.svd(jacobian / scale, full_matrices=False)
    if not model.two_ends or singular[-1] < 1e-7 * singular[0]:
        raise ConfigError(
            f"registration: {len(poses)} places of the bar leave the towers' transform "
            "undetermined; 'sightbench register rehearse' names the direction"
        )
    root = vt.T / singular / scale[:, None]
    covariance = root @ root.T
    seen = np.vstack(shifts) / sigma_px
    if u is not None:  # the calibrated length is an observation too, which a longer bar belies
        belied = np.zeros((1, seen.shape[1]))
        belied[0, -1] = -bar.length / u
        seen = np.vstack((seen, belied))
    answer = -covariance @ jacobian.T @ seen
    turns = answer[model.n_shared :].reshape(len(poses), 6, -1)[:, :3]
    # of the line from A to B, t_ab in A's frame: R (ω × t_ab + τ_ab)
    t_ab = bar.T_a_b.translation
    slopes = []
    for pose, turn in zip(poses, turns, strict=True):
        rotation = (pose.T_bay_bar @ bar.T_bar_a).rotation
        change = rotation @ (-skew(t_ab) @ turn + answer[9:12])
        slopes.append(change[2] / (rotation @ t_ab)[1])
    roll = np.mean(slopes, axis=0)
    return RegistrationResponse(covariance[:6, :6], answer[:6], roll, len(poses))


def _sight(
    side: Side, tower: Tower, bar: Bar, pose: BarPose, number: int, sigma_px: float, growth: float
) -> tuple[Sight, Array]:
    end = "A" if (side == "left") != pose.reversed else "B"
    target = bar.target(end)
    T_bar_target = bar.T_bar_a if end == "A" else bar.T_bar_b
    T_bay_target = pose.T_bay_bar @ T_bar_target
    T_camera_target = tower.T_bay_camera.inverse() @ T_bay_target
    points = target_points(target)
    try:
        pixels = project(points, T_camera_target, tower.camera)
        seen = tower.camera.contains(pixels)
    except GeometryError:
        seen = False
    if not seen:
        raise ConfigError(
            f"registration: the {tower.name} tower doesn't have target {end} in its picture in "
            f"step {number}: {pose.words}"
        )
    blocks = [np.zeros((2 * len(points), size)) for size in SIZES]
    blocks[0 if side == "left" else 1] = camera_shift(points, T_camera_target, tower.camera)
    face = face_shift(points, T_camera_target, tower.camera, target)
    blocks[2], plate = face[:, : len(PRINT)], face[:, len(PRINT) :]
    blocks[3 if end == "A" else 4] = plate
    # a longer bar carries its targets outward along it
    grown = Pose(
        T_camera_target.rotation,
        T_camera_target.translation
        + 1e-4
        * tower.T_bay_camera.rotation.T
        @ pose.T_bay_bar.rotation
        @ T_bar_target.translation,
    )
    moved = project(points, grown, tower.camera) - pixels
    blocks[5] = growth * moved.reshape(-1, 1) / 1e-4
    return Sight(side, end, points, pixels, sigma_px), np.hstack(blocks)  # type: ignore[arg-type]
