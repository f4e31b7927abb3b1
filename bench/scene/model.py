"""A bay as the bench works with it: towers with cameras, vehicles with wheels, what to survey.

Bay frame: origin on the floor where the bay's centre line crosses the tower line, x toward the
towers (a nose-in vehicle's forward), y to the vehicle's left, z up. Towers stand at x = 0 and
look toward -x.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np

from bench.conformity import COVERAGE, DEFAULT, Decision, Rule, decide_uncertainty, rule_words
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_x, rotation_z
from bench.imaging.model import Imaging
from bench.scene.bar import Bar
from bench.scene.budget_terms import BudgetTerms
from bench.scene.imperfections import Imperfections
from bench.scene.siting_space import SitingSpace
from bench.scene.surroundings import Surroundings
from bench.scene.vehicle import Axle, Station, Vehicle, Wheel, wheels_at
from bench.targets.target import Target

# Camera axes in the bay at zero yaw, pitch and roll, as columns: right is the vehicle's left
# (they face each other), down, and forward along -x.
R_BAY_LEVEL_CAMERA = np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])


@dataclass(frozen=True)
class Placement:
    """Where a tower's camera is and where it looks.

    From level and straight along the bay (-x): yaw about the vertical, then pitch about the
    camera's own right, then roll about its own line of sight, all right-handed. So yaw is
    positive to the camera's left, pitch is positive upwards, and roll is positive clockwise as
    seen from behind the camera. Each number is as `TowerSection` says; metres, radians.
    """

    offset: float
    height: float
    forward: float = 0.0
    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0

    def T_bay_camera(self) -> Pose:
        """Return the camera's pose in the bay."""
        rotation = (
            rotation_z(self.yaw)
            @ R_BAY_LEVEL_CAMERA
            @ rotation_x(self.pitch)
            @ rotation_z(self.roll)
        )
        return Pose(rotation, np.array([self.forward, self.offset, self.height]))


@dataclass(frozen=True)
class Tower:
    """A tower with its camera."""

    name: str
    placement: Placement
    camera: Camera
    imaging: Imaging

    @cached_property
    def T_bay_camera(self) -> Pose:
        """The camera's pose in the bay."""
        return self.placement.T_bay_camera()


@dataclass(frozen=True)
class SurveyPlan:
    """What `sightbench map` surveys when its options don't say otherwise, as `SurveySection` says.

    Angles are degrees, as tables have them; without `pixels` targets stand at the principal point.
    """

    ranges_m: tuple[float, ...]
    turns_deg: tuple[float, ...]
    pitches_deg: tuple[float, ...]
    roll_deg: float
    jitter_deg: float
    jitter_range: float
    pixels: tuple[tuple[float, float], ...] | None
    trials: int
    pipelines: tuple[str, ...]
    seed: int


@dataclass(frozen=True)
class Tolerance:
    """What a measurement must hold, each limit as `ToleranceSection` says; radians, fractions."""

    within: float
    success: float
    confidence: float
    toe: float
    camber: float
    thrust: float
    rule: Rule = DEFAULT

    def holds(self, name: str, expanded: float, k: float = COVERAGE) -> Decision:
        """Decide on the expanded uncertainty of toe, camber or thrust, radians."""
        limit: float = getattr(self, name)
        return decide_uncertainty(expanded, limit, k, self.rule, self.confidence)

    @property
    def rule_words(self) -> str:
        """The decision rule, in words."""
        return rule_words(self.rule, self.confidence)


@dataclass(frozen=True, eq=False)
class Bay:
    """A bay.

    Attributes
    ----------
    name : str
        For titles.
    standoff : float
        Distance along the bay from the tower line to the near axle, metres.
    towers : tuple of Tower
        Two or more; the survey looks through the first one's camera unless told otherwise.
    vehicles : tuple of Vehicle
        Those that the bay is meant for, one at a time.
    stations : tuple of Station
        Where they stand; one at least, the first at the bay's standoff.
    target : Target
        That every wheel carries.
    surroundings : Surroundings
        Walls, obstacles, lamps, floor and the towers' bodies.
    siting : SitingSpace
        What `sightbench site` may choose from.
    survey : SurveyPlan
        Defaults of `sightbench map`.
    tolerance : Tolerance
        What limits are drawn for.
    digest : str
        SHA-256 of the content: the same for files that differ in layout, comments or units.
    path : pathlib.Path
        Of the file.
    bar : Bar
        That ties the towers to each other.
    budget : BudgetTerms
        Sizes of what makes toe and camber uncertain.
    imperfections : Imperfections
        Sizes of what else its pictures are rendered with.
    sized : tuple of str
        Which of ``budget`` and ``imperfections`` the file itself gives.
    wheel_targets : tuple of (str, Target)
        What each wheel carries, by its name, where the file gives ids by wheel; as `target` but
        for its markers.
    """

    name: str
    standoff: float
    towers: tuple[Tower, ...]
    vehicles: tuple[Vehicle, ...]
    stations: tuple[Station, ...]
    target: Target
    surroundings: Surroundings
    siting: SitingSpace
    survey: SurveyPlan
    tolerance: Tolerance
    digest: str
    path: Path
    bar: Bar = field(default_factory=Bar)
    budget: BudgetTerms = field(default_factory=BudgetTerms)
    imperfections: Imperfections = field(default_factory=Imperfections)
    sized: tuple[str, ...] = ()
    wheel_targets: tuple[tuple[str, Target], ...] = ()

    @property
    def axles(self) -> tuple[Axle, ...]:
        """All axles of all vehicles."""
        return tuple(axle for vehicle in self.vehicles for axle in vehicle.axles)

    def target_of(self, wheel: str) -> Target:
        """Return what a wheel carries, by its name such as ``"front left"``."""
        return dict(self.wheel_targets).get(wheel, self.target)


def wheels(bay: Bay) -> tuple[Wheel, ...]:
    """Return every wheel of every vehicle at every station."""
    return tuple(
        wheel
        for station in bay.stations
        for vehicle in bay.vehicles
        for wheel in wheels_at(vehicle, station)
    )


def wheels_of_tower(bay: Bay, tower: Tower) -> tuple[Wheel, ...]:
    """Return the wheels on a tower's side of the centre line; all for a tower on it."""
    offset = tower.placement.offset
    return tuple(w for w in wheels(bay) if w.centre[1] * offset >= 0.0)
