"""A bay file's tables and keys, with what an editor should know of each."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import Field, model_validator

from bench.conformity import Rule
from bench.scene.bar_section import BarSection
from bench.scene.budget_section import BudgetSection
from bench.scene.camera_section import CameraSection
from bench.scene.fields import (
    ROLL_SPREAD,
    TOLERANCE,
    Angle,
    Confidence,
    Distance,
    Fraction,
    Name,
    Probability,
    check_distinct,
    given,
)
from bench.scene.imperfections_section import ImperfectionsSection
from bench.scene.model import Placement, SurveyPlan, Tolerance
from bench.scene.quantities import Pair, Quantities, Quantity, written
from bench.scene.siting_section import SitingSection
from bench.scene.surroundings_section import (
    CableSection,
    ColumnSection,
    FloorSection,
    LampSection,
    ObstacleSection,
    RoomSection,
)
from bench.scene.target_section import MarkerId, TargetSection
from bench.scene.vehicle_section import FamilySection, MountSection, StationSection, VehicleSection
from bench.strict import Section

WheelTolerance = Annotated[float, TOLERANCE]
Pipeline = Annotated[str, Field(pattern=r"^[^/\s]+/[^/\s]+$", examples=["aruco-subpix/ippe-lm"])]


class TowerSection(Section):
    """A camera tower; what matters of it is where its camera is and where that looks."""

    name: Name
    """Such as "left": the vehicle's left."""
    offset: Annotated[float, Quantity("length", "-50 m", "50 m")]
    """Of the camera's centre from the bay's centre line, positive to the vehicle's left."""
    height: Annotated[float, Quantity("length", "0 m", "20 m", above=True)]
    """Of the camera's centre above the floor."""
    forward: Annotated[float, Quantity("length", "-5 m", "5 m")] = written("0 m")
    """Of the camera's centre from the tower line, positive away from the vehicle."""
    yaw: Angle = written("0 deg")
    """From straight along the bay, about the vertical, positive to the camera's left; a left
    tower that looks inward has a positive yaw, a right one a negative."""
    pitch: Annotated[float, Quantity("angle", "-89 deg", "89 deg")] = written("0 deg")
    """About the camera's own right, positive upwards."""
    roll: Angle = written("0 deg")
    """About the line of sight, positive clockwise as seen from behind the camera."""
    camera: CameraSection | None = None
    """This tower's own camera; the bay's [camera] when left out."""

    def to_placement(self) -> Placement:
        """Return where the camera is and looks."""
        return Placement(**given(self, "name", "camera"))


class HighlightSection(Section):
    """A lamp's reflection: one round spot of light."""

    x: Annotated[float, Quantity("length", "-100 m", "100 m")]
    """Of its centre from the target's, to the right on the target's face."""
    y: Annotated[float, Quantity("length", "-100 m", "100 m")]
    """Of its centre from the target's, upwards on the target's face."""
    sigma: Annotated[float, Quantity("length", "0.1 mm", "100 m")]
    """Standard deviation of its Gaussian profile."""
    level: Annotated[float, Field(ge=0.0, le=100.0, examples=[0.3])]
    """Peak, as a fraction of what saturates a pixel."""


class LightSection(Section):
    """Light on the target."""

    level: Annotated[float, Field(gt=0.0, le=100.0)] = 0.8
    """How full a perfectly white target fills a pixel; above 1 it saturates."""
    gradient: Annotated[tuple[float, float], Pair("gradient", "-100 1/m", "100 1/m")] = written(
        ("0 1/m", "0 1/m")
    )
    """Relative change of the light per metre, to the right and down in the picture."""
    highlight: HighlightSection | None = None
    """One bright spot; none when left out."""


class SurveySection(Section):
    """What `sightbench map` looks at; its options override each of these."""

    ranges: Annotated[tuple[float, ...], Quantities("length", "0 m", "1000 m", above=True)]
    """Ranges, camera to target."""
    turns: Annotated[tuple[float, ...], Quantities("angle", "-88 deg", "88 deg")]
    """Turns of the target about its own vertical; 0 deg faces the camera."""
    pitches: Annotated[tuple[float, ...], Quantities("angle", "-88 deg", "88 deg")] = written(
        "0 deg"
    )
    """Pitches of the target about its own horizontal."""
    trials: Annotated[int, Field(ge=1, le=10_000_000)] = 100
    """Pictures a cell of the map."""
    pipelines: Annotated[list[Pipeline], Field(min_length=1)]
    """Pairs detector/solver; all see the same pictures."""
    seed: Annotated[int, Field(ge=0)] = 1
    """Start of all randomness."""
    roll: Annotated[float, ROLL_SPREAD] = written("15 deg")
    """Half width of the roll's variation within a cell."""
    jitter: Annotated[float, Quantity("angle", "0 deg", "10 deg")] = written("1 deg")
    """Half width of the variation of turn and pitch within a cell."""
    jitter_range: Annotated[float, Field(ge=0.0, le=0.2)] = 0.01
    """Half width of the variation of range within a cell, a fraction of it."""
    positions: list[Annotated[list[Fraction], Field(min_length=2, max_length=2)]] | None = None
    """Places in the picture, fractions across and down; when left out where wheels appear, or
    as drawn the optical axis."""

    @model_validator(mode="after")
    def _no_repetition(self) -> SurveySection:
        for key in ("ranges", "turns", "pitches", "pipelines", "positions"):
            values = getattr(self, key) or ()
            if any(value in values[:i] for i, value in enumerate(values)):
                raise ValueError(f"{key} has a value twice")
        return self

    def to_plan(self) -> SurveyPlan:
        """Return the plan, in the units of tables."""
        return SurveyPlan(
            ranges_m=self.ranges,
            turns_deg=tuple(map(_degrees, self.turns)),
            pitches_deg=tuple(map(_degrees, self.pitches)),
            roll_deg=_degrees(self.roll),
            jitter_deg=_degrees(self.jitter),
            jitter_range=self.jitter_range,
            pixels=None if not self.positions else tuple((u, v) for u, v in self.positions),
            trials=self.trials,
            pipelines=tuple(self.pipelines),
            seed=self.seed,
        )


class ToleranceSection(Section):
    """What a measurement must hold; limits are drawn where it stops holding."""

    within: WheelTolerance = written("0.1 deg")
    """Largest angle of a picture's rotation error: a success is usable and within it."""
    success: Probability = 0.95
    """Least rate of successes among all pictures."""
    confidence: Confidence = 0.95
    """With which that rate is shown, one-sided."""
    toe: WheelTolerance = written("0.05 deg")
    """Largest expanded uncertainty of a wheel's toe."""
    camber: WheelTolerance = written("0.1 deg")
    """Largest expanded uncertainty of a wheel's camber."""
    thrust: WheelTolerance = written("0.05 deg")
    """Largest expanded uncertainty of the thrust angle."""
    rule: Rule | None = None
    """Decision rule where a number is held against its tolerance: simple, guard (by U, as ISO
    14253-1) or probability (of conformity, JCGM 106, at the confidence); guard when left out."""

    def to_tolerance(self) -> Tolerance:
        """Return the tolerance."""
        return Tolerance(**given(self))


class BaySection(Section):
    """A measurement bay: towers with cameras, vehicles, the target, and what to survey."""

    name: Name
    """For titles and reports."""
    standoff: Annotated[float, Quantity("length", "0 m", "100 m", above=True)]
    """Distance along the bay from the tower line to the near axle."""
    camera: CameraSection | None = None
    """The camera of every tower that doesn't bring its own."""
    light: LightSection = Field(default_factory=lambda: LightSection())
    """Light on the target."""
    tower: Annotated[list[TowerSection], Field(min_length=2)]
    """Two or more camera towers, on the tower line across the bay."""
    drive_through: Distance | None = None
    """Room on either side that a vehicle needs to be driven between the towers; it isn't driven
    through when left out."""
    column: ColumnSection | None = None
    """The towers' bodies."""
    vehicle: Annotated[list[VehicleSection], Field(min_length=1)] | None = None
    """The vehicles that the bay is meant for."""
    vehicle_family: Annotated[list[FamilySection], Field(min_length=1)] | None = None
    """More of them, as families."""
    station: Annotated[list[StationSection], Field(min_length=1)] | None = None
    """Where vehicles stand; on the floor at the bay's standoff when left out."""
    target: TargetSection
    """What every wheel carries."""
    wheel_ids: Annotated[dict[str, MarkerId], Field(min_length=2)] | None = None
    """Marker id of each wheel's target, a board's first, by the wheel's name such as "front
    left"; the target's own on all of them, which then can't be told apart, when left out."""
    mount: MountSection | None = None
    """How wheels carry it."""
    room: RoomSection | None = None
    """Walls and ceiling; open space when left out."""
    floor: FloorSection | None = None
    """The floor's slopes; level when left out."""
    obstacle: Annotated[list[ObstacleSection], Field(min_length=1)] | None = None
    """What stands in the way."""
    lamp: Annotated[list[LampSection], Field(min_length=1)] | None = None
    """Lamps, for pictures of the scene."""
    cable: Annotated[list[CableSection], Field(min_length=1)] | None = None
    """Cables along the floor, which siting sheets draw; one between the towers when left out."""
    siting: SitingSection | None = None
    """What `sightbench site` may choose from, and what a layout must keep."""
    survey: SurveySection
    """What `sightbench map` looks at."""
    tolerance: ToleranceSection
    """What limits are drawn for."""
    bar: BarSection | None = None
    """The bar that ties the towers to each other; the bench's own when left out."""
    budget: BudgetSection | None = None
    """Sizes of what makes toe and camber uncertain; the bench's assumptions when left out."""
    imperfections: ImperfectionsSection | None = None
    """Sizes of what else pictures are rendered with; the bench's assumptions when left out."""

    @model_validator(mode="after")
    def _consistent(self) -> BaySection:
        if self.vehicle is None and self.vehicle_family is None:
            raise ValueError("vehicle is missing: give a [[vehicle]] or a [[vehicle_family]]")
        for key in ("tower", "vehicle", "vehicle_family", "station", "obstacle", "lamp", "cable"):
            kind = key.replace("_family", " familie")
            check_distinct(kind, [one.name for one in getattr(self, key) or ()])
        for index, tower in enumerate(self.tower):
            if tower.camera is None and self.camera is None:
                raise ValueError(
                    f"tower.{index}.camera is missing: give every tower one, or the bay a [camera]"
                )
        return self


def _degrees(radians: float) -> float:
    """Return degrees as they were written: 35 deg isn't 35.00000000000001."""
    return float(f"{math.degrees(radians):.12g}")
