"""Spatial frequency response from slanted edges: a check of the blur that assumes no kernel.

After ISO 12233 (edge-based, e-SFR): grey values near a straight edge by their distance from it, on
quarter pixels; differentiated, windowed, transformed. The line isn't fitted to the edge anew but
is the fitted pose's, lens distortion included, and moved to the edge's own centroid, so that short
edges will do. What is left after the pixel's own box is of a Gaussian lens exp(-2 π² σ² f²).
"""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.viewing import tilt_of_pose
from bench.imaging.picture import Picture
from bench.targets.drawing import Area
from bench.typing import Array

BINS = 4  # of a pixel
# What is cut off nearer than 3 px makes an edge of 0.8 px look narrower by more than 3 %.
REACH_PX, LEAST_ROOM_PX, CLEAR_PX, LEAST_LENGTH_PX = 8.0, 5.0, 2.0, 24.0
MOST_EDGES, LEAST_PIXELS = 4, 200
# Of frequencies that a Gaussian's width is taken from: beyond, noise is all there is.
LEAST_RESPONSE = 0.3
FREQUENCIES = np.linspace(0.0, 0.5, 26)  # cycles per pixel


@dataclass(frozen=True, eq=False)
class EdgeResponse:
    """One edge's response (26,) at `FREQUENCIES`, the pixel's box included.

    `direction` is that of its normal in the picture, radians from the rows' direction; `sigma_px`
    of the Gaussian that is left after the pixel's box, NaN where there is none.
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
    rings = [r for s in drawing.shapes[1:] if isinstance(s, Area) for r in s.rings]
    corners = np.vstack([*rings, drawing.outline])
    scale = camera.fx / float(pose.translation[2]) * math.cos(tilt_of_pose(pose))
    edges = []
    for ring in rings:
        for start, way in zip(ring, np.roll(ring, -1, axis=0) - ring, strict=True):
            length = float(np.hypot(*way))
            away = np.abs((corners - start) @ np.array([-way[1], way[0]])) / length
            # the nearest line that is parallel and beside it; its own line's corners don't count
            room = min(float(np.min(away[away > 1e-6], initial=np.inf)) * scale, REACH_PX)
            if length * scale > LEAST_LENGTH_PX + 2.0 * REACH_PX and room >= LEAST_ROOM_PX:
                edges.append((length, room, start + np.linspace(0.0, 1.0, 9)[:, None] * way))
    edges.sort(key=lambda edge: -edge[0])
    found = []
    for _, room, points in edges[:MOST_EDGES]:
        with suppress(GeometryError):
            seen = project(np.column_stack((points, np.zeros(len(points)))), pose, camera)
            found.append(_response(observation.picture, seen, room))
    return [one for one in found if one is not None]


def _response(picture: Picture, seen: Array, reach: float) -> EdgeResponse | None:
    """Return the response of the edge through points (9, 2); None where too little is clear."""
    start, way = seen[0], seen[-1] - seen[0]
    length = float(np.hypot(*way))
    along, normal = way / length, np.array([-way[1], way[0]]) / length
    bow = np.polyfit((seen - start) @ along, (seen - start) @ normal, 2)
    height, width = picture.grey.shape
    corner = np.array([picture.u0, picture.v0])
    low = np.maximum(np.floor(np.min(seen, axis=0) - reach), corner).astype(int)
    high = np.minimum(np.ceil(np.max(seen, axis=0) + reach), corner + [width - 1, height - 1])
    v, u = np.mgrid[low[1] : int(high[1]) + 1, low[0] : int(high[0]) + 1]
    place = np.stack((u, v), axis=-1) - start
    t = place @ along
    d = place @ normal - np.polyval(bow, t)
    inside = (np.abs(d) < reach - CLEAR_PX) & (t > reach) & (t < length - reach)
    if np.count_nonzero(inside) < LEAST_PIXELS:
        return None
    grey = picture.grey[v - picture.v0, u - picture.u0][inside]
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
