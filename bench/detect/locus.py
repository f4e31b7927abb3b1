"""locus-tag (MIT or Apache-2.0), where it is installed: `pip install 'sightbench[locus]'`.

Its own sub-pixel corners, in the order of OpenCV's drawing. It says of itself that it is pre-1.0;
`reports/detectors` has what it is good for.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar

import locus
import numpy as np

from bench.detect.claims import CornerClaim
from bench.detect.detection import Detection, Found, refusal
from bench.detect.markers import dictionary_of, marker_detection, too_small
from bench.detect.observation import Observation
from bench.errors import TargetError

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
class Locus:
    """Finds the corners of all the target's own markers; `sigma_px` as README.md has it."""

    sigma_px: float = 0.0141
    claim: CornerClaim = CLAIM
    name: ClassVar[str] = "locus"
    dictionaries: ClassVar[tuple[str, ...]] = tuple(FAMILIES)

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return kind in ("marker", "grid")

    def detect(self, observation: Observation) -> Detection:
        """Look for the observation's target in its picture.

        Raises
        ------
        TargetError
            The target's dictionary isn't one of `FAMILIES`.
        """
        dictionary = dictionary_of(observation.target, self.name)
        reason = refusal(self, observation.target)
        if reason:
            raise TargetError(reason)
        if too_small(observation.picture):
            return Detection(Found.MISSED)
        library = _library(FAMILIES[dictionary], threading.get_ident())
        seen = library.detect(np.ascontiguousarray(observation.picture.grey8))
        corners = np.asarray(seen.corners, dtype=np.float64).reshape(-1, 4, 2) - ORIGIN_PX
        decoded = [(int(i), four) for i, four in zip(seen.ids, corners, strict=True)]
        return marker_detection(decoded, observation, self.sigma_px, self.claim)


@cache
def _library(family: str, thread: int) -> Any:
    """Return the thread's own detector, which works on one thread."""
    return locus.Detector(families=[getattr(locus.TagFamily, family)], threads=1)
