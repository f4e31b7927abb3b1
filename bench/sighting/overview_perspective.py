"""The bay in perspective, with view cones and sight lines drawn over it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.patheffects import withStroke

from bench.draw import style
from bench.draw.page_layout import Box, Page
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project_camera, ray
from bench.geometry.pose import Pose
from bench.scene.model import Bay, Tower
from bench.scene.sight import Scenery, first_hits, pack
from bench.scene.solids import Solid
from bench.scene.vehicle import Station, Vehicle
from bench.sighting.overview import CONES
from bench.sighting.view_table import Seen, verdict
from bench.typing import Array

SIZE = (1455, 900)  # pixels: the page's width less its margins at its own dots
FOCAL = 1250.0  # pixels
AZIMUTH, ELEVATION = math.radians(-48.0), math.radians(32.0)  # of the eye, from +x toward +y
LINE_STEPS = 60  # along a sight line
GAMMA = 1.0 / 2.2  # screens aren't linear


def onlooker(bay: Bay, vehicle: Vehicle, station: Station) -> tuple[Pose, Camera]:
    """Return an eye that has towers and vehicle in view, from ahead, above and the right."""
    body = vehicle.body
    tail = station.standoff + vehicle.wheelbase + body.rear_overhang
    span = max(abs(t.placement.offset) for t in bay.towers) + 0.5
    middle = np.array([-0.5 * tail + 0.2, 0.0, 0.3 + station.lift])
    way = np.array(
        [
            math.cos(ELEVATION) * math.cos(AZIMUTH),
            math.cos(ELEVATION) * math.sin(AZIMUTH),
            math.sin(ELEVATION),
        ]
    )
    corners = np.array(
        [
            [x, y, z]
            for x in (0.4, -tail)
            for y in (-span, span)
            for z in (0.0, station.lift + body.height)
        ]
    )
    camera = Camera(*SIZE, FOCAL, FOCAL, 0.5 * SIZE[0] - 0.5, 0.5 * SIZE[1] - 0.5)
    distance = 4.0
    while distance < 200.0:  # step back until all of it is in the picture
        eye = look_at(middle + distance * way, middle)
        seen = eye.inverse() @ corners
        if np.all(seen[:, 2] > 0.1) and camera.contains(project_camera(seen, camera), 25.0):
            break
        distance *= 1.05
    return eye, camera


def look_at(eye: Array, point: Array) -> Pose:
    """Return the pose of an upright camera at `eye` that looks at a point."""
    forward = (point - eye) / np.linalg.norm(point - eye)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    return Pose(np.column_stack((right, np.cross(forward, right), forward)), eye)


def perspective_figure(
    bay: Bay,
    seen: Sequence[Seen],
    solids: Sequence[Solid],
    colour: Array,
    onlooker: tuple[Pose, Camera],
    title: str,
    note: str,
) -> Figure:
    """Draw view cones and sight lines over a rendered overview.

    Parameters
    ----------
    bay : Bay
        What is drawn.
    seen : sequence of Seen
        All towers' views of the vehicle that is drawn.
    solids : sequence of Solid
        What was rendered: sight lines are faint behind it.
    colour : (H, W, 3) float64
        The rendered overview, linear, 0 to 1.
    onlooker : (Pose, Camera)
        What it was rendered from.
    title, note : str
        Heading and end of the caption.
    """
    width = style.WIDTH - 0.3
    height = width * SIZE[1] / SIZE[0]
    caption = (
        "View cones are cut off at the farthest target of each tower and drawn over all else; "
        f"sight lines are dotted where something is before them. Walls are left out. {note}"
    )
    page = Page(title, verdict(seen, "on their tower's side"), caption, height)
    axes = page.axes(Box(0.0, 0.0, width, height))
    axes.imshow(np.clip(colour, 0.0, 1.0) ** GAMMA)
    axes.set(xlim=(-0.5, SIZE[0] - 0.5), ylim=(SIZE[1] - 0.5, -0.5), xticks=[], yticks=[])
    T_bay_eye, camera = onlooker
    T_eye_bay = T_bay_eye.inverse()
    scenery = pack(solids)
    for index, tower in enumerate(bay.towers):
        mine = [one for one in seen if one.tower.name == tower.name]
        hue = CONES[index % len(CONES)]
        _cone(axes, tower, mine, T_eye_bay, camera, hue)
        _label(axes, T_eye_bay, camera, tower.T_bay_camera.translation, f"{tower.name} tower", -22)
    for one in seen:
        ends = np.stack((one.tower.T_bay_camera.translation, one.wheel.T_bay_target.translation))
        _sight_line(axes, one, ends, T_bay_eye, camera, scenery)
        words = f"{one.wheel.name} {style.percent(one.visibility.fraction)} %"
        _label(axes, T_eye_bay, camera, ends[1], words, 26)
    return page.figure


def frustum(tower: Tower, depth: float) -> Array:
    """Return the corners (5, 3) of what a camera sees to a depth: its centre, then the far end."""
    camera = tower.camera
    right, bottom = camera.width - 0.5, camera.height - 0.5
    corners = np.array([[-0.5, -0.5], [right, -0.5], [right, bottom], [-0.5, bottom]])
    rays = ray(corners, camera)
    far = rays / rays[:, 2:] * depth
    return tower.T_bay_camera @ np.vstack((np.zeros(3), far))


def _cone(
    axes: Axes, tower: Tower, seen: Sequence[Seen], T_eye_bay: Pose, camera: Camera, hue: str
) -> None:
    T_camera_bay = tower.T_bay_camera.inverse()
    depths = [(T_camera_bay @ one.wheel.T_bay_target.translation)[2] for one in seen]
    try:
        corners = frustum(tower, max([1.0, *depths]))
    except GeometryError:
        return  # the frame's corners lie outside the lens model
    points = _project(T_eye_bay, camera, corners)
    if points is None:
        return
    for i in range(4):
        side = points[[0, 1 + i, 1 + (i + 1) % 4]]
        axes.add_patch(Polygon(side, facecolor=hue, alpha=0.06, edgecolor="none"))
        axes.plot(*points[[0, 1 + i]].T, color=hue, lw=1.1)
    axes.add_patch(Polygon(points[1:], fill=False, edgecolor=hue, lw=1.4))


def _sight_line(
    axes: Axes, one: Seen, ends: Array, T_bay_eye: Pose, camera: Camera, scenery: Scenery
) -> None:
    """Draw a sight line, faint where something is before it."""
    shares = np.linspace(0.0, 1.0, 2 * LINE_STEPS + 1)[:, None]
    places = ends[0] + shares * (ends[1] - ends[0])
    points = _project(T_bay_eye.inverse(), camera, places)
    if points is None:
        return
    eye = np.broadcast_to(T_bay_eye.translation, places.shape)
    hits = first_hits(eye, places, scenery, np.arange(len(scenery.names)))
    own = (f"{one.tower.name} tower", f"{one.wheel.name} target")
    free = np.array([hit < 0 or scenery.names[hit] in own for hit in hits])
    colour = "white" if one.enough else style.OKABE_ITO[4]
    axes.plot(
        *points.T, color=colour, lw=0.9, alpha=0.6, ls=":",
        path_effects=[withStroke(linewidth=1.6, foreground="black", alpha=0.35)],
    )  # fmt: skip
    shown = np.where(free[:, None], points, np.nan)
    axes.plot(
        *shown.T, color=colour, lw=1.4, ls="-" if one.enough else "--",
        path_effects=[withStroke(linewidth=2.8, foreground="black")],
    )  # fmt: skip


def _project(T_eye_bay: Pose, camera: Camera, points: Array) -> Array | None:
    try:
        return project_camera(T_eye_bay @ points, camera)
    except GeometryError:
        return None


def _label(
    axes: Axes, T_eye_bay: Pose, camera: Camera, point: Array, words: str, down: float
) -> None:
    place = _project(T_eye_bay, camera, point[None])
    if place is not None:
        axes.text(
            place[0, 0], place[0, 1] + down, words, color="white", fontsize=style.SMALL,
            ha="center", va="center", clip_on=True,
            path_effects=[withStroke(linewidth=2.5, foreground="black")],
        )  # fmt: skip
