"""Views of the bar from the towers: poses, visibility, and points with noise.

The left tower is the one farthest to the vehicle's left. Truth lives here and in what calls
this; `bench.solve` gets points alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import tilt_of_pose
from bench.registration.model import Unknowns
from bench.registration.sights import Cameras, End, Side, Sight, Step
from bench.scene.bar import Bar, BarPose
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.sighting.prediction import sigma_of_corner
from bench.solve.response import target_points
from bench.targets.target import Target

# A target is counted as seen while it is tilted by less than this, radians, and its plate keeps
# this distance, pixels, from the frame's edge: at 75 degrees markers stop being decoded, and
# detectors need a white border.
MAX_TILT = np.radians(72.0)
MARGIN_PX = 16.0
# How far an operator may be off where a plan counts on a target: three times a scatter of 1 degree
# about two axes together, and of 20 mm with what 1 degree does at the end of a 2 m bar, 26 mm.
SCATTER_ANGLE = 3.0 * np.radians(2.0**0.5)
SCATTER_LENGTH = 3.0 * 0.026
SIDES: tuple[Side, Side] = ("left", "right")
ENDS: tuple[End, End] = ("A", "B")


@dataclass(frozen=True, eq=False)
class Glimpse:
    """A target of the bar as a tower sees it.

    Attributes
    ----------
    tower, end : str
        Who sees what.
    T_camera_target : Pose
        As it is.
    """

    tower: Side
    end: End
    T_camera_target: Pose


def cameras_of(bay: Bay) -> Cameras:
    """Return the two towers' cameras."""
    left, right = tower_pair(bay)
    return Cameras(left.camera, right.camera)


def T_left_right_of(bay: Bay) -> Pose:
    """Return the right tower's camera in the left one's frame."""
    left, right = tower_pair(bay)
    return left.T_bay_camera.inverse() @ right.T_bay_camera


def glimpses(bay: Bay, pose: BarPose, scattered: bool = False) -> tuple[Glimpse, ...]:
    """Return what each tower sees of the bar in a pose, left tower first, A before B.

    Scattered: what it sees wherever an operator's scatter takes the bar.
    """
    return glimpses_of(bay, pose.T_bay_bar, scattered=scattered)


def glimpses_of(
    bay: Bay,
    T_bay_bar: Pose,
    bar: Bar | None = None,
    T_bar_ends: tuple[Pose, Pose] | None = None,
    scattered: bool = False,
) -> tuple[Glimpse, ...]:
    """Return what each tower sees of a bar that stands at T_bay_bar.

    Parameters
    ----------
    bay : Bay
        Where.
    T_bay_bar : Pose
        The bar.
    bar : Bar, optional
        Which; the bay's own when left out.
    T_bar_ends : (Pose, Pose), optional
        Where A and B really sit on it; as drawn when left out.
    scattered : bool
        Whether to keep room for an operator's scatter.
    """
    bar = bay.bar if bar is None else bar
    mounts = (bar.T_bar_a, bar.T_bar_b) if T_bar_ends is None else T_bar_ends
    found = []
    for side, tower in zip(SIDES, tower_pair(bay), strict=True):
        for end, mount in zip(ENDS, mounts, strict=True):
            T = tower.T_bay_camera.inverse() @ T_bay_bar @ mount
            if is_seen(bar.target(end), T, tower.camera, scattered):
                found.append(Glimpse(side, end, T))
    return tuple(found)


def is_seen(
    target: Target, T_camera_target: Pose, camera: Camera, scattered: bool = False
) -> bool:
    """Tell whether a tower sees all of a target, not too steeply; with room where scattered."""
    tilt, margin = MAX_TILT, MARGIN_PX
    if scattered:
        tilt = tilt - SCATTER_ANGLE
        margin = margin + camera.fx * SCATTER_LENGTH / max(T_camera_target.translation[2], 0.1)
    if not tilt_of_pose(T_camera_target) < tilt:
        return False
    plate = np.column_stack((target.drawing.outline, np.zeros(4)))
    try:
        pixels = project(plate, T_camera_target, camera)
    except GeometryError:
        return False
    return camera.contains(pixels, margin)


def sight_of(
    target: Target,
    glimpse: Glimpse,
    camera: Camera,
    sigma_px: float,
    rng: np.random.Generator | None = None,
) -> Sight:
    """Return the points that a detector would find, with noise if `rng` is given."""
    points = target_points(target)
    pixels = project(points, glimpse.T_camera_target, camera)
    if rng is not None:
        pixels = pixels + sigma_px * rng.standard_normal(pixels.shape)
    return Sight(glimpse.tower, glimpse.end, points, pixels, sigma_px)


def step_of(
    bay: Bay,
    pose: BarPose,
    name: str,
    sigma_px: float | None = None,
) -> Step:
    """Return what both towers find of the bar in a pose, everything else being as drawn."""
    cameras, sigma = cameras_of(bay), sigma_of_corner(bay, sigma_px)
    return Step(
        name,
        tuple(
            sight_of(bay.bar.target(g.end), g, cameras.of(g.tower), sigma)
            for g in glimpses(bay, pose)
        ),
    )


def unknowns_of(bay: Bay, poses: Sequence[BarPose]) -> Unknowns:
    """Return what a registration with these bar poses would find without any error."""
    left, _ = tower_pair(bay)
    into = left.T_bay_camera.inverse()
    return Unknowns(
        T_left_right_of(bay),
        bay.bar.T_a_b,
        tuple(into @ pose.T_bay_bar @ bay.bar.T_bar_a for pose in poses),
    )


def is_usable(bay: Bay, pose: BarPose) -> bool:
    """Tell whether each tower sees a target of the bar in a pose, even if that is scattered."""
    return {g.tower for g in glimpses(bay, pose, scattered=True)} == set(SIDES)


def refuse_unseen(bay: Bay, poses: Sequence[BarPose]) -> None:
    """Refuse bar poses in which a tower sees no target.

    Raises
    ------
    ConfigError
        The first such pose and the tower.
    """
    for index, pose in enumerate(poses):
        seen = {g.tower for g in glimpses(bay, pose)}
        for side in SIDES:
            if side not in seen:
                raise ConfigError(
                    f"bar pose {index + 1} ({pose.words}): the {side} tower sees no target of the "
                    "bar, all of it and less steep than 72 deg"
                )
