"""The bay from above: towers with what their cameras cover, a vehicle, obstacles, sight lines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import scipy
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon, Rectangle
from matplotlib.patheffects import withStroke

from bench.draw import style
from bench.draw.labels import Labels
from bench.draw.page_layout import Box, Page
from bench.errors import GeometryError
from bench.geometry.camera import ray
from bench.scene.model import Bay, Tower
from bench.scene.solids import Solid, bay_solids
from bench.scene.vehicle import Station, Vehicle
from bench.sighting.view_table import SIDE, Seen, verdict
from bench.typing import Array

FILLS = {
    "column": "#3b5b7a", "camera": "#222222", "paint": "#cfd6dd", "tyre": "#333333",
    "target": "#D55E00", "box": "#c9b08a", "post": "#d9b24a", "mesh": "#b8b8b0",
}  # fmt: skip
SIDE_STEPS = 12  # along each edge of the frame
CONES = (style.OKABE_ITO[0], style.OKABE_ITO[2], style.OKABE_ITO[3])
TALLEST = 7.5  # inches


def plan_figure(
    bay: Bay, vehicle: Vehicle, station: Station, seen: Sequence[Seen], note: str
) -> Figure:
    """Draw the bay from above, the towers on the right, to scale.

    Parameters
    ----------
    bay, vehicle, station : Bay, Vehicle, Station
        What is drawn.
    seen : sequence of Seen
        All towers' views of this vehicle at this station.
    note : str
        Ends the caption.
    """
    solids = bay_solids(bay, vehicle, station)
    floor = np.vstack([s.vertices[:, :2] for s in solids if s.kind in ("floor", "wall")])
    (x0, y0), (x1, y1) = floor.min(axis=0) - 0.15, floor.max(axis=0) + 0.15
    width = style.WIDTH - 0.3 - 0.6
    height = min(width * (y1 - y0) / (x1 - x0), TALLEST)
    width = height * (x1 - x0) / (y1 - y0)
    page = Page(
        f"{bay.name} from above: {vehicle.name} at {station.name}",
        verdict(seen, SIDE),
        "To scale. Shaded: what each camera covers at the height of the targets it looks at, "
        f"walls left out. {note}",
        height + 0.5,
        _handles(bay, seen),
    )
    axes = page.axes(Box(0.5 + 0.5 * (page.body_width - 0.6 - width), 0.0, width, height))
    axes.set(xlim=(x0, x1), ylim=(y0, y1), aspect="equal", xlabel="along the bay, m")
    axes.set_ylabel("across, to the vehicle's left, m")
    labels = Labels(axes, (width, height))
    for drawn in _ground(axes, bay, solids):
        labels.avoid(drawn)
    ground = np.vstack([s.vertices[:, :2] for s in solids if s.kind == "floor"])
    inside = _box(*ground.min(axis=0), *ground.max(axis=0))
    room = Polygon(inside, transform=axes.transData)
    for tower, colour in zip(bay.towers, _colours(bay), strict=True):
        cone = cover(tower, _target_height(seen, tower), x1 - x0)
        patch = Polygon(cone, facecolor=colour, alpha=0.13, edgecolor="none", zorder=1.5)
        axes.add_patch(patch)
        patch.set_clip_path(room)
        edge = np.vstack((cone, cone[:1]))
        labels.avoid(edge)
        line = axes.plot(*edge.T, color=colour, lw=0.8, zorder=1.6)[0]
        line.set_clip_path(room)
    for solid in solids:
        if solid.kind in FILLS:
            labels.avoid(_footprint(axes, solid))
    named: list[tuple[Sequence[float], str]] = []
    for one in seen:
        a, b = one.tower.T_bay_camera.translation, one.wheel.T_bay_target.translation
        colour = style.INK if one.enough else style.OKABE_ITO[1]
        axes.plot(
            [a[0], b[0]], [a[1], b[1]], color=colour, lw=1.0 if one.enough else 1.8,
            ls="-" if one.enough else "--", zorder=4,
        )  # fmt: skip
        labels.avoid(np.stack((a[:2], b[:2])))
        words = f"{one.wheel.name} {style.percent(one.visibility.fraction)} %"
        named.append(((float(b[0]), float(b[1])), words))
    for tower in bay.towers:
        x, y, _ = tower.T_bay_camera.translation
        named.append(((x + 0.2, y), f"{tower.name} tower"))
    named += _obstacle_names(bay, solids)
    for place, words in named:
        labels.put(place, words)
    return page.figure


def cover(tower: Tower, height: float, reach: float) -> Array:
    """Return the outline (N, 2) of what a camera covers at a height, as far as `reach`, metres.

    Where its rays run upwards or level they end at `reach`.
    """
    camera = tower.camera
    u = np.linspace(-0.5, camera.width - 0.5, SIDE_STEPS)
    v = np.linspace(-0.5, camera.height - 0.5, SIDE_STEPS)
    edge = np.concatenate(
        (
            np.column_stack((u, np.full(SIDE_STEPS, v[0]))),
            np.column_stack((np.full(SIDE_STEPS, u[-1]), v)),
            np.column_stack((u[::-1], np.full(SIDE_STEPS, v[-1]))),
            np.column_stack((np.full(SIDE_STEPS, u[0]), v[::-1])),
        )
    )
    try:
        directions = ray(edge, camera) @ tower.T_bay_camera.rotation.T
    except GeometryError:  # the frame's corners lie outside the lens model
        directions = ray(0.5 * (edge + edge.mean(axis=0)), camera) @ tower.T_bay_camera.rotation.T
    eye = tower.T_bay_camera.translation
    fall = eye[2] - height
    down = -directions[:, 2] if fall > 0.0 else directions[:, 2]
    level = np.linalg.norm(directions[:, :2], axis=1)
    with np.errstate(divide="ignore"):
        distance = np.where(down > 1e-9, abs(fall) / np.maximum(down, 1e-9) * level, reach)
    distance = np.minimum(distance, reach)
    points: Array = eye[:2] + directions[:, :2] / level[:, None] * distance[:, None]
    return points


def _target_height(seen: Sequence[Seen], tower: Tower) -> float:
    heights = [s.wheel.T_bay_target.translation[2] for s in seen if s.tower.name == tower.name]
    return float(np.mean(heights)) if heights else 0.0


def _colours(bay: Bay) -> list[str]:
    return [CONES[i % len(CONES)] for i in range(len(bay.towers))]


def _handles(bay: Bay, seen: Sequence[Seen]) -> list[Line2D | Patch]:
    handles: list[Line2D | Patch] = [
        Patch(
            facecolor=colour, alpha=0.3, edgecolor=colour, label=f"seen by the {tower.name} camera"
        )
        for tower, colour in zip(bay.towers, _colours(bay), strict=True)
    ]
    handles.append(Line2D([], [], color=style.INK, label="sight line"))
    if any(not one.enough for one in seen):
        handles.append(
            Line2D([], [], color=style.OKABE_ITO[1], lw=1.8, ls="--", label="not seen enough")
        )
    handles.append(Patch(facecolor=FILLS["target"], label="target"))
    return handles


def _box(x0: float, y0: float, x1: float, y1: float) -> Array:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _ground(axes: Axes, bay: Bay, solids: Sequence[Solid]) -> list[Array]:
    """Draw floor, centre line and tower line; return the lines."""
    (floor,) = (s for s in solids if s.kind == "floor")
    low, high = floor.vertices.min(axis=0), floor.vertices.max(axis=0)
    axes.add_patch(
        Rectangle(
            (low[0], low[1]), high[0] - low[0], high[1] - low[1], facecolor="#f4f4f2",
            edgecolor=style.INK if bay.surroundings.room else style.FAINT,
            lw=2.5 if bay.surroundings.room else 0.8, zorder=0,
        )
    )  # fmt: skip
    centre: dict[str, Any] = {"color": style.MUTED, "lw": 0.7, "zorder": 1}
    axes.plot([low[0], high[0]], [0.0, 0.0], ls=(0, (12, 3, 2, 3)), **centre)
    axes.plot([0.0, 0.0], [low[1], high[1]], ls=(0, (6, 3)), **centre)
    _name(axes, 0.06, low[1] + 0.25, "tower line", ha="left", colour=style.MUTED)
    _name(axes, low[0] + 0.2, 0.14, "centre line", ha="left", colour=style.MUTED)
    return [np.array([(low[0], 0.0), (high[0], 0.0)]), np.array([(0.0, low[1]), (0.0, high[1])])]


def _footprint(axes: Axes, solid: Solid) -> Array:
    """Draw what a solid covers of the floor; return its outline."""
    points = solid.vertices[:, :2]
    hull = points[scipy.spatial.ConvexHull(points, qhull_options="QJ").vertices]
    order = 2.5 if solid.kind == "tyre" else 3.5 if solid.kind == "target" else 2.0
    axes.add_patch(
        Polygon(
            hull, facecolor=FILLS[solid.kind], zorder=order,
            edgecolor=FILLS["target"] if solid.kind == "target" else style.INK,
            lw=2.2 if solid.kind == "target" else 0.6,  # a plate is thin from above
            alpha=0.75 if solid.kind == "paint" else 1.0,
        )
    )  # fmt: skip
    return np.vstack((hull, hull[:1]))


def _obstacle_names(bay: Bay, solids: Sequence[Solid]) -> list[tuple[Sequence[float], str]]:
    """Return where obstacles' names belong: at the side that is nearer to the centre line."""
    named: list[tuple[Sequence[float], str]] = []
    for obstacle in bay.surroundings.obstacles:
        points = np.vstack([s.vertices for s in solids if s.name == obstacle.name])
        x, across = points[:, 0].mean(), points[:, 1]
        y = across.max() if across.mean() < 0.0 else across.min()
        named.append(((float(x), float(y)), obstacle.name))
    return named


def _name(
    axes: Axes, x: float, y: float, words: str, ha: str = "center", colour: str = style.INK
) -> None:
    axes.text(
        x, y, words, fontsize=style.SMALL, color=colour, ha=ha, va="center", zorder=6,
        clip_on=True, path_effects=[withStroke(linewidth=2.5, foreground="white")],
    )  # fmt: skip
