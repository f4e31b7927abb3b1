"""locus-tag (MIT or Apache-2.0), where it is installed: `pip install 'sightbench[locus]'`.

Its own sub-pixel corners, in the order of OpenCV's drawing. It says of itself that it is pre-1.0;
`reports/detectors` has what it is good for.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar

import locus
import numpy as np

from bench.detect.claims import CornerClaim
from bench.detect.markers import Grey, ReadsMarkers
from bench.typing import Array

FAMILIES = {
    "DICT_APRILTAG_16h5": "AprilTag16h5",
    "DICT_APRILTAG_36h11": "AprilTag36h11",
    "DICT_4X4_50": "ArUco4x4_50",
    "DICT_4X4_100": "ArUco4x4_100",
    "DICT_6X6_250": "ArUco6x6_250",
    "DICT_ARUCO_MIP_36h12": "ArUcoMip36h12",
}
# It counts from the corner of the top-left pixel: on exact pictures corners are off by 0.500.
ORIGIN_PX = 0.5


# Measured as `bench.detect.claims` says.
CLAIM = CornerClaim(0.01, 0.01, 1.3)


@dataclass(frozen=True)
class Locus(ReadsMarkers):
    """Markers as locus reads them."""

    sigma_px: float = 0.0141
    claim: CornerClaim = CLAIM
    name: ClassVar[str] = "locus"
    dictionaries: ClassVar[tuple[str, ...]] = tuple(FAMILIES)

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return kind in ("marker", "grid")

    def decoded(self, grey: Grey, dictionary: str) -> Iterable[tuple[int, Array]]:
        """Return id and corners (4, 2) of each marker read."""
        own = _library(FAMILIES[dictionary], threading.get_ident())
        seen = own.detect(np.ascontiguousarray(grey))
        corners = np.asarray(seen.corners, dtype=np.float64).reshape(-1, 4, 2) - ORIGIN_PX
        return [(int(i), four) for i, four in zip(seen.ids, corners, strict=True)]


@cache
def _library(family: str, thread: int) -> Any:
    """Return the thread's own detector, which works on one thread."""
    return locus.Detector(families=[getattr(locus.TagFamily, family)], threads=1)
