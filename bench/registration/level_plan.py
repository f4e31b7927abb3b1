"""Plans for levelling: places of the bar, and how well the towers then know up."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from bench.errors import ConfigError
from bench.geometry.pose import Pose
from bench.registration.bar_views import T_left_right_of, glimpses
from bench.registration.level import Level, Up, find_level
from bench.registration.level_equations import Kind, Reference, Setting
from bench.registration.sights import End
from bench.scene.bar import BarPose
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.sighting.prediction import sigma_of_corner
from bench.solve.covariance import pose_covariance
from bench.solve.response import target_points
from bench.typing import Array

# Our own assumptions for a careful workshop, no source: standard uncertainties of the height of
# a stand's seat as set up, metres; of the bar's axis against its seat, radians; and of a
# workshop floor from flat under one stand, metres.
HEIGHT_SIGMA = 0.3e-3
BAR_SIGMA = math.radians(0.03)
FLOOR_SIGMA = 1.0e-3
# Distances that a plan tries, metres from the tower line, and how far apart it may take two.
DISTANCES = tuple(float(d) for d in np.arange(1.5, 8.01, 0.25))
MOST_APART = 3.0
# Turns that a plan tries: of the pairs that are farthest apart, with heights, so many are judged;
# two turns nearer than the least tell the bar's long axis badly.
TURN_SPACING = math.radians(30.0)
LEAST_APART = math.radians(5.0)
MOST_TRIED = 6


@dataclass(frozen=True)
class LevelPlan:
    """How level is found.

    Attributes
    ----------
    distances : tuple of float
        Of the bar from the tower line, metres.
    turns : tuple of float
        Of the bar about its long axis in every setting, radians.
    height : float
        Of the bar above the floor, metres.
    corner_px : float
        Standard deviation of a corner's coordinate, pixels.
    reversal : bool
        Whether each place is measured with the bar both ways round.
    registered : bool
        Whether both towers find one level together, by the registration.
    kind : {"level", "floor"}
        What the bar is level by: its spirit level, or the floor under its stands.
    height_sigma : float
        Standard uncertainty of the height of a stand's seat: with a spirit level, of how equal
        near and far seats were made (water level, or straightedge and level); with the floor,
        of floor and stand together. Metres.
    bar_sigma : float
        Standard uncertainty of the bar's own error, radians.
    """

    distances: tuple[float, ...]
    turns: tuple[float, ...]
    height: float
    corner_px: float
    reversal: bool = True
    registered: bool = True
    kind: Kind = "level"
    height_sigma: float = HEIGHT_SIGMA
    bar_sigma: float = BAR_SIGMA

    @property
    def ways(self) -> tuple[bool, ...]:
        """Whether the bar is reversed, in turn."""
        return (False, True) if self.reversal else (False,)

    @property
    def poses(self) -> tuple[BarPose, ...]:
        """All poses of the bar, place by place, each way round at each turn."""
        return tuple(
            self.pose(distance, turn, way)
            for distance in self.distances
            for way in self.ways
            for turn in self.turns
        )

    def pose(self, distance: float, turn: float, reversed_: bool) -> BarPose:
        """Return one pose of the bar; reversed, it turns the other way to look the same way."""
        return BarPose(
            distance, height=self.height, turn=-turn if reversed_ else turn, reversed=reversed_
        )


def open_plan(kind: Kind, corner_px: float) -> LevelPlan:
    """Return a plan that says by what the bar is level, and nothing yet of where it lies."""
    sigma = FLOOR_SIGMA if kind == "floor" else HEIGHT_SIGMA
    return LevelPlan((), (), 0.0, corner_px, kind=kind, height_sigma=sigma)


def default_plan(
    bay: Bay, kind: Kind = "level", corner_sigma_px: float | None = None
) -> LevelPlan:
    """Return the plan of two distances and two turns that knows best which way is up.

    Searched are the bar's heights and turns, the turns farthest apart first; distances are as far
    apart as towers see the bar. The best has the least variance about the bay's x and y together.

    A corner's standard deviation is what the bay's detector claims where it isn't given.

    Raises
    ------
    ConfigError
        The towers don't see the bar at two distances half a metre apart or more.
    """
    corner_px = sigma_of_corner(bay, corner_sigma_px)
    found = sorted(_plans(bay, kind, corner_px), key=lambda plan: plan.turns[0] - plan.turns[1])
    if not found:
        raise ConfigError(
            f"{bay.path}: bar: the towers don't see it at two distances with any two of its "
            f"turns and heights, between {DISTANCES[0]:g} and {DISTANCES[-1]:g} m"
        )
    return min(found[:MOST_TRIED], key=lambda plan: float(np.trace(level_covariance(bay, plan))))


def _plans(bay: Bay, kind: Kind, corner_px: float) -> Iterator[LevelPlan]:
    turns = bay.bar.turns(TURN_SPACING)
    for height in bay.bar.heights:
        one = replace(open_plan(kind, corner_px), height=height)
        seen = {turn: {d for d in DISTANCES if _is_seen(bay, one, d, turn)} for turn in turns}
        for low, high in combinations(turns, 2):
            both = sorted(seen[low] & seen[high])
            if not both or high - low < LEAST_APART:
                continue
            far = max(d for d in both if d <= both[0] + MOST_APART)
            if far >= both[0] + 0.5:
                yield replace(one, distances=(both[0], far), turns=(low, high))


def reference_of(bay: Bay, plan: LevelPlan) -> Reference:
    """Return what the bar is level by under a plan."""
    if plan.kind == "level":
        return Reference("level", bay.bar.level_sensitivity, plan.height_sigma, plan.bar_sigma)
    # two supports at the bar's ends: their difference tilts it, their mean lifts its middle
    slope = math.sqrt(2.0) * plan.height_sigma / bay.bar.length
    return Reference("floor", slope, plan.height_sigma / math.sqrt(2.0), plan.bar_sigma)


def level_of_plan(bay: Bay, plan: LevelPlan) -> Level:
    """Return the level that a plan would find without any error, with its covariance.

    Raises
    ------
    ConfigError
        A tower doesn't see the bar in a setting.
    """
    transform = T_left_right_of(bay) if plan.registered else None
    settings = settings_of(bay, plan)
    return find_level(settings, reference_of(bay, plan), transform, expected=planned_up(bay))


def settings_of(bay: Bay, plan: LevelPlan) -> tuple[Setting, ...]:
    """Return the settings of a plan without any error; raises as `level_of_plan`."""
    return tuple(
        Setting(
            side,
            f"{distance:.2f} m",
            way,
            plan.height,
            bay.bar.length,
            poses,
            covariances_of(bay, plan, way, side, poses),
        )
        for distance in plan.distances
        for way in plan.ways
        for side in ("left", "right")
        for poses in [seen_poses(bay, plan, distance, way, side)]
    )


def planned_up(bay: Bay) -> dict[str, Array]:
    """Return the upward direction in each tower's camera frame as the bay file has it."""
    return {
        side: tower.T_bay_camera.rotation[2]
        for side, tower in zip(("left", "right"), tower_pair(bay), strict=True)
    }


def level_covariance(bay: Bay, plan: LevelPlan | None = None) -> Array:
    """Return the covariance (2, 2) of the upward direction about the bay's x and y, radians².

    The left tower's where each finds its own; `level_shares` splits it by source.
    """
    return np.asarray(np.sum(list(level_shares(bay, plan).values()), axis=0))


def level_shares(bay: Bay, plan: LevelPlan | None = None) -> dict[str, Array]:
    """Return that covariance by source, (2, 2) each."""
    level = level_of_plan(bay, default_plan(bay) if plan is None else plan)
    return bay_shares(bay, level.up("left"))


def bay_shares(bay: Bay, up: Up) -> dict[str, Array]:
    """Return each source's covariance (2, 2) of a tower's level about the bay's x and y."""
    turn = tower_pair(bay)[0 if up.tower == "left" else 1].T_bay_camera.rotation
    return {name: (turn @ part @ turn.T)[:2, :2] for name, part in up.shares.items()}


def seen_poses(
    bay: Bay, plan: LevelPlan, distance: float, way: bool, side: str
) -> tuple[Pose, ...]:
    """Return a tower's T_camera_target at each turn of a setting.

    Raises
    ------
    ConfigError
        It doesn't see the bar.
    """
    end = _end(way, side)
    found = []
    for turn in plan.turns:
        pose = plan.pose(distance, turn, way)
        seen = [g for g in glimpses(bay, pose) if (g.tower, g.end) == (side, end)]
        if not seen:
            raise ConfigError(
                f"the {side} tower doesn't see the bar's target {end}: {pose.words}; all of it "
                "must be in the picture, less steep than 72 deg"
            )
        found.append(seen[0].T_camera_target)
    return tuple(found)


def _is_seen(bay: Bay, plan: LevelPlan, distance: float, turn: float) -> bool:
    for way in plan.ways:
        pose = plan.pose(distance, turn, way)
        seen = {(g.tower, g.end) for g in glimpses(bay, pose, scattered=True)}
        if not {("left", "B" if way else "A"), ("right", "A" if way else "B")} <= seen:
            return False
    return True


def covariances_of(
    bay: Bay, plan: LevelPlan, way: bool, side: str, poses: Sequence[Pose]
) -> tuple[Array, ...]:
    """Return the covariance (6, 6) of each pose of a setting."""
    camera = tower_pair(bay)[0 if side == "left" else 1].camera
    points = target_points(bay.bar.target(_end(way, side)))
    return tuple(pose_covariance(points, T, camera, plan.corner_px) for T in poses)


def _end(way: bool, side: str) -> End:
    return "A" if (side == "left") != way else "B"
