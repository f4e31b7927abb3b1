"""Marker dictionaries: OpenCV's, AprilTag families of data outside the border, or a file's.

The list is read from the installed `cv2.aruco`, so a dictionary that a later OpenCV adds is
available without a change here. A name that ends in ``.yml`` or ``.yaml`` is that of a file
in OpenCV's own format (`cv2.aruco.Dictionary.writeDictionary`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from bench.errors import RunError, TargetError
from bench.files import read_text
from bench.targets.families import NAMES, family
from bench.targets.opencv_storage import storage_of
from bench.typing import BoolArray
from bench.units import shown

FILE_SUFFIXES = (".yml", ".yaml")
# What OpenCV's own makers of dictionaries and its lists of bytes are made for.
MAX_MARKERS, MAX_SIDE = 100_000, 20
MAX_BYTES = 20_000_000  # of a dictionary file; one of 100,000 markers has 9 MB

# Width of the black frame around the bits, in cells: 1 in every dictionary's usual print.
BORDER = 1


@dataclass(frozen=True)
class Dictionary:
    """A marker dictionary.

    Attributes
    ----------
    name : str
        OpenCV's, such as ``"DICT_APRILTAG_36h11"``, or the path of a dictionary file.
    size : int
        How many markers it has; ids run from 0 to ``size - 1``.
    cells : int
        Cells along the square between a marker's corners: its black square, the frame of one
        cell included, or what lies within an AprilTag family's ring.
    outside : int
        Cells of ring and data beyond that square, on each side; 0 in all that OpenCV has.
    """

    name: str
    size: int
    cells: int
    outside: int = 0

    @property
    def short_name(self) -> str:
        """Name for labels: ``"36h11"``, ``"4x4_50"``, or the file's own."""
        if _is_file(self.name):
            return Path(self.name).stem
        return (
            self.name.removeprefix("DICT_").removeprefix("APRILTAG_").removeprefix("tag").lower()
        )

    @property
    def aliases(self) -> tuple[str, ...]:
        """Other spellings that `dictionary` takes, in lower case."""
        short = self.short_name
        if self.name.startswith("DICT_APRILTAG_"):
            return short, f"tag{short}", f"apriltag_{short}"
        if self.outside:
            return short, re.sub("^[a-z]+", "", short)
        return tuple(dict.fromkeys((short, short.removeprefix("aruco_"))))

    @property
    def width(self) -> int:
        """Cells along all that is printed."""
        return self.cells + 2 * self.outside


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
def outside_dictionaries() -> tuple[Dictionary, ...]:
    """Return the AprilTag families with data outside their border."""
    found = [family(name) for name in NAMES]
    return tuple(
        Dictionary(f.name, len(f.codes), f.border, (f.width - f.border) // 2) for f in found
    )


@cache
def _by_alias() -> dict[str, Dictionary]:
    known = (*dictionaries(), *outside_dictionaries())
    return {a: d for d in known for a in (d.name.lower(), *d.aliases)}


def dictionary(name: str) -> Dictionary:
    """Return the dictionary of a name, alias or file; in names case, ``-``, ``_`` don't matter.

    Raises
    ------
    TargetError
        No such dictionary, and the message suggests close ones; or the file isn't one.
    """
    if _is_file(name):
        book = _read(name)
        return Dictionary(name, len(book.bytesList), book.markerSize + 2 * BORDER)
    known = _by_alias()
    key = name.strip().lower().replace("-", "_").replace(" ", "_")
    if key in known:
        return known[key]
    close = list(dict.fromkeys(known[k].name for k in get_close_matches(key, known, n=4)))
    hint = f"did you mean {' or '.join(close)}?" if close else "see `sightbench targets --list`"
    raise TargetError(f"no marker dictionary is called {shown(name)}; {hint}")


def opencv_dictionary(name: str) -> cv2.aruco.Dictionary:
    """Return OpenCV's own object of a dictionary.

    Raises
    ------
    TargetError
        As `dictionary` does, or OpenCV doesn't know the AprilTag family.
    """
    if _is_file(name):
        return _read(name)
    if dictionary(name).outside:
        raise TargetError(
            f"OpenCV doesn't read {dictionary(name).name}, the AprilTag library does"
        )
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary(name).name))


def _is_file(name: str) -> bool:
    return name.strip().lower().endswith(FILE_SUFFIXES)


@cache
def _read(path: str) -> cv2.aruco.Dictionary:
    """Return the dictionary of a file."""
    book = cv2.aruco.Dictionary()
    try:
        storage = storage_of(read_text(Path(path), MAX_BYTES))
        read = _is_whole(storage.root()) and book.readDictionary(storage.root())
        storage.release()
    except FileNotFoundError as error:
        raise TargetError(f"{path}: no such marker dictionary file") from error
    except RunError as error:
        raise TargetError(str(error)) from error
    except (cv2.error, SystemError, ValueError) as error:
        raise TargetError(f"{path}: not a marker dictionary in OpenCV's format") from error
    if not read or book.bytesList is None or not len(book.bytesList):
        raise TargetError(f"{path}: holds no marker dictionary (nmarkers, markersize, marker_0 …)")
    return book


def _is_whole(root: Any) -> bool:
    """Tell whether a dictionary is there, which OpenCV's reader takes for granted: it crashes."""
    counts = [root.getNode(name) for name in ("nmarkers", "markersize")]
    if not all(node.isInt() for node in counts):
        return False
    number, side = (int(node.real()) for node in counts)
    if not (1 <= number <= MAX_MARKERS and 1 <= side <= MAX_SIDE):
        return False
    rest = root.getNode("maxCorrectionBits")
    if not (rest.isNone() or (rest.isInt() and 0 <= rest.real() <= side * side)):
        return False
    markers = (root.getNode(f"marker_{index}") for index in range(number))
    return all(
        marker.isString() and re.fullmatch(f"[01]{{{side * side}}}", marker.string())
        for marker in markers
    )


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


@cache
def data_cells(name: str) -> BoolArray:
    """Return which of a dictionary's cells (n, n) hold data; `TargetError` as `dictionary`."""
    book = dictionary(name)
    data = np.zeros((book.width, book.width), dtype=np.bool_)
    if book.outside:
        own = family(book.name)
        data[own.rows, own.columns] = True
    else:
        data[BORDER:-BORDER, BORDER:-BORDER] = True
    return data


def marker_cells(name: str, marker_id: int) -> BoolArray:
    """Return all a marker's printed cells (n, n), True where white, row 0 on top.

    Raises
    ------
    TargetError
        Unknown dictionary, or the id isn't in it.
    """
    book = dictionary(name)
    check_ids(book, marker_id)
    if book.outside:
        return family(book.name).cells(marker_id)
    packed = opencv_dictionary(book.name).bytesList[marker_id : marker_id + 1]
    bits = cv2.aruco.Dictionary.getBitsFromByteList(packed, book.cells - 2 * BORDER)
    return np.pad(bits.astype(np.bool_), BORDER)
