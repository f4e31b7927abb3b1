"""Schematics of teaching pictures that stand in the bay: the bar from above, a leaning tower."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon, Rectangle

from bench.draw import style
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.teaching.diagram_marks import (
    BLUE,
    DIAGRAM,
    PAPER,
    RED,
    SIZE,
    Point,
    draw_camera,
    draw_plate,
    write,
)
from bench.teaching.trials import Illustrated
from bench.teaching.views import wheel_of
from bench.teaching.words import DRAWN_LEAN, DRAWN_SLIP
from bench.typing import Array


def draw_bar(
    axes: Axes, shown: Illustrated, bay: Bay, values: dict[str, str], words: dict[str, str]
) -> None:
    """Draw towers and bar to scale from above, the towers on the left."""
    assert shown.T_bay_bar is not None  # a registration's picture has it
    slip = np.array([0.0, math.radians((shown.scene.slip_deg or 0.0) * DRAWN_SLIP), 0.0])
    T_a, T_b = shown.T_bay_bar @ bay.bar.T_bar_a, shown.T_bay_bar @ bay.bar.T_bar_b
    T_slipped = T_b @ Pose(exp_rotvec(slip), np.zeros(3))
    towers = tower_pair(bay)
    seen = [tower.T_bay_camera.translation for tower in towers]
    seen += [T_a.translation, T_b.translation]
    # the bay's x toward the towers is drawn to the left, so its y is drawn downward
    ends = -np.array(seen)[:, :2]
    low, high = ends.min(axis=0), ends.max(axis=0)
    scale = min(2.5 / (high[0] - low[0]), 1.15 / (high[1] - low[1]))
    shift = np.array([0.25, 1.08]) - scale * np.array([low[0], 0.5 * (low[1] + high[1])])

    def at(point: Point) -> Array:
        return np.asarray(shift - scale * np.asarray(point)[:2])

    for tower in towers:
        forward = -tower.T_bay_camera.rotation[:, 2]
        draw_camera(axes, at(tower.T_bay_camera.translation), math.atan2(forward[1], forward[0]))
    seer = next(tower for tower in towers if tower.name == shown.tower)
    eye, a, b = at(seer.T_bay_camera.translation), at(T_a.translation), at(T_b.translation)
    axes.plot(*np.array([eye, b]).T, color=style.MUTED, lw=1.0, ls="--", zorder=0)
    axes.plot(*np.array([a, b]).T, color=style.FAINT, lw=4.0, solid_capstyle="butt", zorder=0)
    half = 0.11
    for T, colour in ((T_a, style.INK), (T_slipped, RED if slip.any() else style.INK)):
        draw_plate(axes, at(T.translation), _flat(T), half, color=colour)
    if slip.any():
        draw_plate(
            axes, b, _flat(T_b), half, color=style.MUTED, lw=1.5, ls=(0, (1.5, 1)), zorder=4
        )
    up = 1.0 if b[1] >= a[1] else -1.0
    write(axes, a - (-0.14, 0.08 * up), "A")
    write(axes, b + (0.14, 0.08 * up), f"B  {values['slip']}", ha="left")
    write(axes, 0.5 * (a + b) + (0.1, 0.0), words["bar"], ha="left")
    middle = 0.45 * eye + 0.55 * b
    write(axes, middle, values["range"], bbox=PAPER)
    write(axes, (0.02, 0.08), words["from_above"], ha="left")


def _flat(T: Pose) -> Array:
    """Return a face's normal as drawn from above."""
    normal = -T.rotation[:2, 2]
    return np.asarray(normal / np.linalg.norm(normal))


def draw_tower(
    axes: Axes, shown: Illustrated, bay: Bay, values: dict[str, str], words: dict[str, str]
) -> None:
    """Draw tower and target to scale from behind the vehicle, the lean enlarged."""
    lean = math.radians((shown.scene.lean_deg or 0.0) * DRAWN_LEAN)
    tower, target = bay.towers[0], shown.setting.target
    camera, wheel = tower.T_bay_camera.translation, wheel_of(bay, tower).T_bay_target
    plate = np.array([target.drawing.width, target.drawing.height])
    floor = 0.5
    wide = abs(camera[1] - wheel.translation[1]) + plate[0]
    scale = min(1.0 / max(camera[2], wheel.translation[2] + 0.5 * plate[1]), 1.9 / wide)
    middle = 0.5 * (camera[1] + wheel.translation[1])

    def at(y: float, z: float) -> Array:
        return np.array([0.5 * DIAGRAM - scale * (y - middle), floor + scale * z])

    foot, upright = at(camera[1], 0.0), at(camera[1], camera[2])
    height = upright[1] - foot[1]
    c, s = math.cos(lean), math.sin(lean)
    top = foot + height * np.array([s, c])
    axes.plot([0.05, DIAGRAM - 0.05], [floor] * 2, color=style.MUTED, lw=1.5)
    axes.plot([foot[0]] * 2, [floor, upright[1] + 0.12], color=BLUE, lw=1.0, ls="--", zorder=4)
    axes.plot(*np.array([foot, top]).T, color=style.INK, lw=4.0, solid_capstyle="butt")
    box = np.array([[-0.09, -0.06], [0.09, -0.06], [0.09, 0.06], [-0.09, 0.06]])
    axes.add_patch(Polygon(box @ np.array([[c, -s], [s, c]]) + top, fc=style.INK))
    centre = at(wheel.translation[1], wheel.translation[2])
    size = scale * plate
    low = centre - 0.5 * size
    axes.add_patch(Rectangle((low[0], low[1]), *size, fc="white", ec=style.INK, lw=2.0))
    axes.plot(*np.array([top, centre]).T, color=style.MUTED, lw=1.0, ls="--")
    away = 1.0 if centre[0] >= foot[0] else -1.0  # of the target from the tower
    side = "left" if away > 0.0 else "right"
    write(axes, centre + (away * (0.5 * size[0] + 0.06), 0.0), words["target"], ha=side)
    beside = np.array([0.5 * (top[0] + centre[0]), 0.7 * top[1] + 0.3 * centre[1]])
    beside[0] = away * max(away * beside[0], away * top[0]) + away * 0.16
    write(axes, beside, values["range"], ha=side)
    outer = "right" if away > 0.0 else "left"
    # clear of the tower, should it lean to that side
    outside = foot[0] - away * (0.08 + max(away * (foot[0] - top[0]), 0.0))
    write(axes, (outside, floor + 0.45), values["lean"], ha=outer, color=BLUE)
    write(axes, (outside, floor + 0.62), words["plumb_line"], ha=outer)
    write(axes, (0.02, SIZE - 0.08), words["from_behind"], ha="left")
