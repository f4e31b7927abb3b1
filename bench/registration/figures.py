"""Pictures of a registration: bar poses from above, residuals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon

from bench.draw import style
from bench.draw.page_layout import Box, Page, wrap
from bench.registration.fit import Registration
from bench.registration.words import pose_words
from bench.scene.bar import BarPose
from bench.scene.model import Bay, Tower
from bench.scene.tower_pair import tower_pair
from bench.typing import Array

INDENT = 0.25  # inches, of a list's second lines
SIGHTS = (("left", "A"), ("left", "B"), ("right", "A"), ("right", "B"))


def poses_figure(
    bay: Bay, poses: Sequence[BarPose], note: str, said: Sequence[str] = ()
) -> Figure:
    """Draw the bar's poses from above, with the towers and what they see.

    `said` is what to add to each pose's words; nothing by default.
    """
    ends = [_ends(bay, pose) for pose in poses]
    depth = max(float(-end[:, 0].min()) for end in ends) + 0.5
    towers = tower_pair(bay)
    half = 0.6 + max(
        *(float(np.abs(end[:, 1]).max()) for end in ends),
        *(abs(tower.placement.offset) for tower in towers),
    )
    width = 5.6
    height = min(width * (depth + 0.6) / (2.0 * half), 8.0)
    width = height * 2.0 * half / (depth + 0.6)
    a, b = (style.OKABE_ITO[0], style.OKABE_ITO[1])
    handles: list[Artist] = [
        Line2D([], [], color=style.INK, linewidth=2.2, label="bar"),
        Line2D([], [], color=a, marker="o", linestyle="none", label="target A"),
        Line2D([], [], color=b, marker="s", linestyle="none", label="target B"),
        Line2D([], [], color=style.FAINT, linewidth=6.0, label="what a tower's camera sees"),
    ]
    page = Page(
        "Bar poses from above",
        f"{bay.name}; towers at the top, vehicle's left on the left",
        f"Numbers are steps; poses that differ in turn or height alone share a place.\n{note}",
        height + 0.6,
        handles,
    )
    axes = page.axes(Box(0.75, 0.1, width, height))
    for tower in towers:
        _tower(axes, tower, depth)
    # numbers nearer than a line of text would cover each other: they share one
    line = 0.18 * (depth + 0.6) / height
    labels: list[tuple[Array, bool, list[int]]] = []
    for index, end in enumerate(ends):
        # at the end that stands back: ends that stay where they are have many bars
        back = 0 if end[0, 0] <= end[1, 0] else 1
        place, on_left = end[back, :2], bool(end[back, 1] > end[1 - back, 1])
        near = (
            steps
            for at, side, steps in labels
            if side == on_left and float(np.abs(at - place).max()) < line
        )
        shared = next(near, None)
        if shared is None:
            labels.append((place, on_left, [index]))
        else:
            shared.append(index)
        axes.plot(end[:, 1], end[:, 0], color=style.INK, linewidth=2.2, zorder=3)
        axes.plot(end[:1, 1], end[:1, 0], "o", color=a, markersize=8, zorder=4)
        axes.plot(end[1:, 1], end[1:, 0], "s", color=b, markersize=8, zorder=4)
    for place, on_left, steps in labels:
        axes.annotate(
            ", ".join(str(i + 1) for i in steps),
            (place[1], place[0]),
            xytext=(-9 if on_left else 9, 0),
            textcoords="offset points",
            ha="right" if on_left else "left",
            va="center",
            zorder=5,
        )
    axes.set_xlim(half, -half)
    axes.set_ylim(-depth, 0.6)
    axes.set_xlabel("from the centre line to the vehicle's left, m")
    axes.set_ylabel("from the tower line, m")
    left = 0.75 + width + 0.35
    lines = []
    for index, words in enumerate(pose_words(poses)):
        more = f"; {said[index]}" if said and said[index] else ""
        lines += _wrapped(f"{index + 1}  {words}{more}", page.width - left - 0.15)
    page.text(left, 0.1, "\n".join(lines), va="top", fontsize=style.SMALL, linespacing=1.4)
    return page.figure


def _wrapped(text: str, width: float) -> list[str]:
    first, *rest = wrap(text, width - INDENT, style.SMALL)
    return [first, *(f"    {line}" for line in rest)]


def _ends(bay: Bay, pose: BarPose) -> Array:
    T = pose.T_bay_bar
    return np.array([(T @ end).translation for end in (bay.bar.T_bar_a, bay.bar.T_bar_b)])


def _tower(axes: Axes, tower: Tower, depth: float) -> None:
    camera, placement = tower.camera, tower.placement
    across = [(-0.5 - camera.cx) / camera.fx, (camera.width - 0.5 - camera.cx) / camera.fx]
    far = 1.5 * depth
    corners = [[placement.offset, placement.forward]]
    for x in across:
        direction = tower.T_bay_camera.rotation @ np.array([x, 0.0, 1.0])
        reach = far / -direction[0]
        corners.append(
            [placement.offset + reach * direction[1], placement.forward + reach * direction[0]]
        )
    axes.add_patch(
        Polygon(corners, closed=True, facecolor=style.FAINT, alpha=0.35, edgecolor="none")
    )
    axes.plot(placement.offset, placement.forward, "^", color=style.INK, markersize=10, zorder=4)
    axes.annotate(
        tower.name,
        (placement.offset, placement.forward),
        xytext=(0, 8),
        textcoords="offset points",
        ha="center",
        fontsize=style.SMALL,
    )


def residual_figure(registration: Registration, note: str) -> Figure:
    """Draw every residual, by step, tower and target, in standard deviations."""
    model = registration.model
    together = registration.residuals
    handles: list[Artist] = [
        Line2D(
            [],
            [],
            color=style.OKABE_ITO[k],
            marker=style.MARKERS[k],
            linestyle="none",
            label=f"{tower} tower, target {end}",
        )
        for k, (tower, end) in enumerate(SIGHTS)
        if any(s.tower == tower and s.end == end for _, s, _ in model.sights)
    ]
    beyond = (
        "95 % of those that noise alone leaves; chi-square allows for errors of cameras and sizes"
        if registration.shifts.size
        else "95 % of good residuals"
    )
    page = Page(
        "Residuals of the registration",
        f"chi-square {registration.chi_square:.1f} with {registration.degrees} degrees of "
        f"freedom, p = {registration.p_value:.2g}",
        "Found minus predicted, over the claimed noise's standard deviation; between the dashed "
        f"lines lie {beyond}.\n{note}",
        3.6,
        handles,
    )
    axes = page.axes(Box(0.75, 0.1, page.width - 0.95, 3.0))
    for step, sight, rows in model.sights:
        k = SIGHTS.index((sight.tower, sight.end))
        places = step + 1 + 0.18 * (k - 1.5) + np.linspace(-0.06, 0.06, len(rows))
        axes.plot(
            places,
            together[rows],
            style.MARKERS[k],
            color=style.OKABE_ITO[k],
            markersize=3.5,
            alpha=0.8,
        )
    for level in (-1.96, 1.96):
        axes.axhline(level, color=style.MUTED, linewidth=0.8, linestyle="--")
    axes.axhline(0.0, color=style.MUTED, linewidth=0.8)
    axes.set_xlim(0.5, len(model.steps) + 0.5)
    axes.set_xticks(range(1, len(model.steps) + 1))
    axes.set_xlabel("step")
    axes.set_ylabel("residual, standard deviations")
    return page.figure
