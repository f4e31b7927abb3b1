"""The edge that a teaching picture is about: where it is, and how far it moved."""

from __future__ import annotations

import math

import numpy as np

from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_y
from bench.solve.response import target_points
from bench.teaching.trials import Illustrated
from bench.teaching.views import corner_of, place_of
from bench.typing import Array


def edge_of(shown: Illustrated, about: Illustrated | None = None) -> Array:
    """Return the pixel (2,) that a picture is about: at the cause, else where most has moved.

    `about` is the spoilt picture beside a good one, whose edge is looked at in both.
    """
    camera = shown.setting.camera
    scene, T = (about or shown).scene, shown.T_camera_target
    if scene.margin is not None and about is None:
        return np.array([camera.width - 1.0, project(np.zeros((1, 3)), T, camera)[0, 1]])
    point = _point(about or shown)
    return np.asarray(project(np.array([[*point, 0.0]]), T, camera)[0])


def _point(shown: Illustrated) -> Array:
    """Return the point of the face (2,) that a picture is about, metres."""
    scene, target = shown.scene, shown.setting.target
    width = target.drawing.width
    pattern = target_points(target)[:, :2]
    low, high = pattern.min(axis=0), pattern.max(axis=0)
    if scene.covers:
        cover = scene.covers[0]
        at = np.array(place_of(target, cover))
        if cover.on_corner:
            return at
        if cover.round:
            return np.asarray(pattern[np.argmin(np.linalg.norm(pattern - at, axis=1))])
        top = at[1] + 0.5 * width * cover.height
        if top < high[1]:  # where it meets the pattern's own edge
            return np.array([high[0] if at[0] > 0.0 else low[0], top])
        return np.array([at[0] - math.copysign(0.5 * width * cover.width, at[0]), high[1]])
    if scene.shade is not None:
        inner = scene.shade.x - math.copysign(0.5 * scene.shade.width, scene.shade.x)
        return np.array([inner * width, high[1]])
    if scene.spot is not None:
        place = np.array(place_of(target, scene.spot))
        return np.asarray(pattern[np.argmin(np.linalg.norm(pattern - place, axis=1))])
    if scene.twist:
        return np.asarray(corner_of(target)[:2])
    moves = _moves(shown)
    if moves:
        return np.array(max(moves, key=lambda point: moves[point]))
    return np.array([high[0], 0.0])


def _moves(shown: Illustrated) -> dict[tuple[float, float], float]:
    """Return how far each point was found from where it is found in the good view, pixels."""
    if not shown.same_view or shown.reference is None:
        return {}
    there = shown.reference.found
    return {
        point: math.dist(pixel, there[point])
        for point, pixel in shown.found.items()
        if point in there
    }


def moved_px(shown: Illustrated) -> float | None:
    """Return how far the spoilt view moves the point that it moves most; None without points."""
    return max(_moves(shown).values(), default=None)


def step_px(shown: Illustrated, about: Illustrated | None = None) -> float:
    """Return how far one more degree of turn moves the edge that a picture is about, pixels."""
    T, camera = shown.T_camera_target, shown.setting.camera
    point = np.array([[*_point(about or shown), 0.0]])
    turned = T @ Pose(rotation_y(math.radians(1.0)), np.zeros(3))
    return float(np.linalg.norm(project(point, turned, camera) - project(point, T, camera)))
