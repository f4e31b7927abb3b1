"""The part of a bay file that describes the target: one of several kinds."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from bench.scene.fields import given
from bench.scene.quantities import Pair, Quantity
from bench.strict import Section
from bench.targets.design import (
    BitmapDesign,
    CharucoDesign,
    CirclesDesign,
    Design,
    GridDesign,
    MarkerDesign,
)

Size = Annotated[float, Quantity("length", "1 mm", "10 m")]
Gap = Annotated[float, Quantity("length", "0 m", "10 m")]
Count = Annotated[int, Field(ge=1, le=1000, examples=[4])]
MarkerId = Annotated[int, Field(ge=0)]
Reflectance = Annotated[float, Field(ge=0.0, le=1.0)]
APRILTAG = "DICT_APRILTAG_36h11"


class PlateSection(Section):
    """What all targets share."""

    plate: Annotated[tuple[float, float], Pair("length", "0 m", "10 m", above=True)] | None = None
    """Width and height of the plate; just the pattern and its quiet zone when left out."""
    quiet_zone: Gap | None = None
    """White margin that the pattern needs on every side; the kind's own when left out."""
    white: Reflectance = 0.85
    """Reflectance of the plate."""
    black: Reflectance = 0.05
    """Reflectance of the pattern."""
    background: Reflectance = 0.35
    """Reflectance of everything behind the plate."""


class MarkerSection(PlateSection):
    """A single marker."""

    kind: Literal["marker"]
    dictionary: str = Field(APRILTAG, max_length=60, examples=[APRILTAG, "DICT_4X4_50"])
    """Name of the marker dictionary, OpenCV's or an AprilTag family's (`targets --list`)."""
    marker_id: MarkerId = 0
    """Which marker of the dictionary."""
    size: Size
    """Side of the marker's black square; in AprilTag families with data outside the border, of
    the square between its corners."""
    half_turn: bool | None = None
    """Whether it is printed upside down against OpenCV's picture of it, as other projects' files
    of an AprilTag family may be; upright when left out."""

    def to_design(self) -> Design:
        """Return the design."""
        return MarkerDesign(**given(self, "kind"))


class GridSection(PlateSection):
    """Markers in rows and columns."""

    kind: Literal["grid"]
    dictionary: str = Field(APRILTAG, max_length=60, examples=[APRILTAG, "DICT_4X4_50"])
    """Name of the marker dictionary."""
    columns: Count
    """Markers in a row."""
    rows: Count
    """Rows of markers."""
    size: Size
    """Side of a marker's black square, or between its corners as above."""
    gap: Gap
    """White between neighbouring markers."""
    first_id: MarkerId = 0
    """Id of the top left marker; the others follow row by row."""
    half_turn: bool | None = None
    """Whether each marker is printed upside down against OpenCV's picture of it; upright when left
    out."""

    def to_design(self) -> Design:
        """Return the design."""
        return GridDesign(**given(self, "kind"))


class CharucoSection(PlateSection):
    """A chessboard with markers in its white squares."""

    kind: Literal["charuco"]
    dictionary: str = Field("DICT_4X4_50", max_length=60, examples=["DICT_4X4_50", APRILTAG])
    """OpenCV's name of the marker dictionary."""
    columns: Count
    """Chessboard squares in a row."""
    rows: Count
    """Rows of chessboard squares."""
    square: Size
    """Side of a chessboard square."""
    marker: Size
    """Side of a marker's black square."""
    first_id: MarkerId = 0
    """Id of the first marker; the others follow row by row."""

    def to_design(self) -> Design:
        """Return the design."""
        return CharucoDesign(**given(self, "kind"))


class CirclesSection(PlateSection):
    """A grid of black circles."""

    kind: Literal["circles"]
    columns: Count
    """Circles in a row."""
    rows: Count
    """Rows of circles."""
    pitch: Size
    """Distance between neighbouring rows."""
    diameter: Size
    """Of a circle."""
    symmetric: bool = False
    """Whether rows stand below each other, or every second one is shifted."""

    def to_design(self) -> Design:
        """Return the design."""
        return CirclesDesign(**given(self, "kind"))


class BitmapSection(PlateSection):
    """Any black and white picture, for a pipeline of one's own."""

    kind: Literal["bitmap"]
    picture: str = Field(max_length=1000, examples=["sign.png"])
    """Its file, as seen from where the command runs."""
    size: Size
    """Width of the picture on the plate."""

    def to_design(self) -> Design:
        """Return the design."""
        return BitmapDesign(**given(self, "kind"))


TargetSection = Annotated[
    MarkerSection | GridSection | CharucoSection | CirclesSection | BitmapSection,
    Field(discriminator="kind"),
]
