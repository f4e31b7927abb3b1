"""Setting of a survey's pictures, and whether a plan fits it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.built.draws import Sizes
from bench.digest import content_digest, later
from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging
from bench.survey.plan import WHEELS, Plan, number, position_of_case, position_pixel
from bench.targets.target import Target
from bench.typing import Array

# Raise when pictures as built, or what is said of them, change with the same sizes; `SCHEMA` of
# a plan would retire those as drawn too. 2: light, paper and dirt are in what a bay allows.
BUILT = 2
# Of any setting, by name; plans and envelopes keep a digest of each.
PARTS = ("camera", "imaging", "target")


@dataclass(frozen=True, eq=False)
class Setting:
    """A camera, how it images, the target before it, and what bays are off by.

    Attributes
    ----------
    camera, imaging, target : Camera, Imaging, Target
        As drawn: what pipelines know.
    built : Sizes or None
        Of the imperfections that pictures are rendered with; None leaves noise alone.
    """

    camera: Camera
    imaging: Imaging
    target: Target
    built: Sizes | None = later(None)

    def digests(self) -> dict[str, str]:
        """Return digests of camera, imaging, target and imperfections, as a plan keeps them."""
        found = {name: content_digest(getattr(self, name)) for name in PARTS}
        if self.built is not None:
            found["imperfections"] = content_digest((BUILT, self.built))
        return found


def pattern_points(target: Target) -> Array:
    """Return the pattern's outermost points (N, 3): marker corners, or chessboard or circles."""
    corners = [
        four + target.reach * np.sign(four - four.mean(axis=0)) for four in target.markers.values()
    ]
    xy = np.vstack([*corners, target.points]) if corners else target.points
    return np.column_stack((xy, np.zeros(len(xy))))


def is_whole(pattern: Array, T_camera_target: Pose, camera: Camera) -> bool:
    """Tell whether the whole pattern (N, 3) lies in the camera's frame."""
    try:
        return camera.contains(project(pattern, T_camera_target, camera))
    except GeometryError:
        return False


def shortest_range(plan: Plan, setting: Setting) -> tuple[float, str]:
    """Return the shortest nominal range, metres, that can be looked at, and what limits it."""
    drawing, camera = setting.target.drawing, setting.camera
    half_diagonal = 0.5 * math.hypot(drawing.width, drawing.height)
    touching = half_diagonal / (1.0 - plan.range_spread)
    extent = setting.target.extent + 2.0 * setting.target.reach
    by_width = camera.fx * extent / camera.width
    by_height = camera.fy * extent / camera.height
    filling = max(by_width, by_height) / (1.0 - plan.range_spread)
    if touching >= filling:
        return touching, "nearer than that the target could touch the camera"
    return filling, "nearer than that the pattern is larger than the picture"


def check_plan(plan: Plan, setting: Setting) -> None:
    """Refuse a plan with a range too short, or a place in the frame without a line of sight.

    Raises
    ------
    ConfigError
        Names the range or position, and the limit.
    """
    limit, why = shortest_range(plan, setting)
    for range_m in plan.ranges_m:
        if range_m <= limit:
            raise ConfigError(
                f"ranges: {number(range_m)} m is too short for this camera and target; {why}: "
                f"above {math.ceil(limit * 1000) / 1000:g} m is allowed"
            )
    places = [place for place in plan.positions if place != WHEELS]
    if WHEELS in plan.positions:
        places += [(across, down) for _, across, down in plan.wheels]
    for position in places:
        u, v = position_pixel(position, setting.camera)
        for corner in ((-0.5, -0.5), (-0.5, 0.5), (0.5, -0.5), (0.5, 0.5)):
            view = View(range_m=1.0, pixel=(u + corner[0], v + corner[1]))
            try:
                pose_of_view(view, setting.camera)
            except GeometryError as error:
                raise ConfigError(f"position: {position}: {error}") from error


def cut_cells(plan: Plan, setting: Setting) -> int:
    """Return how many cells have, at some position, a pattern not wholly in the frame.

    Judged at the nominal view. Such cells are surveyed all the same: what becomes of a target
    that is partly outside is a result.
    """
    pattern = pattern_points(setting.target)
    cut = set()
    for index in range(plan.n_pictures // plan.trials):
        case = plan.case(index)
        view = View(
            range_m=case.range_m,
            turn=math.radians(case.turn_deg),
            pitch=math.radians(case.pitch_deg),
            roll=math.radians(plan.roll_deg),
            pixel=position_pixel(position_of_case(case, plan), setting.camera),
        )
        if not is_whole(pattern, pose_of_view(view, setting.camera), setting.camera):
            cut.add((case.range_m, case.turn_deg, case.pitch_deg))
    return len(cut)
