"""The AprilTag library, through pupil-apriltags.

It reads AprilTag families alone and corrects up to two wrong bits (one in families of tens of
thousands of codes), so that in families with a small code (16h5, Circle21h7) textures are read as
tags now and then: outcome ``wrong_id``, or a second marker of the target's id, of which the larger
is taken.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import ClassVar

import numpy as np

from bench.detect.claims import CornerClaim
from bench.detect.markers import Grey, ReadsMarkers
from bench.targets.families import NAMES, Library
from bench.typing import Array

FAMILIES = {
    "DICT_APRILTAG_16h5": "tag16h5",
    "DICT_APRILTAG_25h9": "tag25h9",
    "DICT_APRILTAG_36h11": "tag36h11",
    **{name: name for name in NAMES},
}

# The library's axes are a half turn from those that OpenCV draws the same marker with, and its
# corners run the other way round: top right, top left, bottom left, bottom right of the latter.
ORDER = [1, 0, 3, 2]
# Families that OpenCV doesn't have are drawn as the library does, and its corners start at the
# bottom left.
OWN_ORDER = [3, 2, 1, 0]
# Wrong bits put right; the library's two where its table of them fits a worker's memory.
CORRECTED = dict.fromkeys(("tagStandard52h13", "tagCircle49h12", "tagCustom48h12"), 1)

# It counts from the corner of the top-left pixel, as its source says ("adjust for pixel center
# bias", apriltag_quad_thresh.c): the pixel's centre is (0.5, 0.5). On exact pictures the mean
# offset over many sub-pixel places is 0.50 within its standard error.
ORIGIN_PX = 0.5

# Squares are looked for at full resolution, not at half as by default: at 25 px and a tilt of 50
# degrees that finds 40 of 40 instead of 28, at 65 degrees 40 instead of 5. It takes 15 ms instead
# of 3 at 300 px of marker side; accuracy is the same.
QUAD_DECIMATE = 1.0


# Measured as `bench.detect.claims` says.
CLAIM = CornerClaim(0.014, 0.01, 1.3)


@dataclass(frozen=True)
class AprilTag(ReadsMarkers):
    """Markers as the library reads them, whose corners are fitted edges' crossings."""

    sigma_px: float = 0.043
    claim: CornerClaim = CLAIM
    name: ClassVar[str] = "apriltag"
    dictionaries: ClassVar[tuple[str, ...]] = tuple(FAMILIES)

    def decoded(self, grey: Grey, dictionary: str) -> Iterable[tuple[int, Array]]:
        """Return id and corners (4, 2) of each marker read."""
        order = OWN_ORDER if dictionary in NAMES else ORDER
        for tag in _library(FAMILIES[dictionary], threading.get_ident()).detect(grey):
            yield int(tag.tag_id), np.asarray(tag.corners)[order] - ORIGIN_PX


@cache
def _library(family: str, thread: int) -> Library:
    """Return the thread's own detector; building one takes 26 ms, and it can't be shared."""
    return Library(family, CORRECTED.get(family), nthreads=1, quad_decimate=QUAD_DECIMATE)
