"""AprilTag families with data outside their border, as the installed AprilTag library has them.

Their corners are where a white square meets the black ring around it; bits stand inside the
square and beyond the ring (Krogius, Haggenmiller and Olson, "Flexible layouts for fiducial tags",
IROS 2019). Codes and places of bits are read from the library (pupil-apriltags; AprilTag is BSD
2-clause), so that what is drawn is what it looks for.
"""

from __future__ import annotations

import contextlib
import ctypes
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pupil_apriltags
from pupil_apriltags.bindings import _ApriltagFamily

from bench.typing import BoolArray, IntArray

# Of two libraries that call themselves libapriltag.so.3 a process that has loaded this one can't
# load the newer one any more (`bench.detect.apriltag_python`); the other way round it can.
with contextlib.suppress(ImportError):
    import apriltag  # noqa: F401

NAMES = (
    "tagStandard41h12",
    "tagStandard52h13",
    "tagCircle21h7",
    "tagCircle49h12",
    "tagCustom48h12",
)


@dataclass(frozen=True, eq=False)
class Family:
    """A family of markers.

    Attributes
    ----------
    name : str
        The library's.
    codes : (M,) uint64
        Each marker's bits, the first the most significant of `rows`' number.
    rows, columns : (B,) int64
        Cell of each bit, from the top left of all that is printed.
    border : int
        Cells along the square whose corners are found.
    width : int
        Cells along all that is printed.
    """

    name: str
    codes: np.ndarray
    rows: IntArray
    columns: IntArray
    border: int
    width: int

    def cells(self, marker_id: int) -> BoolArray:
        """Return a marker's cells (width, width), True where white, row 0 on top.

        Drawn as the library does (``apriltag_to_image``); cells that it gives no meaning stay
        white, as paper is: the corners of the circles and the middle of the custom family.
        """
        code, count = int(self.codes[marker_id]), len(self.rows)
        cells = np.ones((self.width, self.width), dtype=np.bool_)
        edge = (self.width - self.border) // 2 - 1
        cells[edge : self.width - edge, edge : self.width - edge] = False
        cells[edge + 1 : self.width - edge - 1, edge + 1 : self.width - edge - 1] = True
        bits = [bool(code >> (count - 1 - i) & 1) for i in range(count)]
        cells[self.rows, self.columns] = bits
        return cells


class Library(pupil_apriltags.Detector):  # type: ignore[misc]  # it has no types
    """The library's detector for one family, never taken apart.

    `pupil_apriltags.Detector.__del__` (1.0.4) frees the families, then has the detector read
    them: now and then a segmentation fault at a process's end. The memory, some megabytes a
    family and thread, is left to the system instead.

    Parameters
    ----------
    family : str
        Its name for the library.
    corrected : int or None
        Wrong bits put right; None for the library's two. It keeps every code with as many wrong
        bits in a table: 3 GB for two of the 48,714 codes of tagStandard52h13, 124 MB for one.
    options
        Others of the library's detector.
    """

    def __init__(self, family: str, corrected: int | None = None, **options: Any) -> None:
        # what its own way can't do: another number of bits, in place of its smallest family
        super().__init__(families=family if corrected is None else "tag16h5", **options)
        if corrected is not None:
            self.libc.apriltag_detector_clear_families(self.tag_detector_ptr)
            self.libc.apriltag_detector_add_family_bits(
                self.tag_detector_ptr, made_by(self, family), corrected
            )

    def __del__(self) -> None:
        pass


def made_by(library: Library, name: str) -> Any:
    """Return a pointer to the family that the library makes, which is left to the system too."""
    make = getattr(library.libc, f"{name}_create")
    make.restype = ctypes.POINTER(_ApriltagFamily)
    return make()


@cache
def family(name: str) -> Family:
    """Return the family of one of `NAMES`."""
    made = made_by(Library("tag16h5"), name).contents
    inset = (made.total_width - made.width_at_border) // 2
    count = int(made.nbits)
    # unsigned in the library, and negative outside the border
    columns, rows = (
        np.ctypeslib.as_array(places, (count,)).astype(np.int32).astype(np.int64) + inset
        for places in (made.bit_x, made.bit_y)
    )
    codes = np.ctypeslib.as_array(made.codes, (int(made.ncodes),)).copy()
    return Family(name, codes, rows, columns, int(made.width_at_border), int(made.total_width))
