"""Schematics of what stands astray: tower, camera, plate, targets, an end of the bar."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.patches import Arc, Polygon, Rectangle

from bench.draw import style
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.scene.tower_pair import tower_pair
from bench.teaching.marks import (
    BLUE,
    RED,
    draw_arrow,
    draw_camera,
    draw_line,
    draw_plate,
    heading,
    write,
)
from bench.teaching.sketch import EYE, REACH, WIDE, Sketch, box
from bench.teaching.views import wheel_of
from bench.teaching.words import DRAWN, DRAWN_SLIP
from bench.typing import Array


def draw_lean(s: Sketch) -> None:
    """Draw tower and plate to scale from behind the vehicle, the lean enlarged."""
    tower, target = s.bay.towers[0], s.shown.setting.target
    lean = (s.scene.by if s.bad else 0.0) * DRAWN["lean"]
    camera, wheel = tower.T_bay_camera.translation, wheel_of(s.bay, tower).T_bay_target.translation
    floor, size = 0.22, target.drawing.width
    apart = abs(camera[1] - wheel[1])
    scale = min(1.1 / max(camera[2], wheel[2] + size), 1.1 / max(apart + size, 0.1))
    foot = np.array([1.55, floor])
    top = foot + scale * camera[2] * np.array([math.sin(lean), math.cos(lean)])
    plate = np.array([max(foot[0] - max(scale * apart, 0.7), 0.35), floor + scale * wheel[2]])
    draw_line(s.axes, (0.05, floor), (WIDE - 0.05, floor), lw=1.5)
    draw_line(s.axes, foot, foot + (0.0, 1.3), color=BLUE, ls="--")
    draw_line(s.axes, foot, top, color=RED if s.bad else style.INK, lw=4.0)
    s.axes.add_patch(Polygon(box(top, 0.5 * math.pi - lean, 0.14, 0.2), fc=style.INK))
    half = 0.5 * scale * size
    s.axes.add_patch(Rectangle(tuple(plate - half), 2 * half, 2 * half, fc="white", ec=style.INK))
    draw_line(s.axes, top, plate, ls="--")
    write(s.axes, (foot[0] - 0.08, 1.52), s.words["plumb"], color=BLUE, ha="right")
    if s.bad:
        write(s.axes, (WIDE - 0.05, 0.42), s.values["by"], color=RED, ha="right")
        write(s.axes, (0.02, 0.07), s.words["drawn"], ha="left", color=style.MUTED)
    write(s.axes, (0.02, 1.73), s.words["from_behind"], ha="left")


def draw_bump(s: Sketch) -> None:
    """Draw the camera turned, and where registration takes the plate to be."""
    turn = s.scene.by * DRAWN["bump"] if s.bad else 0.0
    at = EYE + REACH * heading(0.0)
    normal = math.pi + math.radians(s.shown.turn_deg)
    write(s.axes, (0.02, 1.73), s.words["from_above"], ha="left")
    draw_plate(s.axes, at, normal)
    if not s.bad:
        draw_line(s.axes, EYE, at, ls="--")
        draw_camera(s.axes, EYE, 0.0)
        return
    draw_camera(s.axes, EYE, 0.0, "#b5b5b5")
    draw_camera(s.axes, EYE, turn, RED)
    draw_line(s.axes, EYE, EYE + 1.5 * heading(0.0), ls=":")
    draw_line(s.axes, EYE, EYE + 1.5 * heading(turn), color=RED)
    s.axes.add_patch(Arc(tuple(EYE), 1.2, 1.2, theta1=0, theta2=math.degrees(turn), color=RED))
    write(s.axes, EYE + 0.62 * heading(turn) + (0.05, 0.15), s.values["by"], color=RED, ha="right")
    # where registration takes the plate to be
    false = EYE + REACH * heading(-turn)
    draw_plate(s.axes, false, normal - turn, color=RED, lw=2.0, ls=(0, (1.5, 1)))
    write(s.axes, (0.02, 0.07), s.words["drawn"], ha="left", color=style.MUTED)


def draw_askew(s: Sketch) -> None:
    """Draw the plate askew on its clamp, the lean enlarged."""
    turn = s.scene.by * DRAWN["plate"] if s.bad else 0.0
    write(s.axes, (0.02, 1.73), s.words["from_above"], ha="left")
    at = EYE + REACH * heading(0.0)
    normal = math.pi + math.radians(s.shown.turn_deg)
    wheel = at + (0.25, 0.12)
    s.axes.add_patch(Polygon(box(wheel, 0.5 * math.pi, 0.22, 0.5), fc="#8a8a8a", ec="none"))
    draw_line(s.axes, wheel - (0.0, 0.05), at, lw=2.5, color=style.MUTED)
    draw_line(s.axes, EYE, at, ls="--")
    draw_camera(s.axes, EYE, 0.0)
    if s.bad:
        draw_plate(s.axes, at, normal, color=style.MUTED, lw=1.5, ls=(0, (1.5, 1)))
        write(s.axes, at + (-0.1, -0.42), s.values["by"], color=RED)
        write(s.axes, (0.02, 0.07), s.words["drawn"], ha="left", color=style.MUTED)
    draw_plate(s.axes, at, normal + turn, color=RED if s.bad else style.INK)


def draw_swapped(s: Sketch) -> None:
    """Draw both targets of a side, each on the wheel of the other."""
    write(s.axes, (0.02, 1.73), s.words["from_above"], ha="left")
    for y, name in ((1.35, "A"), (0.4, "B")):
        wheel = np.array([1.75, y])
        s.axes.add_patch(Polygon(box(wheel, 0.5 * math.pi, 0.22, 0.5), fc="#8a8a8a", ec="none"))
        label = name if not s.bad else {"A": "B", "B": "A"}[name]
        colour = RED if s.bad else BLUE
        draw_plate(s.axes, wheel - (0.38, 0.0), math.pi + 0.5, color=colour)
        write(s.axes, wheel - (0.6, 0.0), label, color=colour, size=11, weight="bold")
        draw_camera(s.axes, (0.3, y), 0.0)
        draw_line(s.axes, (0.3, y), wheel - (0.7, 0.0), ls="--")
        write(s.axes, wheel, name, color="white", weight="bold", bbox=None)
    if s.bad:
        draw_arrow(s.axes, (1.2, 0.55), (1.2, 1.2), arrowstyle="<|-|>")


def draw_bar(s: Sketch) -> None:
    """Draw towers and bar from above, to scale along and across the bay."""
    assert s.shown.T_bay_bar is not None  # a registration's picture has it
    slip = np.array([0.0, (s.scene.slip or 0.0) * DRAWN_SLIP if s.bad else 0.0, 0.0])
    T_a, T_b = (s.shown.T_bay_bar @ T for T in (s.bay.bar.T_bar_a, s.bay.bar.T_bar_b))
    towers = tower_pair(s.bay)
    places = [t.T_bay_camera.translation for t in towers] + [T_a.translation, T_b.translation]
    # the bay's x toward the towers is drawn to the left, so its y is drawn downward
    ends = -np.array(places)[:, :2]
    low, high = ends.min(axis=0), ends.max(axis=0)
    scale = np.minimum((1.45, 1.1) / (high - low), 1.0)

    def at(point: Array) -> Array:
        return np.asarray((0.3, 0.35) + scale * (-np.asarray(point)[:2] - low))

    for tower in towers:
        forward = -tower.T_bay_camera.rotation[:, 2]
        draw_camera(s.axes, at(tower.T_bay_camera.translation), math.atan2(forward[1], forward[0]))
    a, b = at(T_a.translation), at(T_b.translation)
    seer = next(tower for tower in towers if tower.name == s.shown.tower)
    draw_line(s.axes, at(seer.T_bay_camera.translation), b, ls="--")
    draw_line(s.axes, a, b, color=style.FAINT, lw=4.0)
    T_slipped = T_b @ Pose(exp_rotvec(slip), np.zeros(3))
    for T, where, colour in ((T_a, a, style.INK), (T_slipped, b, RED if s.bad else style.INK)):
        draw_plate(s.axes, where, _flat(T), 0.14, color=colour)
    if s.bad:
        draw_plate(s.axes, b, _flat(T_b), 0.14, color=style.MUTED, lw=1.5, ls=(0, (1.5, 1)))
        write(s.axes, b + (0.12, 0.0), s.values["slip"], ha="left", color=RED)
        write(s.axes, (0.02, 0.07), s.words["drawn"], ha="left", color=style.MUTED)
    write(s.axes, 0.5 * (a + b) + (0.08, 0.0), s.words["bar"], ha="left")
    write(s.axes, (0.02, 1.73), s.words["from_above"], ha="left")


def _flat(T: Pose) -> float:
    """Return the direction of a face's normal as drawn from above."""
    normal = -T.rotation[:2, 2]
    return math.atan2(normal[1], normal[0])
