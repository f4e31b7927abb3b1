"""The parts of a bay file that describe vehicles, mounts of targets, and stations."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Annotated

from pydantic import Field, model_validator

from bench.scene.fields import (
    OUTBOARD,
    AngleInterval,
    AngleStep,
    Coordinate,
    Distance,
    Name,
    Size,
    Tilt,
    Tilts,
    check_distinct,
    given,
    refuse_both,
    refuse_empty,
)
from bench.scene.holder import stepped
from bench.scene.quantities import Quantities, Quantity, written
from bench.scene.vehicle import Axle, Body, Mount, Station, Vehicle
from bench.strict import Section
from bench.units import format_angle, format_length

WheelHeight = Annotated[float, Quantity("length", "1 cm", "5 m")]
Track = Annotated[float, Quantity("length", "0.3 m", "5 m")]
MAX_FAMILY = 64  # vehicles; every one costs time in every command
TYRE_WIDTH = 0.20  # where a file doesn't say
ANGLE_STEP = math.radians(5.0)  # a search over holders' settings tries them all
SAME_ANGLE = 1e-9  # radians: rounding, far below any protractor
BODY_HEIGHT, OVERHANG, GROUND_CLEARANCE = 1.5, 0.9, 0.15  # likewise


class MountSection(Section):
    """How wheels carry their targets; an axle's own [vehicle.axle.mount] overrides key by key."""

    outboard: Annotated[float, OUTBOARD] | None = None
    """Of the target's centre from the wheel's centre, outward along the axle; 0.25 m when left
    out."""
    forward: Coordinate | None = None
    """Of the target's centre from the wheel's centre, toward the towers."""
    up: Coordinate | None = None
    """Of the target's centre from the wheel's centre, upwards."""
    turn: Tilt | None = None
    """Of the target from square to the bay, about the vertical; positive turns its face outward,
    to the wheel's own side."""
    pitch: Tilt | None = None
    """Of the target's face from upright; positive looks up."""
    turn_presets: Tilts | None = None
    """Turns that the holder can be set to; just `turn` when left out."""
    pitch_presets: Tilts | None = None
    """Pitches that the holder can be set to; just `pitch` when left out."""
    turn_range: AngleInterval | None = None
    """In place of turn_presets: the holder's least and greatest turn."""
    pitch_range: AngleInterval | None = None
    """In place of pitch_presets: its least and greatest pitch."""
    angle_step: AngleStep | None = None
    """Within a range the holder is set to whole multiples of it, as by a protractor; 5 deg when
    left out."""

    @model_validator(mode="after")
    def _among_the_presets(self) -> MountSection:
        if self.angle_step is not None and self.turn_range is None and self.pitch_range is None:
            raise ValueError("angle_step needs turn_range or pitch_range")
        for key in ("turn", "pitch"):
            value, limits = getattr(self, key), getattr(self, f"{key}_range")
            refuse_both(self, f"{key}_presets", f"{key}_range")
            if limits is None:
                continue
            refuse_empty(limits, self.angle_step or ANGLE_STEP)
            if value is not None and not limits[0] <= value <= limits[1]:
                raise ValueError(
                    f"{key} of {format_angle(value)} is outside {key}_range: "
                    f"{format_angle(limits[0])} to {format_angle(limits[1])}"
                )
        for key in ("turn", "pitch"):
            value, presets = getattr(self, key), getattr(self, f"{key}_presets")
            if value is not None and presets is not None and value not in presets:
                choice = ", ".join(map(format_angle, presets))
                raise ValueError(
                    f"{key} of {format_angle(value)} is not among {key}_presets: {choice}"
                )
        return self

    def to_mount(self, otherwise: Mount) -> Mount:
        """Return the mount, with another's values where this one has none."""
        changes = given(self, "turn_range", "pitch_range", "angle_step")
        for key in ("turn", "pitch"):
            limits = getattr(self, f"{key}_range")
            if limits is not None:
                own = changes.get(key, getattr(otherwise, key))
                angles = stepped(limits, self.angle_step or ANGLE_STEP)
                if limits[0] <= own <= limits[1]:  # what is set stays possible, and exact
                    angles = (own, *(a for a in angles if abs(a - own) > SAME_ANGLE))
                changes[f"{key}_presets"] = tuple(sorted(angles))
            presets = changes.get(f"{key}_presets")
            value = changes.get(key)
            if presets is not None and value is None and getattr(otherwise, key) not in presets:
                changes[key] = presets[0]
            if value is not None and presets is None:
                others = getattr(otherwise, f"{key}_presets")
                changes[f"{key}_presets"] = others if value in others else (value,)
        return replace(otherwise, **changes)


class AxleSection(Section):
    """An axle of a vehicle."""

    name: Name
    """Such as "front"; wheels are called after it, "front left"."""
    behind: Annotated[float, Quantity("length", "0 m", "50 m")]
    """Distance behind the vehicle's near axle; 0 m for the near axle itself."""
    track: Track
    """Distance of the left wheel's centre from the right one's."""
    wheel_height: WheelHeight
    """Of the wheel centres above what the tyres stand on."""
    tyre_radius: WheelHeight | None = None
    """Unloaded; the wheel's height when left out."""
    tyre_width: Size | None = None
    """Of the tyre; 0.2 m when left out."""
    mount: MountSection | None = None
    """What this axle's mounts have otherwise than the bay's [mount]."""

    def to_axle(self, mount: Mount) -> Axle:
        """Return the axle; `mount` is the bay's."""
        return Axle(
            self.name,
            self.behind,
            self.track,
            self.wheel_height,
            self.wheel_height if self.tyre_radius is None else self.tyre_radius,
            TYRE_WIDTH if self.tyre_width is None else self.tyre_width,
            mount if self.mount is None else self.mount.to_mount(mount),
        )


class BodySection(Section):
    """A vehicle's body, a block that may hide targets."""

    width: Size | None = None
    """Without mirrors; flush with the widest axle's tyres when left out."""
    height: Size | None = None
    """Of the roof above what the tyres stand on; 1.5 m when left out."""
    front_overhang: Distance | None = None
    """Beyond the near axle; 0.9 m when left out."""
    rear_overhang: Distance | None = None
    """Beyond the far axle; 0.9 m when left out."""
    ground_clearance: Distance | None = None
    """Of the underside above what the tyres stand on; 0.15 m when left out."""

    @model_validator(mode="after")
    def _roof_over_floor(self) -> BodySection:
        roof = BODY_HEIGHT if self.height is None else self.height
        under = GROUND_CLEARANCE if self.ground_clearance is None else self.ground_clearance
        if under >= roof:
            raise ValueError(
                f"ground_clearance of {format_length(under)} must be below the body's height, "
                f"{format_length(roof)}"
            )
        return self


def _body(section: BodySection | None, axles: tuple[Axle, ...]) -> Body:
    flush = max(axle.track + axle.tyre_width for axle in axles)
    derived = Body(flush, BODY_HEIGHT, OVERHANG, OVERHANG, GROUND_CLEARANCE)
    return derived if section is None else replace(derived, **given(section))


class VehicleSection(Section):
    """A vehicle that the bay is meant for, nose to the towers."""

    name: Name
    """Such as "small car"."""
    axle: Annotated[list[AxleSection], Field(min_length=1)]
    """Its axles, the one nearest to the towers with behind = "0 m"."""
    body: BodySection | None = None
    """Its body; derived from the axles when left out."""

    @model_validator(mode="after")
    def _near_axle(self) -> VehicleSection:
        if min(axle.behind for axle in self.axle) != 0.0:
            raise ValueError('one axle must have behind = "0 m": distances start at the near axle')
        check_distinct("axle", [axle.name for axle in self.axle])
        return self

    def to_vehicles(self, mount: Mount) -> tuple[Vehicle, ...]:
        """Return the vehicle, near axle first; `mount` is the bay's."""
        axles = sorted((axle.to_axle(mount) for axle in self.axle), key=lambda axle: axle.behind)
        return (Vehicle(self.name, tuple(axles), _body(self.body, tuple(axles))),)


class FamilySection(Section):
    """Vehicles with two axles, in every combination of the listed measures."""

    name: Name
    """Such as "cars"; each vehicle is called after it and its measures."""
    tracks: Annotated[tuple[float, ...], Quantities("length", "0.3 m", "5 m")]
    """Distances of the left wheels' centres from the right ones'."""
    wheelbases: Annotated[tuple[float, ...], Quantities("length", "0.5 m", "50 m")]
    """Distances of the far axle from the near one."""
    tyre_radii: Annotated[tuple[float, ...], Quantities("length", "1 cm", "5 m")]
    """Radii of the tyres; the wheels' centres are as high."""
    tyre_width: Size | None = None
    """Of the tyres; 0.2 m when left out."""
    body: BodySection | None = None
    """Body of each; derived from its axles where left out."""
    mount: MountSection | None = None
    """What this family's mounts have otherwise than the bay's [mount]."""

    @model_validator(mode="after")
    def _not_too_many(self) -> FamilySection:
        for key in ("tracks", "wheelbases", "tyre_radii"):
            values = getattr(self, key)
            if len(set(values)) < len(values):
                raise ValueError(f"{key} has a value twice")
        count = math.prod(map(len, (self.tracks, self.wheelbases, self.tyre_radii)))
        if count > MAX_FAMILY:
            raise ValueError(f"makes {count} vehicles; up to {MAX_FAMILY} are allowed")
        return self

    def to_vehicles(self, mount: Mount) -> tuple[Vehicle, ...]:
        """Return the family's vehicles; `mount` is the bay's."""
        mount = mount if self.mount is None else self.mount.to_mount(mount)
        return tuple(
            self._one(track, wheelbase, radius, mount)
            for track, wheelbase, radius in itertools.product(
                self.tracks, self.wheelbases, self.tyre_radii
            )
        )

    def _one(self, track: float, wheelbase: float, radius: float, mount: Mount) -> Vehicle:
        width = TYRE_WIDTH if self.tyre_width is None else self.tyre_width
        axles = tuple(
            Axle(name, behind, track, radius, radius, width, mount)
            for name, behind in (("front", 0.0), ("rear", wheelbase))
        )
        measures = (
            ("track", self.tracks, track),
            ("wheelbase", self.wheelbases, wheelbase),
            ("tyre radius", self.tyre_radii, radius),
        )
        # what all of the family share needn't be said of each
        told = [f"{what} {format_length(x)}" for what, all_, x in measures if len(all_) > 1]
        return Vehicle(", ".join([self.name, *told]), axles, _body(self.body, axles))


class StationSection(Section):
    """A place where vehicles stand while they are measured."""

    name: Name
    """Such as "floor" or "lift"."""
    standoff: Annotated[float, Quantity("length", "0 m", "100 m", above=True)] | None = None
    """Distance along the bay from the tower line to the near axle; the bay's when left out, as
    the first station must."""
    lift: Annotated[float, Quantity("length", "-2 m", "10 m")] = written("0 m")
    """Height above the bay's floor of what the tyres stand on."""

    def to_station(self, standoff: float) -> Station:
        """Return the station; `standoff` is the bay's."""
        return Station(self.name, standoff if self.standoff is None else self.standoff, self.lift)
