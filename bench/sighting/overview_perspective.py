"""The bay in perspective, with view cones and sight lines drawn over it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from bench.draw import style
from bench.draw.labels import Labels
from bench.draw.page_layout import Box, Page
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project_camera, ray
from bench.geometry.pose import Pose
from bench.scene.model import Bay, Tower
from bench.scene.sight import Scenery, first_hits, pack
from bench.scene.solids import Solid, bay_solids
from bench.scene.vehicle import Station, Vehicle
from bench.sighting.overview import CONES
from bench.sighting.view_table import SIDE, Seen, verdict
from bench.typing import Array

SIZE = (1455, 900)  # pixels: the page's width less its margins at its own dots
FOCAL = 2200.0  # pixels; long, so that near and far things keep their proportions
AZIMUTH, ELEVATION = math.radians(-58.0), math.radians(30.0)  # of the eye, from +x toward +y
BORDER = 25.0  # kept free around the floor, pixels
FARTHEST = 200.0  # of the eye, metres
SHOULDER = 0.3  # of light, from which it is softened
LINE_STEPS = 60  # along a sight line
GAMMA = 1.0 / 2.2  # screens aren't linear


def onlooker(bay: Bay, vehicle: Vehicle, station: Station) -> tuple[Pose, Camera]:
    """Return an eye that has the whole floor in view, from ahead, above and the right."""
    solids = bay_solids(bay, vehicle, station)
    floor = np.vstack([s.vertices for s in solids if s.kind == "floor"])
    top = max(s.vertices[:, 2].max() for s in solids if s.kind != "lamp")
    (x0, y0, _), (x1, y1, _) = floor.min(axis=0), floor.max(axis=0)
    grounded = [(x, y, 0.0) for x in (x0, x1) for y in (y0, y1)]
    # over the near corner nothing stands: its walls are left out
    corners = np.array([*grounded, (x0, y0, top), (x0, y1, top), (x1, y1, top)])
    middle = 0.5 * (corners.min(axis=0) + corners.max(axis=0))
    way = np.array(
        [
            math.cos(ELEVATION) * math.cos(AZIMUTH),
            math.cos(ELEVATION) * math.sin(AZIMUTH),
            math.sin(ELEVATION),
        ]
    )
    camera = Camera(*SIZE, FOCAL, FOCAL, 0.5 * SIZE[0] - 0.5, 0.5 * SIZE[1] - 0.5)
    distance, room = 4.0, np.array(SIZE) - 2.0 * BORDER
    while True:  # step back until all of it has room
        eye = look_at(middle + distance * way, middle)
        seen = eye.inverse() @ corners
        if np.all(seen[:, 2] > 0.1):
            pixels = project_camera(seen, camera)
            low, high = pixels.min(axis=0), pixels.max(axis=0)
            if np.all(high - low <= room) or distance > FARTHEST:
                break
        distance *= 1.05
    cx, cy = np.array([camera.cx, camera.cy]) + 0.5 * (np.array(SIZE) - 1.0 - low - high)
    return eye, replace(camera, cx=float(cx), cy=float(cy))


def seen_from(solids: Sequence[Solid], eye: Array) -> list[Solid]:
    """Return solids without lamps and without the walls that stand between eye and room."""
    floor = np.vstack([s.vertices for s in solids if s.kind == "floor"])
    middle = 0.5 * (floor.min(axis=0) + floor.max(axis=0))

    def is_between(wall: Solid) -> bool:
        low, high = wall.vertices.min(axis=0), wall.vertices.max(axis=0)
        centre = 0.5 * (low + high)
        thin = int(np.argmin(high - low))  # across it
        return bool((eye[thin] - centre[thin]) * (middle[thin] - centre[thin]) <= 0.0)

    return [s for s in solids if s.kind != "lamp" and not (s.kind == "wall" and is_between(s))]


def softened(light: Array) -> Array:
    """Return light in which what is too bright for a screen keeps its shape, up to 1.

    Below `SHOULDER` it is as it was; above, it nears 1 as x / (1 + x) does: slowly, so that a roof
    right under a lamp isn't one white patch.
    """
    room = 1.0 - SHOULDER
    above = np.maximum(light - SHOULDER, 0.0) / room
    bright = SHOULDER + room * above / (1.0 + above)
    return np.asarray(np.where(light > SHOULDER, bright, light))


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
    colour: NDArray[np.float32],
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
    colour : (H, W, 3) float32
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
        "sight lines are dotted where something is before them. Lamps, and walls before the bay, "
        f"are left out. {note}"
    )
    page = Page(title, verdict(seen, SIDE), caption, height)
    axes = page.axes(Box(0.0, 0.0, width, height))
    screen = np.uint8(np.round(255.0 * np.clip(colour, 0.0, 1.0) ** GAMMA))
    axes.imshow(screen, interpolation="nearest")  # as many dots as the page has
    axes.set(xlim=(-0.5, SIZE[0] - 0.5), ylim=(SIZE[1] - 0.5, -0.5), xticks=[], yticks=[])
    T_bay_eye, camera = onlooker
    T_eye_bay = T_bay_eye.inverse()
    scenery = pack(solids)
    labels = Labels(axes, (width, height), "white", "black")
    for index, tower in enumerate(bay.towers):
        mine = [one for one in seen if one.tower.name == tower.name]
        hue = CONES[index % len(CONES)]
        for line in _cone(axes, tower, mine, T_eye_bay, camera, hue):
            labels.avoid(line)
    named: list[tuple[Array, str]] = [
        (tower.T_bay_camera.translation, f"{tower.name} tower") for tower in bay.towers
    ]
    for one in seen:
        ends = np.stack((one.tower.T_bay_camera.translation, one.wheel.T_bay_target.translation))
        labels.avoid(_sight_line(axes, one, ends, T_bay_eye, camera, scenery))
        words = f"{one.wheel.name} {style.percent(one.visibility.fraction)} %"
        named.append((ends[1], words))
    for place, words in named:
        point = _project(T_eye_bay, camera, place[None])
        if point is not None:
            labels.put(point[0], words)
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
) -> list[Array]:
    """Draw what a tower's camera sees; return the lines drawn, in the picture."""
    T_camera_bay = tower.T_bay_camera.inverse()
    depths = [(T_camera_bay @ one.wheel.T_bay_target.translation)[2] for one in seen]
    try:
        corners = frustum(tower, max([1.0, *depths]))
    except GeometryError:
        return []  # the frame's corners lie outside the lens model
    points = _project(T_eye_bay, camera, corners)
    if points is None:
        return []
    for i in range(4):
        side = points[[0, 1 + i, 1 + (i + 1) % 4]]
        axes.add_patch(Polygon(side, facecolor=hue, alpha=0.06, edgecolor="none"))
        axes.plot(*points[[0, 1 + i]].T, color=hue, lw=1.1)
    axes.add_patch(Polygon(points[1:], fill=False, edgecolor=hue, lw=1.4))
    return [points[[1, 2, 3, 4, 1]], *(points[[0, k]] for k in (1, 2, 3, 4))]


def _sight_line(
    axes: Axes, one: Seen, ends: Array, T_bay_eye: Pose, camera: Camera, scenery: Scenery
) -> Array:
    """Draw a sight line, faint where something is before it; return it in the picture."""
    shares = np.linspace(0.0, 1.0, 2 * LINE_STEPS + 1)[:, None]
    places = ends[0] + shares * (ends[1] - ends[0])
    points = _project(T_bay_eye.inverse(), camera, places)
    if points is None:
        return np.empty((0, 2))
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
    return points


def _project(T_eye_bay: Pose, camera: Camera, points: Array) -> Array | None:
    try:
        return project_camera(T_eye_bay @ points, camera)
    except GeometryError:
        return None
