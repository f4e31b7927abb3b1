"""The bay in three dimensions as a camera sees it: vehicle, targets, room, light, shadows.

Triangles are drawn by OpenGL as a pinhole sees them, several times finer than the pixels, and
resampled by the lens's distortion; sub-pixels are averaged. Targets are drawn as the triangles
of their drawings. All lies where the planar path has it: both use the same camera model.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from bench.errors import GeometryError
from bench.geometry.camera import Camera, normalise
from bench.geometry.lens_models import BROWN
from bench.geometry.pose import Pose
from bench.imaging.picture import Picture, Region
from bench.imaging.sensor import expose
from bench.render.drawing_mesh import shape_triangles
from bench.render.gl import Drawer, drawer
from bench.render.light import Light, Lit, light_up
from bench.scene.model import Bay, Tower
from bench.scene.solids import Solid
from bench.scene.vehicle import Wheel
from bench.targets.target import Target
from bench.typing import Array, IntArray

# Each shape of a drawing is drawn nearer to the eye by that share than the one before, which
# moves nothing in the picture; a depth buffer of 24 bits tells 1e-5 apart at 50 m.
LAYER = 4e-5
NEAR, FAR = 0.2, 200.0  # of what is drawn, metres
TILE = 1536  # largest side of what is drawn at once, sub-pixels
COARSE = 16  # pixels between places where the lens model is inverted; linear between them
COARSE_WIDE = 2
MAX_CANVAS = 8192  # sub-pixels along a side of what a pinhole draws: of OpenGL's software too
LUMINANCE = (0.2126, 0.7152, 0.0722)  # of red, green and blue, ITU-R BT.709
TARGET_FINENESS = 4  # cells of light along a plate's side


@dataclass(frozen=True, eq=False)
class LitTarget:
    """A target on its wheel with the light on its plate.

    Attributes
    ----------
    target : Target
        What is drawn on it.
    T_bay_target : Pose
        Where.
    light : float
        That falls on it, the mean over its plate.
    """

    target: Target
    T_bay_target: Pose
    light: float


@dataclass(frozen=True, eq=False)
class LitScene:
    """A bay ready to be drawn from anywhere: lit triangles, and targets."""

    lit: Lit
    targets: tuple[LitTarget, ...]


def lit_scene(solids: Sequence[Solid], bay: Bay, wheels: Sequence[Wheel]) -> LitScene:
    """Return solids and the targets of wheels, lit by lamps so that targets get 1 on average."""
    light = Light(bay.surroundings.lamps, tuple(solids))
    carried = [bay.target_of(wheel.name) for wheel in wheels]
    falls = [
        _on_plate(light, target, wheel.T_bay_target)
        for target, wheel in zip(carried, wheels, strict=True)
    ]
    mean = float(np.mean(falls)) if falls else 1.0
    light = replace(light, scale=1.0 / mean if mean > 0.0 else 1.0)
    targets = tuple(
        LitTarget(target, wheel.T_bay_target, fall * light.scale)
        for target, wheel, fall in zip(carried, wheels, falls, strict=True)
    )
    return LitScene(light_up(solids, light), targets)


def _on_plate(light: Light, target: Target, T_bay_target: Pose) -> float:
    half = (np.arange(TARGET_FINENESS) + 0.5) / TARGET_FINENESS - 0.5
    x, y = np.meshgrid(half * target.drawing.width, half * target.drawing.height)
    points = T_bay_target @ np.column_stack((x.ravel(), y.ravel(), np.zeros(x.size)))
    normals = np.broadcast_to(T_bay_target.rotation[:, 2], points.shape)
    return float(np.mean(light.at(points, normals)))


def view_triangles(scene: LitScene, T_bay_camera: Pose) -> tuple[Array, Array]:
    """Return all triangles (F, 3, 3) in a camera's frame, metres, and their colours."""
    T_camera_bay = T_bay_camera.inverse()
    triangles, colours = [T_camera_bay @ scene.lit.triangles], [scene.lit.colours]
    for one in scene.targets:
        if (
            one.T_bay_target.rotation[:, 2]
            @ (T_bay_camera.translation - one.T_bay_target.translation)
            <= 0.0
        ):
            continue  # seen from behind
        T_camera_target = T_camera_bay @ one.T_bay_target
        for layer, (flat, reflectance) in enumerate(shape_triangles(one.target.drawing), 1):
            face = np.concatenate((flat, np.zeros((*flat.shape[:2], 1))), axis=2)
            triangles.append((T_camera_target @ face) * (1.0 - LAYER * layer))
            colours.append(np.full(face.shape, reflectance * one.light))
    return np.concatenate(triangles), np.concatenate(colours)


def draw_view(
    scene: LitScene,
    T_bay_camera: Pose,
    camera: Camera,
    region: Region,
    level: float = 1.0,
    fineness: int = 2,
    background: float = 0.0,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> NDArray[np.float32]:
    """Return the light on each pixel of a region (H, W, 3), 1 where a full pixel is.

    Parameters
    ----------
    scene : LitScene
        What is seen.
    T_bay_camera, camera : Pose, Camera
        From where and through what lens.
    region : Region
        Which pixels.
    level : float
        How full of light a white target's pixel is.
    fineness : int
        Sub-pixels along a pixel's side; OpenGL adds four samples to each.
    background : float
        Light where nothing is.
    progress : callable
        Told which of how many tiles is done.

    Raises
    ------
    RenderError
        Nothing on this machine draws off-screen.
    GeometryError
        A pixel lies outside the lens model's domain, or too far aside.
    """
    triangles, colours = view_triangles(scene, T_bay_camera)
    right, bottom = region.u0 + region.width, region.v0 + region.height
    side = TILE // fineness
    tiles = [
        Region(u, v, min(side, right - u), min(side, bottom - v))
        for v in range(region.v0, bottom, side)
        for u in range(region.u0, right, side)
    ]
    maps = [_canvas_map(camera, tile, fineness) for tile in tiles]
    # one canvas fits what any tile needs
    width, height = np.max([size for _, _, size in maps], axis=0)
    if max(width, height) > MAX_CANVAS:
        raise GeometryError(
            "the lens looks too far aside for a picture in three dimensions, which is drawn "
            f"through a pinhole: {max(width, height)} sub-pixels wide, at most {MAX_CANVAS}"
        )
    picture = np.empty((region.height, region.width, 3), dtype=np.float32)
    with drawer(triangles, level * colours, (int(width), int(height)), background) as pinhole:
        for done, (tile, (where, low, _)) in enumerate(zip(tiles, maps, strict=True), 1):
            v, u = tile.v0 - region.v0, tile.u0 - region.u0
            part = picture[v : v + tile.height, u : u + tile.width]
            part[:] = _draw_tile(pinhole, camera, where, low, fineness)
            progress(done, len(tiles))
    return picture


def _draw_tile(
    pinhole: Drawer, camera: Camera, where: NDArray[np.float32], low: Array, fineness: int
) -> NDArray[np.float32]:
    """Draw one tile: as a pinhole has it, through the lens, sub-pixels averaged."""
    fx, fy = fineness * camera.fx, fineness * camera.fy
    canvas = pinhole.draw(fx, fy, -low[0], -low[1], NEAR, FAR)
    fine: NDArray[np.float32] = cv2.remap(canvas, where, None, cv2.INTER_LINEAR).astype(np.float32)
    if fineness > 1:
        size = (fine.shape[1] // fineness, fine.shape[0] // fineness)
        fine = np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), np.float32)
    return np.divide(fine, 255.0, out=fine)


# the last few stay, for towers with the same camera and for their next picture
@lru_cache(maxsize=8)
def _canvas_map(
    camera: Camera, tile: Region, fineness: int
) -> tuple[NDArray[np.float32], Array, IntArray]:
    """Return where a tile's sub-pixels (h·f, w·f, 2) lie on a pinhole's canvas.

    And the canvas's corner, sub-pixels from the axis, and its size, with room for the reach of
    resampling.
    """
    at = _sub_pixels(camera, tile, fineness) * (fineness * np.array([camera.fx, camera.fy]))
    low = np.floor([at[..., k].min() for k in (0, 1)]) - 2.0
    high = np.ceil([at[..., k].max() for k in (0, 1)]) + 3.0
    return (at - low).astype(np.float32), low, (high - low).astype(np.int64)


def _sub_pixels(camera: Camera, tile: Region, fineness: int) -> Array:
    """Return undistorted normalised coordinates (h·f, w·f, 2) of a tile's sub-pixel centres.

    The lens model is inverted every `COARSE` pixels. Between them the inverse is taken as
    linear, wrong by at most COARSE²/8 of its second derivative: below 0.002 px for a lens with
    10 % of distortion at the corners of a picture 2,000 px wide; for wide models every
    `COARSE_WIDE`, 0.01 px at 70 degrees from the axis of a fisheye lens of 400 px.
    """
    u = tile.u0 - 0.5 + (np.arange(tile.width * fineness) + 0.5) / fineness
    v = tile.v0 - 0.5 + (np.arange(tile.height * fineness) + 0.5) / fineness
    if not camera.has_distortion:
        x, y = np.meshgrid((u - camera.cx) / camera.fx, (v - camera.cy) / camera.fy)
        return np.stack((x, y), axis=-1)
    coarse = COARSE if camera.model == BROWN else COARSE_WIDE
    knots_u = np.linspace(u[0], u[-1], max(2, tile.width // coarse + 2))
    knots_v = np.linspace(v[0], v[-1], max(2, tile.height // coarse + 2))
    knots = normalise(np.stack(np.meshgrid(knots_u, knots_v), axis=-1), camera)
    across = np.stack([np.interp(u, knots_u, row) for row in np.eye(len(knots_u))], axis=1)
    down = np.stack([np.interp(v, knots_v, row) for row in np.eye(len(knots_v))], axis=1)
    return np.stack([down @ knots[..., k] @ across.T for k in (0, 1)], axis=-1)


def camera_picture(
    scene: LitScene,
    tower: Tower,
    rng: np.random.Generator,
    region: Region | None = None,
    fineness: int = 2,
) -> Picture:
    """Take a tower's picture: drawn, blurred by the lens's Gaussian, exposed by its sensor.

    Diffraction, defocus, motion and the bay's illumination gradient are left to the planar
    path; light here is that of the bay's lamps.

    Parameters
    ----------
    scene : LitScene
        What is seen.
    tower : Tower
        What sees it.
    rng : numpy.random.Generator
        Source of the sensor's noise.
    region : Region, optional
        Which pixels; all when left out.
    fineness : int
        As for `draw_view`, whose errors it raises.
    """
    camera, imaging = tower.camera, tower.imaging
    region = region or Region(0, 0, camera.width, camera.height)
    level = min(imaging.illumination.level, 1.0)
    colour = draw_view(scene, tower.T_bay_camera, camera, region, level, fineness)
    light = cv2.transform(colour, np.array([LUMINANCE])).astype(np.float64)
    sigma = imaging.optics.sigma_px
    if sigma > 0.0:
        light = scipy.ndimage.gaussian_filter(light, sigma, mode="nearest", truncate=5.0)
    light *= imaging.sensor.full_well  # electrons
    grey = expose(light, imaging.sensor, rng)
    return Picture(grey, region.u0, region.v0, imaging.sensor.full_scale)
