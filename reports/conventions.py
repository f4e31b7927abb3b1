"""The drawing of turn, pitch and roll that DEVELOPERS.md shows, made by the geometry itself.

``python -m reports.conventions reports`` writes it again.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from pathlib import Path as FilePath

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import Normal, Stroke

from bench.draw import style
from bench.draw.page_layout import LINE, POINT, Box, Page, wrap
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view, tilt_of_pose
from bench.targets.design import MarkerDesign, build_target
from bench.targets.drawing import Area
from bench.targets.target import Target
from bench.typing import Array

CAMERA = Camera(800, 800, 1200.0, 1200.0, 399.5, 399.5)
RANGE_M = 0.62
AXIS_M = 0.15
AXES = (("x", "#D55E00"), ("y", "#007A59"), ("z", "#0072B2"))


@dataclass(frozen=True)
class Drawn:
    """One of the drawings: its title, the view, and what the reader should see in it."""

    title: str
    view: View
    words: str


def drawings() -> list[Drawn]:
    """Return the four drawings: facing, and each angle alone, positive."""
    turn, pitch, roll = math.radians(35.0), math.radians(35.0), math.radians(20.0)
    return [
        Drawn("facing", View(RANGE_M), "x right, y up, z out of the face to the camera"),
        Drawn(
            "turn +35 deg",
            View(RANGE_M, turn=turn),
            "about its own y: the normal swings to the picture's right, the right edge recedes",
        ),
        Drawn(
            "pitch +35 deg",
            View(RANGE_M, pitch=pitch),
            "about its own x: the normal dips, the upper edge comes nearer",
        ),
        Drawn(
            "roll +20 deg",
            View(RANGE_M, roll=roll),
            "about the line of sight: anticlockwise as the camera sees it",
        ),
    ]


def conventions_figure() -> Figure:
    """Draw a target as the camera sees it: facing, then turned, pitched and rolled."""
    side, gap = 2.3, 0.16
    shown = drawings()
    words = [wrap(drawn.words, side, style.SMALL) for drawn in shown]
    lines = max(len(w) for w in words)
    page = Page(
        "Turn, pitch and roll as the camera sees them",
        "R_camera_target = R_camera_facing · R_z(roll) · R_y(turn) · R_x(pitch);   "
        "cos tilt = cos turn · cos pitch",
        "All three follow the right-hand rule about the target's own axes. The dashed outline is "
        "the target facing the camera: its z along the line of sight, its y upward in the "
        "picture. The drawings are projected by bench.geometry with a short focal length, so "
        "that near edges look larger.",
        0.3 + side + lines * style.SMALL * LINE * POINT + 0.12,
    )
    target = build_target(MarkerDesign(size=0.14))
    for i, (drawn, described) in enumerate(zip(shown, words, strict=True)):
        left = i * (side + gap)
        page.text(left, 0.2, drawn.title, fontweight="bold")
        axes = page.axes(Box(left, 0.3, side, side))
        _draw(axes, drawn, target)
        for row, line in enumerate(described):
            y = 0.3 + side + (row + 1) * style.SMALL * LINE * POINT
            page.text(left, y, line, fontsize=style.SMALL)
    return page.figure


def write_conventions(out_dir: FilePath) -> FilePath:
    """Write the drawing as ``conventions.png`` and return its path.

    Raises
    ------
    RunError
        The picture can't be written.
    """
    with style.applied():
        return style.save(conventions_figure(), out_dir / "conventions.png")


def target_patches(target: Target, T_camera_target: Pose, camera: Camera) -> list[PathPatch]:
    """Return a target's drawing as the camera sees it: polygons filled with their reflectance."""
    patches = []
    for shape in target.drawing.shapes:
        if not isinstance(shape, Area):
            continue
        rings = []
        for ring in shape.rings:
            p_target = np.column_stack((ring, np.zeros(len(ring))))
            rings.append(Path(_closed(project(p_target, T_camera_target, camera)), closed=True))
        grey = str(shape.reflectance)
        patches.append(PathPatch(Path.make_compound_path(*rings), facecolor=grey, linewidth=0.0))
    return patches


def _draw(axes: Axes, drawn: Drawn, target: Target) -> None:
    T_facing = pose_of_view(View(RANGE_M), CAMERA)
    T_camera_target = pose_of_view(drawn.view, CAMERA)
    axes.set_xlim(-0.5, CAMERA.width - 0.5)
    axes.set_ylim(CAMERA.height - 0.5, -0.5)
    axes.set_facecolor("#e9e9e9")
    axes.set_xticks([])
    axes.set_yticks([])
    for patch in target_patches(target, T_camera_target, CAMERA):
        axes.add_patch(patch)
    if tilt_of_pose(T_camera_target) > 0.0 or drawn.view.roll:
        outline = np.column_stack((target.drawing.outline, np.zeros(4)))
        ring = _closed(project(outline, T_facing, CAMERA))
        axes.plot(ring[:, 0], ring[:, 1], color=style.MUTED, linewidth=1.0, linestyle=(0, (4, 3)))
    _draw_axes(axes, T_camera_target)
    arc = turning_arc(drawn.view)
    if arc is not None:
        pixels = project(arc, T_facing, CAMERA)
        arrow = FancyArrowPatch(
            path=Path(pixels), arrowstyle="-|>", mutation_scale=14, color=style.INK, linewidth=1.8
        )
        arrow.set_gid("turning")
        axes.add_patch(arrow)


def _draw_axes(axes: Axes, T_camera_target: Pose) -> None:
    along = AXIS_M * np.diag((1.0, 1.0, 0.65))  # z shorter, to end apart from x when turned
    ends = np.vstack((np.zeros(3), along, 1.17 * along))
    pixels = project(ends, T_camera_target, CAMERA)
    for i, (name, colour) in enumerate(AXES):
        start, end, letter = pixels[0], pixels[i + 1], pixels[i + 4]
        if np.linalg.norm(end - start) < 3.0:  # it points at the camera
            axes.plot(*start, "o", color="white", markersize=9, markeredgecolor=colour, mew=2)
            axes.plot(*start, "o", color=colour, markersize=3)
            letter = start + (34.0, 30.0)
        else:
            if name == "z" and abs(pixels[1, 1] - end[1]) < 10.0:
                letter = end + (0.0, -34.0)  # a turn alone leaves x and z on one line
            axes.annotate(
                "",
                end,
                start,
                arrowprops={
                    "arrowstyle": "-|>",
                    "color": colour,
                    "linewidth": 2.2,
                    "shrinkA": 0,
                    "shrinkB": 0,
                    "path_effects": [Stroke(linewidth=4, foreground="white"), Normal()],
                },
            )
        axes.text(
            letter[0],
            letter[1],
            name,
            color=colour,
            fontweight="bold",
            ha="center",
            va="center",
            path_effects=[Stroke(linewidth=3, foreground="white"), Normal()],
        )


def turning_arc(view: View) -> Array | None:
    """Return an arc (N, 3) in the facing frame, metres, that runs the way a view is turned.

    A right-handed rotation by the angle carries its first point through the others; None for a
    view that faces the camera.
    """
    a = np.linspace(-1.0, 1.0, 40)[:, None]
    if view.turn:
        return _arc(a * 0.9, axis=1, start=(0.0, 0.0, 0.09), offset=0.135)
    if view.pitch:
        return _arc(a * 0.9, axis=0, start=(0.0, 0.0, 0.09), offset=0.135)
    if view.roll:
        return _arc(a * 0.35 + 0.9, axis=2, start=(0.17, 0.0, 0.0), offset=0.0)
    return None


def _arc(angles: Array, axis: int, start: tuple[float, float, float], offset: float) -> Array:
    """Turn `start` (3,) about an axis by angles (N, 1), right-handed; move it along the axis."""
    e = np.eye(3)[axis]
    p = np.array(start)
    # Rodrigues' formula for a point perpendicular to the axis
    turned: Array = np.cos(angles) * p + np.sin(angles) * np.cross(e, p) + offset * e
    return turned


def _closed(ring: Array) -> Array:
    return np.vstack((ring, ring[:1]))


if __name__ == "__main__":
    write_conventions(FilePath(sys.argv[1] if len(sys.argv) > 1 else "reports"))
