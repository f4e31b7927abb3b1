"""Schematics of a teaching picture: where camera, target, bar or tower are, angles drawn in.

Axes are in inches of the panel, `SIZE` wide and high. Seen from above or from the side the
camera is on the left and looks right; what is on the right in its picture is drawn below the
line of sight, seen from above.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Arc, Circle, Polygon, Rectangle

from bench.geometry.camera import Camera
from bench.guide.illustrate_run import Illustrated
from bench.guide.illustrate_words import DRAWN_LEAN, DRAWN_SLIP
from bench.present import style
from bench.typing import Array

SIZE = 1.8
BLUE, RED = style.OKABE_ITO[0], style.OKABE_ITO[1]
Point = Sequence[float] | Array


def draw_diagram(
    axes: Axes, shown: Illustrated, camera: Camera, values: dict[str, str], words: dict[str, str]
) -> None:
    """Draw a scene's schematic.

    Parameters
    ----------
    axes : Axes
        Of the panel.
    shown : Illustrated
        What is drawn.
    camera : Camera
        Whose field of view is drawn.
    values, words : dict of str to str
        Numbers as texts, and the catalogue's words.
    """
    axes.set(xlim=(0, SIZE), ylim=(0, SIZE), aspect="equal")
    axes.axis("off")
    match shown.scene.diagram:
        case "bar":
            _bar(axes, shown, values, words)
        case "tower":
            _tower(axes, shown, values, words)
        case _:
            _sight(axes, shown, camera, values, words)
    _frame(axes, shown, camera, words)


def _text(axes: Axes, at: Point, text: str, **how: Any) -> None:
    look: dict[str, Any] = {"size": style.SMALL, "ha": "center", "va": "center"} | how
    axes.text(at[0], at[1], text, **look)


def _pair(at: Point) -> tuple[float, float]:
    return float(at[0]), float(at[1])


def _camera(axes: Axes, at: Point, direction: float) -> None:
    """Draw a camera with its lens at `at`, looking in a direction, radians."""
    body = np.array([[0, -0.03], [0, 0.03], [-0.05, 0.03], [-0.05, 0.06], [-0.17, 0.06]])
    body = np.vstack((body, body[::-1] * (1, -1)))
    c, s = math.cos(direction), math.sin(direction)
    axes.add_patch(Polygon(body @ np.array([[c, s], [-s, c]]) + at, fc=style.INK, ec="none"))


def _plate(axes: Axes, at: Point, normal: Point, half: float, **how: Any) -> None:
    across = np.array([-normal[1], normal[0]]) * half
    ends = np.array([np.asarray(at) - across, np.asarray(at) + across])
    look: dict[str, Any] = {"color": style.INK, "lw": 3.0, "solid_capstyle": "butt"} | how
    axes.plot(*ends.T, **look)


def _sight(
    axes: Axes, shown: Illustrated, camera: Camera, values: dict[str, str], words: dict[str, str]
) -> None:
    side = shown.scene.diagram == "side"
    t = shown.T_camera_target.translation
    beta = -math.atan2(t[1] if side else t[0], t[2])
    half_view = math.atan(
        0.5 * camera.height / camera.fy if side else 0.5 * camera.width / camera.fx
    )
    turn = math.radians(shown.pitch_deg if side else shown.turn_deg)
    eye = np.array([0.24, 1.12])
    # farther targets are drawn farther, though not in proportion
    share = min(1.0, max(0.5, 1.0 - 0.15 * math.log2(max(shown.size_px, 1.0) / 53.0)))
    reach = 1.2 * share
    forward = np.array([math.cos(beta), math.sin(beta)])
    at = eye + reach * forward
    for sign in (-1.0, 1.0):
        edge = eye + 1.4 * np.array([math.cos(half_view), sign * math.sin(half_view)])
        axes.plot(*np.array([eye, edge]).T, color=style.FAINT, lw=1.0)
    axes.plot(*np.array([eye, at]).T, color=style.MUTED, lw=1.0, ls="--")
    _camera(axes, eye, 0.0)
    toward = math.pi + beta  # from target to camera
    normal = toward + turn
    n = np.array([math.cos(normal), math.sin(normal)])
    if shown.scene.set == "mirror":
        m = np.array([math.cos(toward - turn), math.sin(toward - turn)])
        _plate(axes, at, m, 0.2, color=RED, lw=2.0, ls=(0, (1.5, 1)))
    _plate(axes, at, n, 0.2)
    axes.annotate(
        "",
        _pair(at + 0.42 * n),
        _pair(at),
        arrowprops={"arrowstyle": "->", "color": BLUE, "lw": 1.2},
    )
    if abs(turn) > math.radians(1.0):
        low, high = sorted((toward, normal))
        axes.add_patch(
            Arc(
                _pair(at),
                0.56,
                0.56,
                theta1=math.degrees(low),
                theta2=math.degrees(high),
                color=BLUE,
            )
        )
    below = turn >= 0.0
    _text(
        axes,
        (at[0] - 0.02, at[1] + (-0.5 if below else 0.4)),
        values["tilt"],
        color=BLUE,
        ha="right" if at[0] > 1.0 else "center",
    )
    shift = np.array([-forward[1], forward[0]]) * (0.3 if below else -0.3)
    axes.annotate(
        "",
        _pair(at + shift),
        _pair(eye + shift),
        arrowprops={
            "arrowstyle": "<->",
            "color": style.MUTED,
            "lw": 0.8,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )
    _text(axes, 0.5 * (eye + at) + 1.35 * shift, values["range"])
    _text(axes, (0.02, SIZE - 0.08), words["from_side" if side else "from_above"], ha="left")


def _bar(axes: Axes, shown: Illustrated, values: dict[str, str], words: dict[str, str]) -> None:
    slip = math.radians((shown.scene.slip_deg or 0.0) * DRAWN_SLIP)
    a, b = np.array([0.35, 1.3]), np.array([1.45, 1.3])
    axes.plot([0.2, 1.6], [1.34, 1.34], color=style.MUTED, lw=4.0, solid_capstyle="butt")
    down = np.array([0.0, -1.0])
    for eye in ((0.45, 0.78), (1.35, 0.78)):
        _camera(axes, eye, 0.5 * math.pi)
        for end in (a, b):
            axes.plot(*np.array([eye, end]).T, color=style.FAINT, lw=1.0, ls="--", zorder=0)
    _plate(axes, a, down, 0.16)
    if slip:
        _plate(axes, b, down, 0.16, color=style.MUTED, lw=2.0, ls=(0, (1.5, 1)))
    turned = np.array([math.sin(slip), -math.cos(slip)])
    _plate(axes, b, turned, 0.16, color=RED if slip else style.INK)
    _text(axes, a + (0.0, 0.16), "A")
    _text(axes, b + (0.0, 0.16), f"B  {values['slip']}")
    _text(axes, (0.9, 1.42), words["bar"])
    _text(axes, (0.02, SIZE - 0.08), words["from_above"], ha="left")


def _tower(axes: Axes, shown: Illustrated, values: dict[str, str], words: dict[str, str]) -> None:
    lean = math.radians((shown.scene.lean_deg or 0.0) * DRAWN_LEAN)
    foot, tall = np.array([1.2, 0.52]), 1.0
    axes.plot([0.05, 1.75], [foot[1]] * 2, color=style.MUTED, lw=1.5)
    axes.plot([foot[0]] * 2, [foot[1], foot[1] + tall + 0.08], color=BLUE, lw=1.0, ls="--")
    top = foot + tall * np.array([-math.sin(lean), math.cos(lean)])
    axes.plot(*np.array([foot, top]).T, color=style.INK, lw=4.0, solid_capstyle="butt")
    box = np.array([[-0.09, -0.06], [0.09, -0.06], [0.09, 0.06], [-0.09, 0.06]])
    c, s = math.cos(lean), math.sin(lean)
    axes.add_patch(Polygon(box @ np.array([[c, s], [-s, c]]) + top, fc=style.INK))
    axes.add_patch(Circle(_pair(top), 0.04, fc="white", ec="none", zorder=3))
    axes.add_patch(Rectangle((0.2, 0.52), 0.12, 0.42, fc=style.FAINT, ec=style.MUTED))
    axes.plot([0.32, 0.42], [0.73, 0.73], color=style.MUTED)
    axes.plot([0.42, 0.42], [0.6, 0.86], color=style.INK, lw=3.0)
    axes.plot(*np.array([top, (0.42, 0.73)]).T, color=style.MUTED, lw=1.0, ls="--", zorder=0)
    _text(axes, (0.3, 1.02), words["target"])
    _text(axes, (foot[0] + 0.06, 1.0), values["lean"], ha="left", color=BLUE)
    _text(axes, (foot[0] + 0.4, SIZE - 0.08), words["plumb_line"], ha="right")


def _frame(axes: Axes, shown: Illustrated, camera: Camera, words: dict[str, str]) -> None:
    """Draw the whole picture's frame, with the plate where it lies in it."""
    height = 0.42
    width = height * camera.width / camera.height
    x, y = SIZE - width - 0.02, 0.02
    axes.add_patch(Rectangle((x, y), width, height, fc="#f2f2f2", ec=style.INK, lw=0.8))
    outline = np.array([x, y + height]) + shown.outline * (width, -height)
    axes.add_patch(Polygon(outline, fc=style.INK, ec=style.INK, lw=0.8))
    _text(axes, (x - 0.06, y + 0.06), words["frame"], ha="right")
