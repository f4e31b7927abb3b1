"""OpenCV's ArUco detector, with each of its ways to refine corners.

Parameters are OpenCV's defaults but one, `MIN_PERIMETER_PX`. What they do to a survey:

* ``aruco-none`` and ``aruco-contour`` report the outermost black pixels, so that a marker
  comes out about one pixel too small and its range too long. That is the detector's own
  error, and stays.
* ``aruco-contour`` solves in single precision: in a full frame its corners are off by up to
  0.1 px more at 4000 px from the top left than in a region cut out of it.
* ``aruco-subpix`` pulls corners inward by 0.1 to 0.2 px. Its window is 0.3 of a cell: with
  cells under 5 px (a 36h11 marker of 40 px) it is the smallest, 3 x 3 px, which can't reach
  the corner from where the contour left it, and the scatter grows fivefold. A wider window
  (0.5) helps there up to tilts of 50 degrees and ruins tilts from 65 on, where it reaches
  into foreshortened neighbours; so the default stays.
* ``aruco-apriltag`` looks for squares by OpenCV's copy of the AprilTag 2 algorithm. Its
  corners are the library's without edge refinement.
* The adaptive threshold draws a band of 11 px around a bright plate; where it comes closer
  than 3 px to the picture's border, the plate is dropped and its marker with it. So a region
  cut out of a frame must have a margin around the plate: with 8 px most markers are missed,
  with 12 px one in 200, from 14 px on none differs from the frame (1344 pictures, blur of 0.6
  to 3 px).
* Wrong bits are corrected up to 0.6 of what the dictionary allows: 3 in 36h11 (the AprilTag
  library: 2).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import ClassVar

import cv2
import numpy as np

from bench.detect.claims import CornerClaim
from bench.detect.markers import Grey, ReadsMarkers
from bench.targets.dictionary import opencv_dictionary
from bench.targets.families import NAMES
from bench.typing import Array

# OpenCV takes outlines from 3 % of the picture's longer side on: in a frame of 4096 px no marker
# of less than 31 px is seen, and in a region cut out around such a marker, specks of 3 px are
# tried against every marker of the dictionary (20 ms instead of 1). An absolute limit treats
# both alike: 24 px is the outline, counted along 8-connected pixels, of a marker of 6 x 6 cells
# with 1.5 px a cell, turned by 45 degrees: 4 · 9 / √2 = 25. Smaller ones can't be read.
MIN_PERIMETER_PX = 24.0


# Measured as `bench.detect.claims` says.
CLAIMS = {
    "aruco-none": CornerClaim(0.6, 0.16, 4.0),
    "aruco-subpix": CornerClaim(0.25, 0.02, 6.0),
    "aruco-contour": CornerClaim(0.83, 0.005, 6.0),
    "aruco-apriltag": CornerClaim(0.02, 0.05, 2.0),
}


@dataclass(frozen=True)
class Aruco(ReadsMarkers):
    """Markers as OpenCV reads them.

    Attributes
    ----------
    name : str
        As the entry point has it.
    refinement : int
        One of OpenCV's ``CORNER_REFINE_`` constants.
    origin_px : float
        Where this method has the centre of the top-left pixel, in u and in v.
    sigma_px : float
        Claimed for a coordinate: its scatter at 100 px of marker side, see bench/detect/README.md.
    claim : CornerClaim
        What corners may be off by beside it.
    """

    name: str
    refinement: int
    origin_px: float
    sigma_px: float
    claim: CornerClaim = field(default_factory=CornerClaim)
    unread_dictionaries: ClassVar[tuple[str, ...]] = NAMES

    def decoded(self, grey: Grey, dictionary: str) -> Iterable[tuple[int, Array]]:
        """Return id and corners (4, 2) of each marker read."""
        parameters = marker_parameters(grey.shape, self.refinement)
        reader = cv2.aruco.ArucoDetector(opencv_dictionary(dictionary), parameters)
        corners, ids, _ = reader.detectMarkers(grey)
        return [
            (int(i), np.asarray(c, dtype=np.float64).reshape(4, 2) - self.origin_px)
            for i, c in zip([] if ids is None else ids.ravel(), corners, strict=True)
        ]


def marker_parameters(
    shape: tuple[int, ...], refinement: int = cv2.aruco.CORNER_REFINE_NONE
) -> cv2.aruco.DetectorParameters:
    """Return the parameters for a picture of `shape` (H, W)."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = refinement
    parameters.minMarkerPerimeterRate = MIN_PERIMETER_PX / max(shape)
    return parameters


def none() -> Aruco:
    """Return the detector without refinement."""
    return _claiming("aruco-none", cv2.aruco.CORNER_REFINE_NONE, 0.0, 0.33)


def subpix() -> Aruco:
    """Return the detector with `cornerSubPix`."""
    return _claiming("aruco-subpix", cv2.aruco.CORNER_REFINE_SUBPIX, 0.0, 0.035)


def contour() -> Aruco:
    """Return the detector with lines fitted to the outermost black pixels."""
    return _claiming("aruco-contour", cv2.aruco.CORNER_REFINE_CONTOUR, 0.0, 0.11)


def apriltag() -> Aruco:
    """Return the detector with lines fitted as AprilTag 2 does.

    It counts from the corner of the top-left pixel, whose centre is thus (0.5, 0.5): its
    source adds ``delta = 0.5`` "for pixel center bias" (OpenCV, modules/objdetect/src/aruco/
    apriltag/apriltag_quad_thresh.cpp, ``fit_quad``). With this exactly undone, 0.03 to 0.05 px
    toward the top left remain: error of the line fit, since the AprilTag library's refined
    corners, counted alike, have none.
    """
    return _claiming("aruco-apriltag", cv2.aruco.CORNER_REFINE_APRILTAG, 0.5, 0.065)


def _claiming(name: str, refinement: int, origin_px: float, sigma_px: float) -> Aruco:
    return Aruco(name, refinement, origin_px, sigma_px, CLAIMS[name])
