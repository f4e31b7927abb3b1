"""The parts of a bay file that describe what stands around: walls, obstacles, lamps, floor."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from bench.scene.fields import (
    Angle,
    Coordinate,
    Distance,
    Extent,
    Name,
    PlanPoint,
    Point,
    Size,
    given,
)
from bench.scene.quantities import Quantity, written
from bench.scene.surroundings import (
    Box,
    Cable,
    Column,
    Floor,
    Lamp,
    MeshObject,
    Obstacle,
    ParkedVehicle,
    Post,
    Room,
)
from bench.strict import Section

Slope = Annotated[float, Quantity("angle", "-10 deg", "10 deg")]


class RoomSection(Section):
    """Walls and ceiling, by their distances from the bay's origin."""

    ahead: Distance
    """Of the wall behind the towers."""
    behind: Size
    """Of the wall or door at the bay's other end."""
    left: Size
    """Of the wall on the vehicle's left, from the centre line."""
    right: Size
    """Of the wall on the vehicle's right, from the centre line."""
    height: Size
    """Of the ceiling above the floor."""

    def to_room(self) -> Room:
        """Return the room."""
        return Room(**given(self))


class BoxSection(Section):
    """A box on the floor, or above it."""

    kind: Literal["box"]
    name: Name
    """For reports, such as "bench"."""
    centre: PlanPoint
    """Of its footprint: toward the towers (x), to the vehicle's left (y)."""
    size: Extent
    """Along its own x, y and z."""
    bottom: Distance = written("0 m")
    """Height of its underside."""
    yaw: Angle = written("0 deg")
    """About the vertical, positive from x to y."""

    def to_obstacle(self, directory: Path) -> Obstacle:
        """Return the box."""
        return Box(**given(self, "kind"))


class PostSection(Section):
    """An upright cylinder, such as a lift's post."""

    kind: Literal["post"]
    name: Name
    """For reports, such as "left lift post"."""
    centre: PlanPoint
    """Of its footprint: toward the towers (x), to the vehicle's left (y)."""
    radius: Size
    """Of the cylinder."""
    height: Size
    """Of its top above the floor."""

    def to_obstacle(self, directory: Path) -> Obstacle:
        """Return the post."""
        return Post(**given(self, "kind"))


class MeshSection(Section):
    """A mesh from a file."""

    kind: Literal["mesh"]
    name: Name
    """For reports, such as "compressor"."""
    file: str = Field(min_length=1, max_length=300, examples=["compressor.stl"])
    """A mesh file, relative to the bay file: STL, OBJ, PLY, OFF, GLB or what else trimesh
    reads."""
    scale: Annotated[float, Field(gt=0.0, le=1e6, examples=[0.001])] = 1.0
    """Metres per unit of the file."""
    position: Point = written(("0 m", "0 m", "0 m"))
    """Of the mesh's origin: toward the towers, to the vehicle's left, up."""
    yaw: Angle = written("0 deg")
    """About the vertical, positive from x to y."""

    def to_obstacle(self, directory: Path) -> Obstacle:
        """Return the mesh; `directory` is the bay file's."""
        path = (directory / self.file).resolve()
        return MeshObject(self.name, path, self.scale, self.position, self.yaw)


class ParkedSection(Section):
    """Another vehicle in the way."""

    kind: Literal["vehicle"]
    name: Name
    """For reports, such as "van next door"."""
    vehicle: Name
    """Name of one of the bay's vehicles; of a family, the full name that `sightbench bay`
    prints."""
    position: PlanPoint
    """Of its near axle's middle: toward the towers (x), to the vehicle's left (y)."""
    yaw: Angle = written("0 deg")
    """About the vertical, positive from x to y; 0 deg faces the tower line."""

    def to_obstacle(self, directory: Path) -> Obstacle:
        """Return the parked vehicle."""
        return ParkedVehicle(**given(self, "kind"))


ObstacleSection = Annotated[
    BoxSection | PostSection | MeshSection | ParkedSection, Field(discriminator="kind")
]


class LampSection(Section):
    """A lamp, a point of light."""

    name: Name
    """For reports, such as "front strip"."""
    position: Point
    """Toward the towers, to the vehicle's left, up."""
    level: Annotated[float, Field(gt=0.0, le=1000.0)] = 1.0
    """How strong, relative to the others."""

    def to_lamp(self) -> Lamp:
        """Return the lamp."""
        return Lamp(**given(self))


class ColumnSection(Section):
    """The body of every tower: what carries the camera, and the plate that is anchored."""

    base_across: Size | None = None
    """Of the base plate, across the bay; 0.4 m when left out."""
    base_along: Size | None = None
    """Of the base plate, along the bay; 0.4 m when left out."""
    anchors_across: Size | None = None
    """Distance of its anchor points across the bay; 0.32 m when left out."""
    anchors_along: Size | None = None
    """Distance of its anchor points along the bay; 0.32 m when left out."""
    shaft: Size | None = None
    """Side of its square shaft; 0.12 m when left out."""
    reach: Coordinate | None = None
    """How far the camera's centre stands before the base's centre, toward the vehicle; 0.1 m
    when left out."""

    def to_column(self) -> Column:
        """Return the column."""
        return Column(**given(self))


class CableSection(Section):
    """A cable along the floor, for siting sheets."""

    name: Name
    """Such as "left tower to the desk"."""
    points: Annotated[list[PlanPoint], Field(min_length=2, max_length=40)]
    """Of its route: toward the towers (x), to the vehicle's left (y)."""

    def to_cable(self) -> Cable:
        """Return the cable."""
        return Cable(self.name, tuple(self.points))


class FloorSection(Section):
    """The floor's slopes."""

    along: Slope = written("0 deg")
    """Positive rises toward the towers; 1 mrad is a millimetre a metre."""
    across: Slope = written("0 deg")
    """Positive rises to the vehicle's left."""

    def to_floor(self) -> Floor:
        """Return the floor."""
        return Floor(**given(self))
