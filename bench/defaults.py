"""Defaults of options and what they choose among.

Apart from the rooms that use them, which take their time to load: a parser needs no more.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

SCHEMA_FILE = "bay.schema.json"
# Of a budget: gives k = 2, as tolerances are meant.
CONFIDENCE = 0.9545
# Of a contour: 64 cells for each interval of the grid, along both axes.
MAX_LEVELS = 6
# Pictures a chunk: about a second of work, so that an interrupt is answered soon and at most
# that is lost to a kill, yet packing and writing it take no noticeable part of its time.
CHUNK = 64
# What a pose's uncertainty is predicted from.
Bound = Literal["corner", "image"]
# Which pipeline, as help texts say it: of a target by itself, and where a bay names pipelines.
BY_TARGET = "photometric on the detector that suits the target, such as apriltag/photometric"
OF_BAY = "the bay's first photometric one, else its first"
# Bar poses of a registration.
BAR_POSES = 6
# Of a layout's best worst share, given up for room.
SPARE = 0.05
# An interaction less significant than this is taken for repetition (AIAG, Measurement Systems
# Analysis, 4th edition 2010, chapter III, section B: "p > 0.25", from memory).
POOL_ABOVE = 0.25
# Of `sightbench verify`.
SUITES = ("quick", "nightly", "hard", "built")
# ISO 216 and ANSI/ASME Y14.1, upright, millimetres.
PAPERS: dict[str, tuple[float, float]] = {
    "a4": (210.0, 297.0),
    "a3": (297.0, 420.0),
    "a2": (420.0, 594.0),
    "a1": (594.0, 841.0),
    "a0": (841.0, 1189.0),
    "letter": (215.9, 279.4),
    "tabloid": (279.4, 431.8),
}


class TargetKind(StrEnum):
    """What can be printed."""

    MARKER = "marker"
    GRID = "grid"
    CHARUCO = "charuco"
    CIRCLES = "circles"
    CHESSBOARD = "chessboard"
    BITMAP = "bitmap"
