"""Marker dictionaries: every one that OpenCV ships, AprilTag families included.

The list is read from the installed `cv2.aruco`, so a dictionary that a later OpenCV adds is
available without a change here.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache

import cv2
import numpy as np

from bench.errors import TargetError
from bench.typing import BoolArray

# Width of the black frame around the bits, in cells: 1 in every dictionary's usual print.
BORDER = 1


@dataclass(frozen=True)
class Dictionary:
    """A marker dictionary.

    Attributes
    ----------
    name : str
        OpenCV's, such as ``"DICT_APRILTAG_36h11"``; ``getattr(cv2.aruco, name)`` is its number.
    size : int
        How many markers it has; ids run from 0 to ``size - 1``.
    cells : int
        Cells along a marker's black square, the frame of one cell included.
    """

    name: str
    size: int
    cells: int

    @property
    def short_name(self) -> str:
        """Name for labels: ``"36h11"``, ``"4x4_50"``."""
        return self.name.removeprefix("DICT_").removeprefix("APRILTAG_").lower()

    @property
    def aliases(self) -> tuple[str, ...]:
        """Other spellings that `dictionary` takes, in lower case."""
        short = self.short_name
        if self.name.startswith("DICT_APRILTAG_"):
            return short, f"tag{short}", f"apriltag_{short}"
        return short, short.removeprefix("aruco_")


@cache
def dictionaries() -> tuple[Dictionary, ...]:
    """Return every predefined dictionary, in OpenCV's order."""
    # two spellings of one number (36H11, 36h11): the later in sorted order is AprilTag's own
    names = {getattr(cv2.aruco, n): n for n in sorted(dir(cv2.aruco)) if n.startswith("DICT_")}
    found = []
    for number, name in sorted(names.items()):
        book = cv2.aruco.getPredefinedDictionary(number)
        found.append(Dictionary(name, len(book.bytesList), book.markerSize + 2 * BORDER))
    return tuple(found)


@cache
def _by_alias() -> dict[str, Dictionary]:
    return {a: d for d in dictionaries() for a in (d.name.lower(), *d.aliases)}


def dictionary(name: str) -> Dictionary:
    """Return the dictionary of a name or alias; case, ``-`` and ``_`` don't matter.

    Raises
    ------
    TargetError
        No such dictionary; the message suggests close ones.
    """
    known = _by_alias()
    key = name.strip().lower().replace("-", "_").replace(" ", "_")
    if key in known:
        return known[key]
    close = list(dict.fromkeys(known[k].name for k in get_close_matches(key, known, n=4)))
    hint = f"did you mean {' or '.join(close)}?" if close else "see `sightbench targets --list`"
    raise TargetError(f"no marker dictionary is called '{name}'; {hint}")


def check_ids(book: Dictionary, first: int, count: int = 1) -> None:
    """Raise unless ids `first` to ``first + count - 1`` are in the dictionary.

    Raises
    ------
    TargetError
        An id lies outside; the message names the limit.
    """
    last = first + count - 1
    if first < 0 or last >= book.size:
        wanted = f"marker id {first}" if count == 1 else f"marker ids {first} to {last}"
        raise TargetError(f"{wanted}: {book.name} has ids 0 to {book.size - 1}")


def marker_cells(name: str, marker_id: int) -> BoolArray:
    """Return a marker's cells (n, n), True where white, frame included, row 0 on top.

    Raises
    ------
    TargetError
        Unknown dictionary, or the id isn't in it.
    """
    book = dictionary(name)
    check_ids(book, marker_id)
    opencv = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, book.name))
    packed = opencv.bytesList[marker_id : marker_id + 1]
    bits = cv2.aruco.Dictionary.getBitsFromByteList(packed, book.cells - 2 * BORDER)
    return np.pad(bits.astype(np.bool_), BORDER)
