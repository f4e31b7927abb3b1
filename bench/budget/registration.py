"""A registration's errors as toe and camber get them: noise, and answers to causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import ConfigError
from bench.geometry.camera import point_jacobian
from bench.geometry.pose import Pose
from bench.geometry.rotation import skew
from bench.registration.bar_views import (
    SIDES,
    Glimpse,
    T_left_right_of,
    cameras_of,
    glimpses,
    refuse_unseen,
    sight_of,
)
from bench.registration.model import Model, Unknowns
from bench.registration.sights import Step
from bench.scene.bar import Bar, BarPose
from bench.scene.model import Bay, Tower
from bench.scene.tower_pair import tower_pair
from bench.solve.covariance import least_squares_covariance
from bench.solve.response import (
    PLATE,
    PRINT,
    CameraErrors,
    camera_shift,
    face_shift,
    target_points,
)
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class RegistrationResponse:
    """How a registration errs.

    Attributes
    ----------
    covariance : (6, 6) float64
        Of T_left_right's (ω, τ) from noise in the pictures.
    transform : (6, K) float64
        Its change by each cause: left camera, right camera, print, plate of target A, plate of
        B, the bar's growth from the first to the last step, and how much longer than its
        calibration it is (both relative).
    sizes : tuple of int
        How many columns each of those has.
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
    sizes: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class BarStep:
    """The bar in one place: its pose in the bay, and what the towers see of it there."""

    T_bay_bar: Pose
    glimpses: tuple[Glimpse, ...]


def planned_steps(bay: Bay, poses: Sequence[BarPose]) -> tuple[BarStep, ...]:
    """Return the steps of planned bar poses.

    Raises
    ------
    ConfigError
        A tower sees no target in some pose.
    """
    refuse_unseen(bay, poses)
    return tuple(BarStep(pose.T_bay_bar, glimpses(bay, pose)) for pose in poses)


def registration_response(
    bay: Bay,
    steps: Sequence[BarStep],
    sigma_px: float,
    errors: tuple[CameraErrors, CameraErrors],
) -> RegistrationResponse:
    """Linearise the joint least squares of a registration about the truth.

    Parameters
    ----------
    bay : Bay
        Its outermost towers are tied, by its bar; each sees what targets it can.
    steps : sequence of BarStep
        Its places.
    sigma_px : float
        Standard deviation of a corner's coordinate.
    errors : (CameraErrors, CameraErrors)
        Of the left and the right tower's camera.

    Raises
    ------
    ConfigError
        The places leave the transform undetermined.
    """
    towers = dict(zip(SIDES, tower_pair(bay), strict=True))
    bar, u = bay.bar, bay.bar.length_uncertainty
    sizes = (*(e.modes.shape[1] for e in errors), len(PRINT), len(PLATE), len(PLATE), 1, 1)
    by_side = dict(zip(SIDES, errors, strict=True))
    seen_steps, shifts, growths = [], [], np.linspace(-0.5, 0.5, len(steps))
    for number, (step, growth) in enumerate(zip(steps, growths, strict=True), start=1):
        sights = []
        for glimpse in step.glimpses:
            tower, target = towers[glimpse.tower], bar.target(glimpse.end)
            sights.append(sight_of(target, glimpse, tower.camera, sigma_px))
            modes = by_side[glimpse.tower].modes
            shifts.append(_shift(tower, bar, step, glimpse, float(growth), modes, sizes))
        seen_steps.append(Step(f"step {number}", tuple(sights)))
    into = towers["left"].T_bay_camera.inverse()
    model = Model(
        tuple(seen_steps),
        cameras_of(bay),
        Unknowns(
            T_left_right_of(bay),
            bar.T_a_b,
            tuple(into @ step.T_bay_bar @ bar.T_bar_a for step in steps),
        ),
        None if u is None else (bar.length, u),
    )
    jacobian = model.jacobian(np.zeros(model.n_parameters)).toarray()
    try:
        if not model.two_ends:
            raise np.linalg.LinAlgError("a target alone ties nothing")
        covariance = least_squares_covariance(jacobian, 1.0)
    except np.linalg.LinAlgError:
        raise ConfigError(
            f"registration: {len(steps)} places of the bar leave the towers' transform "
            "undetermined; 'sightbench register rehearse' names the direction"
        ) from None
    seen = np.vstack(shifts) / sigma_px
    if u is not None:  # the calibrated length is an observation too, which a longer bar belies
        belied = np.zeros((1, seen.shape[1]))
        belied[0, -1] = -bar.length / u
        seen = np.vstack((seen, belied))
    answer = -covariance @ jacobian.T @ seen
    turns = answer[model.n_shared :].reshape(len(steps), 6, -1)[:, :3]
    # of the line from A to B, t_ab in A's frame: R (ω × t_ab + τ_ab)
    t_ab = bar.T_a_b.translation
    slopes = []
    for step, turn in zip(steps, turns, strict=True):
        rotation = (step.T_bay_bar @ bar.T_bar_a).rotation
        change = rotation @ (-skew(t_ab) @ turn + answer[9:12])
        slopes.append(change[2] / (rotation @ t_ab)[1])
    roll = np.mean(slopes, axis=0)
    return RegistrationResponse(covariance[:6, :6], answer[:6], roll, len(steps), sizes)


def _shift(
    tower: Tower,
    bar: Bar,
    step: BarStep,
    glimpse: Glimpse,
    growth: float,
    modes: Array,
    sizes: Sequence[int],
) -> Array:
    """Return the change (2 N, K) of a target's pixels by each cause."""
    T, target = glimpse.T_camera_target, bar.target(glimpse.end)
    points = target_points(target)
    blocks = [np.zeros((2 * len(points), size)) for size in sizes]
    blocks[0 if glimpse.tower == "left" else 1] = camera_shift(points, T, tower.camera, modes)
    face = face_shift(points, T, tower.camera, target)
    blocks[2], plate = face[:, : len(PRINT)], face[:, len(PRINT) :]
    blocks[3 if glimpse.end == "A" else 4] = plate
    # a longer bar carries its targets outward along it
    mount = bar.T_bar_a if glimpse.end == "A" else bar.T_bar_b
    outward = tower.T_bay_camera.rotation.T @ step.T_bay_bar.rotation @ mount.translation
    by_point = point_jacobian(T @ points, tower.camera)
    blocks[5] = growth * (by_point @ outward).reshape(-1, 1)
    return np.hstack(blocks)
