"""The part of a picture that shows a target's face, ready to be fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.imaging.appearance import PARAMETERS, moved_light, predict_image
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.picture import Picture, Region
from bench.imaging.pixels import EVERY, choose_pixels, face_mask
from bench.imaging.region import region_of
from bench.imaging.sensor import mean_dn
from bench.solve.image_fit import ImageFit, Scene
from bench.solve.noise import Noise
from bench.targets.drawing import Disc, Drawing
from bench.typing import Array, BoolArray

# How far boundaries may move, and by what factor the blur may grow, from where pixels were
# chosen before they are chosen anew.
SLACK_PX, SLACK_BLUR = 1.5, 1.05
# The least blur by which pixels count as near a boundary.
NEAR_BLUR_PX = 0.7
# Pixels are chosen anew, too, where the found blur is sharper and allows so many times as many
# near boundaries: those between a small marker and the edge of its plate. Where that is as wide
# as here, boundaries are out of question.
WORTH_IT = 1.02
QUIET_PX = 6.0
# How far below saturation a grey value must be expected to count, in standard deviations: of a
# Gaussian clipped there the mean is off by 0.8 % of one.
HEADROOM_SIGMAS = 2.0
# Pixels for each parameter below which a picture isn't asked.
PIXELS_PER_PARAMETER = 4


@dataclass(frozen=True, eq=False)
class Face:
    """A scene, and what its pixels were chosen by.

    Attributes
    ----------
    scene : Scene
        The pixels that count.
    pose : Pose
        Where the face was expected.
    blur_px : float
        Blur expected.
    saturated : bool
        Whether pixels were left out because they are bright, without knowing how bright they
        should be: those that noise made bright are missing, and the rest is biased.
    """

    scene: Scene
    pose: Pose
    blur_px: float
    saturated: bool


def face_of(observation: Observation, pose: Pose, blur_px: float, noise: Noise) -> Face:
    """Return the pixels that show the face, from a rough pose.

    Raises
    ------
    GeometryError
        The face has no image, or none inside the picture.
    numpy.linalg.LinAlgError
        Too few pixels count.
    """
    region = _region(observation, pose)
    grey = _grey(observation.picture, region)
    bright = grey >= ceiling_of(observation, noise)
    return _face(observation, pose, blur_px, region, bright)


def face_after(observation: Observation, face: Face, fit: ImageFit, noise: Noise) -> Face:
    """Return the pixels chosen by what a fit found, or the same face if that changes nothing.

    Saturation is told from the prediction, so that no choice depends on a pixel's noise.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        As `face_of`.
    """
    moved = _moved_px(observation, face.pose, fit.pose) > SLACK_PX
    needed = moved or face.saturated or fit.blur_px > SLACK_BLUR * face.blur_px
    if not needed and _quiet_px(observation, fit.pose) > QUIET_PX:
        return face
    region = _region(observation, fit.pose)
    bright = _expected(observation, face, fit, region) >= ceiling_of(observation, noise)
    again = _face(observation, fit.pose, fit.blur_px, region, bright)
    if needed or again.scene.pixels.near > WORTH_IT * face.scene.pixels.near:
        return replace(again, saturated=False)
    return face


def _expected(observation: Observation, face: Face, fit: ImageFit, region: Region) -> Array:
    """Return the grey values (H, W) that a fit expects."""
    drawing = observation.target.drawing
    chords = project_chords(drawing, fit.pose, observation.camera)
    reflectance = blurred_image(chords, drawing.background, fit.blur_px, region)
    return predict_image(reflectance, moved_light(fit.light, face.scene.pixels.region, region))


def _face(
    observation: Observation, pose: Pose, blur_px: float, region: Region, bright: BoolArray
) -> Face:
    drawing, camera = observation.target.drawing, observation.camera
    mask = face_mask(drawing, pose, camera, blur_px, region)
    saturated = bool(np.any(bright & mask))
    mask &= ~bright
    if np.count_nonzero(mask) < PIXELS_PER_PARAMETER * PARAMETERS:
        raise np.linalg.LinAlgError("too few pixels show the face")
    reach = max(blur_px, NEAR_BLUR_PX)
    # where noise is to be learnt from flat pixels, all are wanted
    every = 1 if observation.linear_sensor is None else EVERY
    pixels = choose_pixels(
        drawing, pose, camera, reach, region, mask, slack_px=SLACK_PX, every=every
    )
    grey = pixels.of(_grey(observation.picture, region))
    return Face(Scene(drawing, camera, pixels, grey), pose, blur_px, saturated)


def _region(observation: Observation, pose: Pose) -> Region:
    region = region_of(observation.target.drawing, pose, observation.camera, 1.0)
    own = observation.picture.region
    u0, v0 = max(region.u0, own.u0), max(region.v0, own.v0)
    width = min(region.u0 + region.width, own.u0 + own.width) - u0
    height = min(region.v0 + region.height, own.v0 + own.height) - v0
    if width < 1 or height < 1:
        raise GeometryError("the target's face lies outside the picture")
    return Region(u0, v0, width, height)


def _grey(picture: Picture, region: Region) -> Array:
    top, left = region.v0 - picture.v0, region.u0 - picture.u0
    part = picture.grey[top : top + region.height, left : left + region.width]
    return part.astype(np.float64)


def ceiling_of(observation: Observation, noise: Noise) -> float:
    """Return the grey value from which on saturation clips noise."""
    ceiling = float(observation.picture.full_scale)
    if observation.linear_sensor is not None:
        ceiling = min(ceiling, float(mean_dn(np.array([np.inf]), observation.linear_sensor)[0]))
    variance = float(noise.variance(np.array([ceiling]))[0])
    return ceiling - HEADROOM_SIGMAS * float(np.sqrt(variance))


def _moved_px(observation: Observation, before: Pose, after: Pose) -> float:
    """Return how far the plate's corners are from where they were, pixels, at most."""
    corners = observation.target.drawing.outline
    way = _project(corners, after, observation) - _project(corners, before, observation)
    return float(np.max(np.hypot(way[:, 0], way[:, 1])))


def _quiet_px(observation: Observation, pose: Pose) -> float:
    """Return about how near to its plate's edge anything is drawn, pixels."""
    drawing = observation.target.drawing
    sides = 0.5 * np.array([[drawing.width, 0.0], [0.0, drawing.height]])
    outer = np.vstack((sides, -sides))
    inner = outer - _quiet_zone(drawing) * np.sign(outer)
    way = _project(outer, pose, observation) - _project(inner, pose, observation)
    return float(np.min(np.hypot(way[:, 0], way[:, 1])))


@lru_cache(maxsize=256)
def _quiet_zone(drawing: Drawing) -> float:
    """Return how near to its plate's edge anything is drawn, metres."""
    half = 0.5 * np.array([drawing.width, drawing.height])
    gap = float(np.min(half))
    for shape in drawing.shapes[1:]:
        if isinstance(shape, Disc):
            far = np.abs([shape.x, shape.y]) + shape.radius
        else:
            far = np.max(np.abs(np.vstack(shape.rings)), axis=0)
        gap = min(gap, float(np.min(half - far)))
    return gap


def _project(xy: Array, pose: Pose, observation: Observation) -> Array:
    return project(np.column_stack((xy, np.zeros(len(xy)))), pose, observation.camera)
