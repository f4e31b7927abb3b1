"""A registration rehearsed many times: an operator's scatter, errors of all kinds, faults."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.digest import key_digest
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, log_rotation
from bench.registration.bar_views import Glimpse, T_left_right_of, cameras_of, glimpses_of
from bench.registration.checks import alarms, length_deviation
from bench.registration.fit import register
from bench.registration.plan import bay_axes
from bench.registration.sights import Cameras, Sight, Step
from bench.registration.systematic import Causes
from bench.scene.bar import BarPose
from bench.scene.budget_terms import BudgetTerms
from bench.scene.model import Bay
from bench.sighting.prediction import sigma_of_corner
from bench.solve.response import target_points
from bench.typing import Array


@dataclass(frozen=True)
class Errors:
    """Standard deviations of what is never quite as planned.

    Attributes
    ----------
    corner_px : float or None
        Of a corner's coordinate, pixels; None is what the bay's detector claims.
    pose_angle, pose_position : float
        The operator's, setting up the bar: about and along each of its axes, radians, metres.
    mount_angle, mount_position : float
        Of the targets' seats on the bar: the fit finds them.
    size : float
        Relative, of each target's size: the same in all steps.
    focal : float
        Relative, of each camera's focal length.
    aspect : float
        Relative, of each camera's focal length down over across.
    centre_px : float
        Of each camera's principal point, each coordinate, pixels.
    distortion_px : float
        Of each camera's radial distortion at the picture's corner, pixels.
    """

    corner_px: float | None = None
    pose_angle: float = np.radians(1.0)
    pose_position: float = 0.02
    mount_angle: float = np.radians(0.5)
    mount_position: float = 1e-3
    size: float = 0.0
    focal: float = 0.0
    aspect: float = 0.0
    centre_px: float = 0.0
    distortion_px: float = 0.0

    @classmethod
    def assumed(
        cls,
        terms: BudgetTerms,
        size: float | None = None,
        focal: float | None = None,
        centre_px: float | None = None,
    ) -> Errors:
        """Return the errors of cameras and sizes that a bay's budget assumes, or those given."""
        return cls(
            size=terms.print_scale if size is None else size,
            focal=terms.focal if focal is None else focal,
            aspect=terms.aspect,
            centre_px=terms.principal_point if centre_px is None else centre_px,
            distortion_px=terms.distortion,
        )

    def camera_modes(self, camera: Camera) -> Array:
        """Return the change (9, K) of a camera's intrinsics by one standard deviation each."""
        terms = BudgetTerms(
            focal=self.focal,
            aspect=self.aspect,
            principal_point=self.centre_px,
            distortion=self.distortion_px,
        )
        modes = terms.camera_modes(camera)
        return modes[:, np.any(modes, axis=0)]

    def causes(self, cameras: Cameras) -> Causes:
        """Return errors of cameras and sizes as a registration takes them; none of no camera."""
        known = {"left": cameras.left, "right": cameras.right}
        by_side = {s: self.camera_modes(c) for s, c in known.items() if c is not None}
        return Causes({s: m for s, m in by_side.items() if m.size}, self.size)


@dataclass(frozen=True)
class Faults:
    """What goes wrong; nothing by default.

    Attributes
    ----------
    slip : (3,) floats and slip_step : int
        Rotation vector, radians about B's axes, by which B has turned in its holder from step
        `slip_step` (counted from 0) on.
    shift : (3,) floats
        By which B has slipped along its own axes from that step on, metres.
    bend : float
        Tilt of each end of the bar, radians, as it sags between its stands.
    size_a, size_b : float
        Factors by which the targets are larger than believed.
    """

    slip: tuple[float, float, float] = (0.0, 0.0, 0.0)
    slip_step: int = 0
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    bend: float = 0.0
    size_a: float = 1.0
    size_b: float = 1.0


@dataclass(frozen=True, eq=False)
class Rehearsal:
    """What many rehearsals gave.

    Attributes
    ----------
    errors : (T, 6) float64
        Of T_left_right: about and along the bay's axes, radians and metres.
    normalised : (T,) float64
        Squared errors over the claimed covariance: chi-square of six degrees if it is honest.
    claimed : (6,) float64
        Root mean square of the claimed standard uncertainties.
    p_values : (T,) float64
        Of the residuals as a whole.
    alarms : tuple of tuple of str
        Names of the checks that failed, worst first, for each trial.
    length_deviations : (T,) float64
        Of the calibrated length, in standard uncertainties; NaN without one.
    refused : tuple of str
        Reasons of the trials that gave no registration.
    """

    errors: Array
    normalised: Array
    claimed: Array
    p_values: Array
    alarms: tuple[tuple[str, ...], ...]
    length_deviations: Array
    refused: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Scene:
    """One draw of everything: what stands where, and what is what.

    Attributes
    ----------
    glimpses : tuple of tuple of Glimpse
        For each step.
    cameras : mapping of str to Camera
        As they really are.
    sizes : mapping of str to float
        Factors of the targets' real sizes.
    """

    glimpses: tuple[tuple[Glimpse, ...], ...]
    cameras: dict[str, Camera]
    sizes: dict[str, float]


def draw_scene(
    bay: Bay, poses: Sequence[BarPose], errors: Errors, faults: Faults, rng: np.random.Generator
) -> Scene:
    """Draw what really stands before the towers in each step."""
    believed = cameras_of(bay)
    cameras = {}
    for side in ("left", "right"):
        camera, factor = believed.of(side), 1.0 + errors.focal * rng.standard_normal()
        cx, cy = np.array([camera.cx, camera.cy]) + errors.centre_px * rng.standard_normal(2)
        cameras[side] = replace(
            camera, fx=factor * camera.fx, fy=factor * camera.fy, cx=float(cx), cy=float(cy)
        )
    sizes = {
        end: fault * (1.0 + errors.size * rng.standard_normal())
        for end, fault in (("A", faults.size_a), ("B", faults.size_b))
    }
    mounts = [
        mount @ _small(errors.mount_angle, errors.mount_position, rng)
        for mount in (bay.bar.T_bar_a, bay.bar.T_bar_b)
    ]
    if bay.bar.length_uncertainty is not None:
        # a calibrated bar has its length, to within what the calibration says
        length = bay.bar.length + bay.bar.length_uncertainty * rng.standard_normal()
        between = mounts[0].translation - mounts[1].translation
        surplus = (length / np.linalg.norm(between) - 1.0) * between
        mounts[0] = Pose(mounts[0].rotation, mounts[0].translation + surplus)
    if errors.aspect or errors.distortion_px:
        terms = replace(errors, focal=0.0, centre_px=0.0)
        for side, camera in cameras.items():
            modes = terms.camera_modes(camera)
            cameras[side] = camera.changed(modes @ rng.standard_normal(modes.shape[1]))
    steps = []
    for index, pose in enumerate(poses):
        T = pose.T_bay_bar @ _small(errors.pose_angle, errors.pose_position, rng)
        ends = [_bent(T, mount, faults.bend) for mount in mounts]
        if index >= faults.slip_step:
            ends[1] = ends[1] @ Pose.from_rotvec(np.array(faults.slip), np.array(faults.shift))
        steps.append(glimpses_of(bay, T, None, (ends[0], ends[1])))
    return Scene(tuple(steps), cameras, sizes)


def _small(angle: float, position: float, rng: np.random.Generator) -> Pose:
    return Pose.from_rotvec(angle * rng.standard_normal(3), position * rng.standard_normal(3))


def _bent(T_bay_bar: Pose, T_bar_end: Pose, bend: float) -> Pose:
    """Return where an end sits on a bar that sags in the middle under its own weight.

    The ends tilt by `bend`, opposite ways, about the horizontal axis square to the bar; each
    target's centre stays on the line between the stands.
    """
    if bend == 0.0:
        return T_bar_end
    long = T_bay_bar.rotation[:, 0]
    across = np.cross(long, [0.0, 0.0, 1.0])
    axis = T_bay_bar.rotation.T @ (across / np.linalg.norm(across))
    tilt = np.sign(T_bar_end.translation[0]) * bend
    return Pose(exp_rotvec(tilt * axis) @ T_bar_end.rotation, T_bar_end.translation)


def find_points(
    bay: Bay, scene: Scene, errors: Errors, rng: np.random.Generator
) -> tuple[Step, ...]:
    """Return what a detector with Gaussian corner noise finds in a scene."""
    steps, sigma = [], sigma_of_corner(bay, errors.corner_px)
    for index, seen in enumerate(scene.glimpses):
        sights = []
        for glimpse in seen:
            points = target_points(bay.bar.target(glimpse.end))
            pixels = project(
                scene.sizes[glimpse.end] * points,
                glimpse.T_camera_target,
                scene.cameras[glimpse.tower],
            )
            pixels = pixels + sigma * rng.standard_normal(pixels.shape)
            sights.append(Sight(glimpse.tower, glimpse.end, points, pixels, sigma))
        steps.append(Step(f"step {index + 1}", tuple(sights)))
    return tuple(steps)


def rehearse(
    bay: Bay,
    poses: Sequence[BarPose],
    trials: int,
    errors: Errors | None = None,
    faults: Faults | None = None,
    seed: int | None = None,
    judge: bool = True,
    moved: Callable[[int, int], None] | None = None,
    find: Callable[[Bay, Scene, Errors, np.random.Generator], tuple[Step, ...]] = find_points,
) -> Rehearsal:
    """Simulate a list of bar poses many times, each time registering as on site.

    Parameters
    ----------
    bay : Bay
        Towers and bar.
    poses : sequence of BarPose
        As planned.
    trials : int
        How many times.
    errors, faults : Errors, Faults, optional
        What goes wrong.
    seed : int, optional
        Of all randomness; the bay's own when left out. A trial's numbers depend on it and on
        the trial's number alone.
    judge : bool
        Whether to run the residuals' checks too.
    moved : function of done and total, optional
        Called as it goes.
    find : function of bay, scene, errors and source of randomness, optional
        Gives what is found in a scene, as `find_points` does.
    """
    errors, faults = errors or Errors(), faults or Faults()
    errors = replace(errors, corner_px=sigma_of_corner(bay, errors.corner_px))
    seed = bay.survey.seed if seed is None else seed
    bar, cameras, truth = bay.bar, cameras_of(bay), T_left_right_of(bay)
    length = None if bar.length_uncertainty is None else (bar.length, bar.length_uncertainty)
    into = bay_axes(bay)
    causes = errors.causes(cameras)
    off, normalised, claimed, p_values, failed, deviations, refused = [], [], [], [], [], [], []
    for trial in range(trials):
        sequence = np.random.SeedSequence([seed, key_digest(f"registration {trial}")])
        rng = np.random.default_rng(sequence)
        scene = draw_scene(bay, poses, errors, faults, rng)
        try:
            steps = find(bay, scene, errors, rng)
            found = register(steps, cameras, bar.T_a_b, length, causes=causes)
        except GeometryError as error:
            refused.append(str(error))
            continue
        covariance = found.covariance_left_right + found.systematic
        miss = error_of(found.T_left_right, truth)
        off.append(into @ miss)
        normalised.append(float(miss @ np.linalg.solve(covariance, miss)))
        claimed.append(np.diag(into @ covariance @ into.T))
        p_values.append(found.p_value)
        failed.append(tuple(c.name for c in alarms(found)) if judge else ())
        deviation = length_deviation(found)
        deviations.append(np.nan if deviation is None else deviation)
        if moved is not None:
            moved(trial + 1, trials)
    return Rehearsal(
        np.array(off).reshape(-1, 6),
        np.array(normalised),
        np.sqrt(np.mean(np.array(claimed).reshape(-1, 6), axis=0)) if claimed else np.zeros(6),
        np.array(p_values),
        tuple(failed),
        np.array(deviations),
        tuple(refused),
    )


def error_of(T_est: Pose, T_true: Pose) -> Array:
    """Return (ω, τ) (6,) of an estimate against the truth."""
    turned = log_rotation(T_true.rotation.T @ T_est.rotation)
    return np.concatenate((turned, T_est.translation - T_true.translation))
