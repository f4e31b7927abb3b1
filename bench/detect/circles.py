"""OpenCV's circle grid detector.

A circle's centre comes out where the centroid of its picture is, an ellipse; under perspective
that isn't the picture of the centre (Heikkilä 2000, doi:10.1109/34.879788). The difference, a few
hundredths of a pixel for circles of 30 px, is the detector's own error: it stays, and is claimed.

A symmetric grid, and an asymmetric one with an even number of rows, looks the same turned by
half, a square one also turned by a quarter. Of the turns that fit, the one is taken that has the
target's y axis most upright in the picture: right if the target is rolled by less than 90
degrees, in a square grid 45. A symmetric grid can't tell more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import cv2
import numpy as np
import numpy.typing as npt

from bench.detect.claims import centroid_shift
from bench.detect.detection import Detection, Found
from bench.detect.lattice import upright_order
from bench.detect.markers import too_small
from bench.detect.observation import Observation
from bench.errors import TargetError
from bench.imaging.picture import Picture
from bench.targets.target import Target
from bench.typing import Array

# Circles of one target differ in area by perspective alone, as 1 / depth³: at a range of two
# target sizes and a tilt of 65 degrees by (2.45 / 1.55)³ = 4.
AREA_SPREAD = 4.0
# Between the lowest threshold and the highest, a blurred circle's area changes by up to so much.
BLUR_SPREAD = 2.0
# A dark spot of less than 3 x 3 px has no centroid to speak of.
MIN_AREA_PX = 9.0
# Spots beyond so many times the grid's own are noise or clutter in which OpenCV would search for
# minutes; up to here it takes a second at most.
MOST_SPOTS = 6


@dataclass(frozen=True)
class Circles:
    """Finds all circles of a grid, or none. `sigma_px` is as README.md has it."""

    sigma_px: float = 0.01
    name: ClassVar[str] = "circles"

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return kind == "circles"

    def detect(self, observation: Observation) -> Detection:
        """Look for the observation's target in its picture.

        Raises
        ------
        TargetError
            The target isn't a grid of circles.
        """
        target, picture = observation.target, observation.picture
        if not self.supports(target.kind):
            raise TargetError(f"detector circles looks for a grid; '{target.name}' isn't one")
        centres = None if too_small(picture) else find_grid(picture, target)
        if centres is None:
            return Detection(Found.MISSED)
        return found_grid(observation, centres, self.sigma_px)


def found_grid(observation: Observation, centres: Array, sigma_px: float) -> Detection:
    """Return the detection of a grid of centres (P, 2), pixels of the picture, any way up."""
    target, picture = observation.target, observation.picture
    ordered = centres[upright_order(target.points, centres, target.layout)]
    return Detection(
        Found.FOUND,
        pixels=ordered + (picture.u0, picture.v0),
        p_target=np.column_stack((target.points, np.zeros(len(target.points)))),
        sigma_px=sigma_px,
        shared=centroid_shift(target, ordered),
    )


def find_grid(picture: Picture, target: Target) -> Array | None:
    """Return the centres (P, 2), pixels of the picture, in OpenCV's order, or None.

    OpenCV has two ways to sort blobs into a grid. The one by clustering holds up to tilts of 65
    degrees (the other to 55) and is faster, but gives up when there are other blobs about; then
    the other has its turn. That one draws random numbers from OpenCV's global generator, which
    is therefore seeded here: a detection may depend on its picture alone.
    """
    grey = picture.grey8
    blobs = cv2.SimpleBlobDetector.create(blob_parameters(grey, len(target.points))).detect(grey)
    if not len(target.points) <= len(blobs) <= MOST_SPOTS * len(target.points):
        return None
    return sorted_grid(np.array([blob.pt for blob in blobs]), target)


def sorted_grid(spots: Array, target: Target) -> Array | None:
    """Return those of spots (N, 2), pixels, that are a grid, in OpenCV's order, or None."""
    points = spots.astype(np.float32).reshape(-1, 1, 2)
    parameters = cv2.CirclesGridFinderParameters()
    pattern = cv2.CALIB_CB_SYMMETRIC_GRID if target.symmetric else cv2.CALIB_CB_ASYMMETRIC_GRID
    for flags in (pattern + cv2.CALIB_CB_CLUSTERING, pattern):
        cv2.setRNGSeed(0)
        found, centres = cv2.findCirclesGrid(points, target.layout, flags, None, parameters)
        if found:
            return np.asarray(centres, dtype=np.float64).reshape(-1, 2)
    return None


def blob_parameters(grey: npt.NDArray[np.uint8], count: int) -> cv2.SimpleBlobDetector.Params:
    """Return OpenCV's blob parameters with areas that fit the picture's circles.

    By default blobs have 25 to 5000 px² and lie 10 px apart or more, so that circles under 6 px
    and over 79 px aren't seen; and a plate of less than 5000 px² is a blob itself, which shifts
    the circle nearest to its centre by pixels. So the limits are set around the largest `count`
    dark spots (below Otsu's threshold) that are alike in size; if there are none, they stay.
    """
    parameters = cv2.SimpleBlobDetector.Params()
    _, dark = cv2.threshold(grey, 0, 1, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU)
    areas = np.sort(cv2.connectedComponentsWithStats(dark)[2][1:, cv2.CC_STAT_AREA])
    largest = areas[count - 1 :]
    smallest = areas[: len(largest)]
    alike = np.flatnonzero((smallest >= MIN_AREA_PX) & (largest <= AREA_SPREAD * smallest))
    if len(alike):
        parameters.minArea = float(smallest[alike[-1]]) / BLUR_SPREAD
        parameters.maxArea = float(largest[alike[-1]]) * BLUR_SPREAD
        parameters.minDistBetweenBlobs = float(np.sqrt(parameters.minArea / np.pi))
    return parameters
