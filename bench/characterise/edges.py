"""Spatial frequency response from slanted edges: a check of the blur that assumes no kernel.

After ISO 12233 (edge-based, e-SFR): grey values near a straight edge by their distance from it, on
quarter pixels; differentiated, windowed, transformed. The line isn't fitted to the edge anew but
is the fitted pose's, lens distortion included, and moved to the edge's own centroid, so that short
edges will do. What is left after the pixel's own box is of a Gaussian lens exp(-2 π² σ² f²).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.imaging.picture import Picture
from bench.targets.drawing import Area, Drawing
from bench.typing import Array

BINS = 4  # of a pixel
REACH_PX, CLEAR_PX, LEAST_LENGTH_PX = 8.0, 2.0, 24.0
MOST_EDGES = 4
# Of frequencies that a Gaussian's width is taken from: beyond, noise is all there is.
LEAST_RESPONSE = 0.3
FREQUENCIES = np.linspace(0.0, 0.5, 26)  # cycles per pixel


@dataclass(frozen=True, eq=False)
class EdgeResponse:
    """One edge's response.

    Attributes
    ----------
    direction : float
        Of its normal in the picture, radians from the rows' direction.
    response : (26,) float64
        At `FREQUENCIES`, the pixel's box included.
    sigma_px : float
        Of the Gaussian that is left after the pixel's box; NaN where there is none.
    """

    direction: float
    response: Array
    sigma_px: float


def pixel_response(direction: float) -> Array:
    """Return what a square pixel leaves at `FREQUENCIES` across an edge (26,)."""
    across, down = math.cos(direction), math.sin(direction)
    return np.asarray(np.sinc(FREQUENCIES * across) * np.sinc(FREQUENCIES * down))


def edge_responses(observation: Observation, pose: Pose) -> list[EdgeResponse]:
    """Return the responses of the longest straight edges inside the plate."""
    drawing, camera = observation.target.drawing, observation.camera
    found = []
    for edge, room in _edges(drawing, pose, camera)[:MOST_EDGES]:
        one = _response(observation.picture, edge, pose, camera, min(room, REACH_PX))
        if one is not None:
            found.append(one)
    return found


def _edges(drawing: Drawing, pose: Pose, camera: Camera) -> list[tuple[Array, float]]:
    """Return edges (2, 2), metres, longest in the picture first, and the room beside each, px."""
    rings = [r for s in drawing.shapes[1:] if isinstance(s, Area) for r in s.rings]
    edges = [
        np.stack((a, b)) for r in rings for a, b in zip(r, np.roll(r, -1, axis=0), strict=True)
    ]
    scale = camera.fx / float(pose.translation[2])
    corners = np.vstack([*rings, drawing.outline]) if rings else np.empty((0, 2))
    found = []
    for edge in edges:
        way = edge[1] - edge[0]
        length = float(np.hypot(*way))
        normal = np.array([-way[1], way[0]]) / length
        away = np.abs((corners - edge[0]) @ normal)
        # the nearest line that is parallel and beside it; corners of its own line don't count
        room = float(np.min(away[away > 1e-6], initial=np.inf)) * scale * math.cos(_tilt(pose))
        if length * scale * math.cos(_tilt(pose)) > LEAST_LENGTH_PX + 2.0 * REACH_PX:
            found.append((edge, room))
    return sorted(found, key=lambda pair: -float(np.hypot(*(pair[0][1] - pair[0][0]))))


def _tilt(pose: Pose) -> float:
    way = pose.translation / np.linalg.norm(pose.translation)
    return math.acos(min(abs(float(pose.rotation[:, 2] @ way)), 1.0))


def _response(
    picture: Picture, edge: Array, pose: Pose, camera: Camera, reach: float
) -> EdgeResponse | None:
    """Return an edge's response; None where it lies along the pixels, or too little is clear."""
    share = np.linspace(0.0, 1.0, 9)[:, None]
    points = np.column_stack((edge[0] + share * (edge[1] - edge[0]), np.zeros(9)))
    try:
        seen = project(points, pose, camera)
    except GeometryError:
        return None
    if reach < 4.0:
        return None
    start, way = seen[0], seen[-1] - seen[0]
    length = float(np.hypot(*way))
    along, normal = way / length, np.array([-way[1], way[0]]) / length
    rest = seen - start
    bow = np.polyfit(rest @ along, rest @ normal, 2)
    low = np.maximum(np.floor(np.min(seen, axis=0) - reach), [picture.u0, picture.v0])
    height, width = picture.grey.shape
    high = np.minimum(
        np.ceil(np.max(seen, axis=0) + reach), [picture.u0 + width - 1, picture.v0 + height - 1]
    )
    u, v = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    place = np.stack((u - start[0], v - start[1]), axis=-1)
    t = place @ along
    d = place @ normal - np.polyval(bow, t)
    inside = (np.abs(d) < reach - CLEAR_PX) & (t > reach) & (t < length - reach)
    if np.count_nonzero(inside) < 200:
        return None
    grey = picture.grey[(v - picture.v0).astype(int), (u - picture.u0).astype(int)][inside]
    return response_of(d[inside], grey.astype(np.float64), math.atan2(normal[1], normal[0]))


def response_of(distance: Array, grey: Array, direction: float) -> EdgeResponse | None:
    """Return the response of grey values (N,) at distances (N,) from an edge, pixels."""
    reach = float(np.max(np.abs(distance)))
    count = int(2.0 * reach * BINS)
    where = np.clip(((distance + reach) * BINS).astype(int), 0, count - 1)
    number = np.bincount(where, minlength=count)
    if np.min(number) < 1:
        return None
    spread = np.diff(np.bincount(where, weights=grey, minlength=count) / number)
    at = (np.arange(count - 1) + 1.0) / BINS - reach
    total = float(np.sum(spread))
    if abs(total) < 5.0:
        return None
    centre = float(at @ spread) / total
    half = reach - abs(centre)
    window = np.where(np.abs(at - centre) < half, np.cos(0.5 * np.pi * (at - centre) / half), 0.0)
    window = window**0.25  # flat in the middle: a narrow window would sharpen
    wave = np.exp(-2j * np.pi * FREQUENCIES[:, None] * at)
    response = np.abs(wave @ (window * spread))
    response /= response[0]
    # bins of a quarter pixel, and differences over one
    response /= np.sinc(FREQUENCIES / BINS) ** 2
    left = response / pixel_response(direction)
    used = (FREQUENCIES > 0.0) & np.logical_and.accumulate(left > LEAST_RESPONSE)
    sigma = math.nan
    if np.count_nonzero(used) > 2:
        x, y = 2.0 * np.pi**2 * FREQUENCIES[used] ** 2, -np.log(left[used])
        weight = left[used] ** 2
        sigma = math.sqrt(max(float(weight * x @ y) / float(weight * x @ x), 0.0))
    return EdgeResponse(direction, response, sigma)
