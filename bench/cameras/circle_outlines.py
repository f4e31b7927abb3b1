"""A grid of circles found among wood grain and clutter: by outlines that are ellipses.

Blobs are told by area alone, so that a background full of dark spots of any size hides a clean
board. The picture of a circle is an ellipse to within a pixel; grain isn't. The grid is sorted by
OpenCV from the ellipses' centres, and each centre is then the blob detector's own, whose limits
follow from the circles found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import ClassVar

import cv2
import numpy as np

from bench.detect.circles import (
    AREA_SPREAD,
    BLUR_SPREAD,
    MIN_AREA_PX,
    Circles,
    found_grid,
    sorted_grid,
)
from bench.detect.detection import Detection, Found
from bench.detect.markers import too_small
from bench.detect.observation import Observation
from bench.imaging.picture import Picture
from bench.targets.target import Target
from bench.typing import Array, IntArray

# Of an outline's area to its ellipse's: a circle of 3 px radius, drawn in pixels, is off by 6 %.
AREA_FIT = 0.08
# Axes' ratio of a circle at a tilt of 70 degrees, where no grid is found any more.
LEAST_RATIO = 0.34
# Groups of alike ellipses that are tried, and ellipses in one: sorting takes a second at most.
MOST_GROUPS, MOST_SPOTS = 5, 3


@dataclass(frozen=True)
class CircleOutlines:
    """Finds all circles of a grid, dark on light; see `bench.detect.circles`."""

    name: ClassVar[str] = "circle outlines"

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return kind == "circles"

    def detect(self, observation: Observation) -> Detection:
        """Look for the observation's target in its picture."""
        target, picture = observation.target, observation.picture
        centres = None if too_small(picture) else _grid(picture, target)
        if centres is None:
            return Detection(Found.MISSED)
        return found_grid(observation, centres, Circles().sigma_px)


def inverted(picture: Picture) -> Picture:
    """Return a picture with black and white exchanged."""
    return replace(picture, grey=picture.full_scale - picture.grey)


def _grid(picture: Picture, target: Target) -> Array | None:
    grey = picture.grey8
    spots = _ellipses(grey)
    count = len(target.points)
    for group in _groups(spots[:, 2], count):
        own = spots[group]
        centres = sorted_grid(own[:, :2], target)
        if centres is not None:
            return _as_blobs(grey, centres, own)
    return None


def _ellipses(grey: np.ndarray) -> Array:
    """Return centre and area (N, 3) of dark spots whose outlines are ellipses, pixels."""
    found: list[tuple[float, float, float]] = []
    window = max(15, round(min(grey.shape) / 8)) | 1
    smooth = cv2.GaussianBlur(grey, (5, 5), 0)
    masks = (
        cv2.threshold(smooth, 0, 255, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU)[1],
        cv2.adaptiveThreshold(
            smooth, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, 5
        ),
    )
    for mask in masks:
        outlines, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            area = cv2.contourArea(outline)
            if area < MIN_AREA_PX or len(outline) < 8:
                continue
            (u, v), axes, _ = cv2.fitEllipse(outline)
            ellipse = 0.25 * math.pi * axes[0] * axes[1]
            if min(axes) < LEAST_RATIO * max(axes) or abs(area / ellipse - 1.0) > AREA_FIT:
                continue
            radius = 0.5 * min(axes)
            if all(math.hypot(u - x, v - y) > radius for x, y, _ in found):
                found.append((u, v, area))
    return np.array(found).reshape(-1, 3)


def _groups(areas: Array, count: int) -> list[IntArray]:
    """Return which spots are alike in size and many enough, those of the largest first."""
    groups: list[IntArray] = []
    for least in np.sort(areas)[::-1]:
        group = np.flatnonzero((areas >= least) & (areas <= AREA_SPREAD * least))
        if not count <= len(group) <= MOST_SPOTS * count:
            continue
        if any(len(group) == len(g) and np.array_equal(group, g) for g in groups):
            continue
        groups.append(group)
        if len(groups) == MOST_GROUPS:
            break
    return groups


def _as_blobs(grey: np.ndarray, centres: Array, spots: Array) -> Array | None:
    """Return the blob detector's centres of the same circles, in their order."""
    areas = np.array([spots[np.argmin(np.hypot(*(spots[:, :2] - c).T)), 2] for c in centres])
    parameters = cv2.SimpleBlobDetector.Params()
    parameters.minArea = float(areas.min()) / BLUR_SPREAD
    parameters.maxArea = float(areas.max()) * BLUR_SPREAD
    parameters.minDistBetweenBlobs = float(np.sqrt(parameters.minArea / math.pi))
    blobs = cv2.SimpleBlobDetector.create(parameters).detect(grey)
    if not blobs:
        return None
    places = np.array([blob.pt for blob in blobs], dtype=np.float64)
    nearest = [int(np.argmin(np.hypot(*(places - c).T))) for c in centres]
    away = np.hypot(*(places[nearest] - centres).T)
    # a tenth of the radius is far beyond what threshold and light move a centre by
    if np.any(away > 0.1 * np.sqrt(areas / math.pi) + 0.5):
        return None
    return np.asarray(places[nearest])
