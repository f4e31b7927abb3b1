"""Marks of an overlay on a photograph: points, ids, axes, outlines and residuals."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patheffects import AbstractPathEffect, Normal, Stroke

from bench.draw import style
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.targets.target import Target
from bench.typing import Array

# Okabe and Ito's yellow, sky blue, bluish green, vermilion and reddish purple: all light enough
# for a photograph once they are cased in black.
OUTLINE, POINTS, RESIDUAL = "#F0E442", "#56B4E9", "#FF8CD1"
AXES = (("x", "#FF7A3D"), ("y", "#2FE0A5"), ("z", "#7CC4FF"))
STEPS = 24  # pieces of an edge, enough to follow a distorted line to a fraction of a pixel
MOST_IDS = 40


def casing(width: float) -> list[AbstractPathEffect]:
    """Return path effects that put a black line `width` points wide under a light one."""
    return [Stroke(linewidth=width, foreground="black"), Normal()]


def plate_outline(target: Target, T_camera_target: Pose, camera: Camera) -> Array | None:
    """Return the plate's outline in the picture (N, 2), closed; None if it can't be projected."""
    corners = target.drawing.outline
    t = np.linspace(0.0, 1.0, STEPS, endpoint=False)[:, None]
    edges = [a + t * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    ring = np.vstack([*edges, corners[:1]])
    return projected(np.column_stack((ring, np.zeros(len(ring)))), T_camera_target, camera)


def projected(p_target: Array, T_camera_target: Pose, camera: Camera) -> Array | None:
    """Return pixels (N, 2) of points (N, 3), or None where one of them has no image."""
    try:
        return project(p_target, T_camera_target, camera)
    except GeometryError:
        return None


def draw_outline(axes: Axes, ring: Array, faint: bool = False) -> None:
    """Draw a closed outline (N, 2); a faint one dashed, for the runner-up."""
    (line,) = axes.plot(
        ring[:, 0],
        ring[:, 1],
        color="white" if faint else OUTLINE,
        linewidth=1.0 if faint else 1.6,
        linestyle=(0, (4, 3)) if faint else "-",
        alpha=0.75 if faint else 1.0,
    )
    line.set_path_effects(casing(2.0 if faint else 2.8))
    line.set_gid("runner-up" if faint else "outline")


def draw_axes(axes: Axes, target: Target, T_camera_target: Pose, camera: Camera) -> None:
    """Draw the target's axes from its centre, half its pattern long, lettered at their ends."""
    length = 0.5 * target.extent
    ends = np.vstack([np.zeros(3), length * np.eye(3), 1.18 * length * np.eye(3)])
    pixels = projected(ends, T_camera_target, camera)
    if pixels is None:
        return
    for i, (name, colour) in enumerate(AXES):
        (line,) = axes.plot(*zip(pixels[0], pixels[i + 1], strict=True), color=colour, linewidth=2)
        line.set_path_effects(casing(3.4))
        line.set_gid(f"axis {name}")
        letter = _kept_in_view(axes, pixels[0], pixels[i + 4])
        axes.text(
            letter[0],
            letter[1],
            name,
            color=colour,
            fontsize=style.SMALL,
            fontweight="bold",
            ha="center",
            va="center",
            clip_on=True,
            path_effects=casing(2.5),
        )


def _kept_in_view(axes: Axes, origin: Array, letter: Array) -> Array:
    """Return where a letter goes: at the edge of the view if its axis leaves it, else unmoved."""
    low, high = np.sort([axes.get_xlim(), axes.get_ylim()], axis=1).T
    if np.any(origin < low) or np.any(origin > high):
        return letter
    margin = 0.015 * (high - low)
    return np.clip(letter, low + margin, high - margin)


def draw_points(axes: Axes, pixels: Array) -> None:
    """Mark detected points (N, 2) by open circles with their centre left free."""
    size = 6.0 if len(pixels) <= 40 else 3.5
    for colour, width in (("black", 2.6), (POINTS, 1.3)):
        axes.plot(
            pixels[:, 0],
            pixels[:, 1],
            linestyle="",
            marker="o",
            markersize=size,
            markerfacecolor="none",
            markeredgecolor=colour,
            markeredgewidth=width,
        )


def draw_residuals(axes: Axes, pixels: Array, predicted: Array, factor: float) -> None:
    """Draw residuals from each predicted point (N, 2) toward the detected one, times `factor`."""
    lines = LineCollection(
        list(np.stack((predicted, predicted + factor * (pixels - predicted)), axis=1)),
        colors=RESIDUAL,
        linewidths=1.6,
    )
    lines.set_path_effects(casing(2.8))
    lines.set_gid("residuals")
    axes.add_collection(lines, autolim=False)


def draw_ids(
    axes: Axes, target: Target, T_camera_target: Pose, camera: Camera, ids: set[int]
) -> None:
    """Write the ids of decoded markers at their centres, unless there are too many to read."""
    shown = sorted(ids & set(target.markers))
    if not shown or len(shown) > MOST_IDS or (len(shown) == 1 and len(target.markers) == 1):
        return
    centres = np.array([[*target.markers[i].mean(axis=0), 0.0] for i in shown])
    pixels = projected(centres, T_camera_target, camera)
    if pixels is None:
        return
    for marker_id, (u, v) in zip(shown, pixels, strict=True):
        axes.text(
            u,
            v,
            str(marker_id),
            color="white",
            fontsize=style.SMALL,
            ha="center",
            va="center",
            clip_on=True,
            path_effects=casing(2.5),
        )


def magnification(residuals: Array, length: float) -> float:
    """Return 1, 2 or 5 times a power of ten that draws the larger residuals `length` px long.

    The 95th percentile of the residuals (N, 2) is taken, so that one outlier doesn't hide the
    rest; at least 1.
    """
    size = float(np.quantile(np.linalg.norm(residuals, axis=1), 0.95)) if len(residuals) else 0.0
    if not (np.isfinite(size) and size > 0.0):
        return 1.0
    wanted = min(max(length / size, 1.0), 1e4)
    decade = 10.0 ** np.floor(np.log10(wanted))
    return float(decade * max(s for s in (1.0, 2.0, 5.0) if s * decade <= wanted * 1.000001))


def handles(factor: float, runner_up: bool) -> list[Line2D]:
    """Return the key: what each colour and shape on the photograph is."""
    found = [
        Line2D(
            [],
            [],
            linestyle="",
            marker="o",
            markersize=6,
            markerfacecolor="none",
            markeredgecolor=POINTS,
            markeredgewidth=1.6,
            label="detected point",
        ),
        Line2D(
            [],
            [],
            color=OUTLINE,
            linewidth=1.6,
            path_effects=casing(2.8),
            label="plate, as the pose predicts it",
        ),
        Line2D(
            [],
            [],
            color=RESIDUAL,
            linewidth=1.6,
            path_effects=casing(2.8),
            label=f"residual × {factor:g}, predicted to detected",
        ),
    ]
    if runner_up:
        found.append(
            Line2D(
                [],
                [],
                color="white",
                linewidth=1.0,
                linestyle=(0, (4, 3)),
                path_effects=casing(2.0),
                label="plate, by the runner-up pose",
            )
        )
    return found
