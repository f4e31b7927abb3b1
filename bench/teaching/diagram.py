"""Schematics of a teaching picture: where camera, target, bar or tower are, angles drawn in.

Axes are in inches of the panel, `DIAGRAM` wide and `SIZE` high. Seen from above or from the
side the camera is on the left and looks right; what is on the right in its picture is drawn
below the line of sight, seen from above. Bar and towers stand where they are in the bay.
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Arc, Polygon, Rectangle

from bench.draw import style
from bench.scene.model import Bay
from bench.teaching.bay_diagrams import draw_bar, draw_tower
from bench.teaching.diagram_marks import (
    BLUE,
    DIAGRAM,
    PAPER,
    RED,
    SIZE,
    draw_camera,
    draw_plate,
    pair,
    write,
)
from bench.teaching.trials import Illustrated


def draw_diagram(
    axes: Axes, shown: Illustrated, bay: Bay, values: dict[str, str], words: dict[str, str]
) -> None:
    """Draw a scene's schematic.

    Parameters
    ----------
    axes : Axes
        Of the panel.
    shown : Illustrated
        What is drawn.
    bay : Bay
        Where its towers stand.
    values, words : dict of str to str
        Numbers as texts, and the catalogue's words.
    """
    axes.set(xlim=(0, DIAGRAM), ylim=(0, SIZE), aspect="equal")
    axes.axis("off")
    match shown.scene.diagram:
        case "bar":
            draw_bar(axes, shown, bay, values, words)
        case "tower":
            draw_tower(axes, shown, bay, values, words)
        case _:
            _sight(axes, shown, values, words)
    _frame(axes, shown, words)


def _sight(axes: Axes, shown: Illustrated, values: dict[str, str], words: dict[str, str]) -> None:
    side, camera = shown.scene.diagram == "side", shown.setting.camera
    t = shown.T_camera_target.translation
    beta = -math.atan2(t[1] if side else t[0], t[2])
    half_view = math.atan(
        0.5 * camera.height / camera.fy if side else 0.5 * camera.width / camera.fx
    )
    turn = math.radians(shown.pitch_deg if side else shown.turn_deg)
    eye = np.array([0.26, 1.05])
    # farther targets are drawn farther, though not in proportion
    share = min(1.0, max(0.5, 1.0 - 0.15 * math.log2(max(shown.size_px, 1.0) / 53.0)))
    reach = 2.1 * share
    forward = np.array([math.cos(beta), math.sin(beta)])
    at = eye + reach * forward
    for sign in (-1.0, 1.0):
        edge = eye + 2.3 * np.array([math.cos(half_view), sign * math.sin(half_view)])
        axes.plot(*np.array([eye, edge]).T, color=style.FAINT, lw=1.0)
    axes.plot(*np.array([eye, at]).T, color=style.MUTED, lw=1.0, ls="--")
    draw_camera(axes, eye, 0.0)
    toward = math.pi + beta  # from target to camera
    normal = toward + turn
    n = np.array([math.cos(normal), math.sin(normal)])
    if shown.scene.set == "mirror":
        m = np.array([math.cos(toward - turn), math.sin(toward - turn)])
        draw_plate(axes, at, m, 0.2, color=RED, lw=2.0, ls=(0, (1.5, 1)))
    draw_plate(axes, at, n, 0.2)
    axes.annotate(
        "",
        pair(at + 0.42 * n),
        pair(at),
        arrowprops={"arrowstyle": "->", "color": BLUE, "lw": 1.2},
    )
    if abs(turn) > math.radians(1.0):
        low, high = sorted((toward, normal))
        axes.add_patch(
            Arc(
                pair(at),
                0.56,
                0.56,
                theta1=math.degrees(low),
                theta2=math.degrees(high),
                color=BLUE,
            )
        )
    below = turn >= 0.0
    write(
        axes,
        # above the words beside the whole picture's frame
        (at[0] - 0.02, max(at[1] - 0.5, 0.27) if below else at[1] + 0.48),
        values["tilt"],
        color=BLUE,
        bbox=PAPER,
    )
    shift = np.array([-forward[1], forward[0]]) * (0.3 if below else -0.3)
    axes.annotate(
        "",
        pair(at + shift),
        pair(eye + shift),
        arrowprops={
            "arrowstyle": "<->",
            "color": style.MUTED,
            "lw": 0.8,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )
    write(axes, 0.5 * (eye + at) + 1.35 * shift, values["range"], bbox=PAPER)
    write(axes, (0.02, SIZE - 0.08), words["from_side" if side else "from_above"], ha="left")


def _frame(axes: Axes, shown: Illustrated, words: dict[str, str]) -> None:
    """Draw the whole picture's frame, with the plate where it lies in it."""
    height, camera = 0.42, shown.setting.camera
    width = height * camera.width / camera.height
    x, y = DIAGRAM - width - 0.02, 0.02
    axes.add_patch(Rectangle((x, y), width, height, fc="#f2f2f2", ec=style.INK, lw=0.8))
    outline = np.array([x, y + height]) + shown.outline * (width, -height)
    axes.add_patch(Polygon(outline, fc=style.INK, ec=style.INK, lw=0.8))
    write(axes, (x - 0.06, y + 0.06), words["frame"], ha="right")
