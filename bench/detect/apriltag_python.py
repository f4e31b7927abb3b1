"""apriltag-python (BSD-2-Clause), where it is installed: a newer release of the AprilTag library.

`pip install 'sightbench[apriltag-python]'`. Its corners equal those of `bench.detect.apriltag` but
for what the C library changed between 3.1 and 3.4.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar

import apriltag as library
import numpy as np

from bench.detect.apriltag import CORRECTED, FAMILIES, ORDER, ORIGIN_PX, OWN_ORDER, QUAD_DECIMATE
from bench.detect.claims import CornerClaim
from bench.detect.markers import Grey, ReadsMarkers
from bench.targets.families import NAMES
from bench.typing import Array

# Measured as `bench.detect.claims` says.
CLAIM = CornerClaim(0.014, 0.01, 0.6)


@dataclass(frozen=True)
class AprilTagPython(ReadsMarkers):
    """Markers as the newer library reads them."""

    sigma_px: float = 0.0083
    claim: CornerClaim = CLAIM
    name: ClassVar[str] = "apriltag-python"
    dictionaries: ClassVar[tuple[str, ...]] = tuple(FAMILIES)

    def decoded(self, grey: Grey, dictionary: str) -> Iterable[tuple[int, Array]]:
        """Return id and corners (4, 2) of each marker read."""
        order = OWN_ORDER if dictionary in NAMES else ORDER
        own = _library(FAMILIES[dictionary], threading.get_ident())
        for tag in own.detect(np.ascontiguousarray(grey)):
            yield int(tag["id"]), np.asarray(tag["lb-rb-rt-lt"])[order] - ORIGIN_PX


@cache
def _library(family: str, thread: int) -> Any:
    """Return the thread's own detector."""
    corrected = CORRECTED.get(family, 2)
    return library.apriltag(family, threads=1, maxhamming=corrected, decimate=QUAD_DECIMATE)
