"""The picture that a bay's own camera takes of its own plate, as printed and used."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

import numpy as np

from bench.built.draws import Moment, OneBay, Sizes
from bench.built.face import face_factor, printed
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.illumination import illuminate
from bench.imaging.model import Imaging
from bench.imaging.optics import MIN_SIGMA_PX, Optics
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.imaging.sensor import expose
from bench.imaging.spread import spread_reflectance
from bench.render.planar import MARGIN_PX
from bench.solve.bounds import blur_of
from bench.targets.bend import Bend
from bench.targets.drawing import Drawing
from bench.targets.ink import inked
from bench.typing import Array


def built_picture(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    imaging: Imaging,
    sizes: Sizes,
    bay: OneBay,
    moment: Moment,
    rng: np.random.Generator,
    face: Drawing | None = None,
) -> Picture:
    """Take the picture of a target in a bay as built.

    Parameters
    ----------
    drawing, camera, imaging : Drawing, Camera, Imaging
        As drawn: what pipelines know.
    T_camera_target : Pose
        True.
    sizes, bay, moment : Sizes, OneBay, Moment
        What the bay is off by, and the picture's light and dirt.
    rng : numpy.random.Generator
        Source of the sensor's noise.
    face : Drawing, optional
        The bay's own plate with what else lies on it; by default `own_face`.

    Raises
    ------
    GeometryError
        No part of the plate is on the sensor.
    """
    own = _own_camera(camera, sizes, bay)
    region = region_of(drawing, T_camera_target, own, MARGIN_PX)
    electrons = built_electrons(
        drawing, T_camera_target, camera, imaging, sizes, bay, moment, region, face
    )
    grey = expose(electrons, imaging.sensor, rng)
    return Picture(grey, region.u0, region.v0, imaging.sensor.full_scale)


def built_electrons(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    imaging: Imaging,
    sizes: Sizes,
    bay: OneBay,
    moment: Moment,
    region: Region,
    face: Drawing | None = None,
    others: Iterable[tuple[Drawing, Pose]] = (),
) -> Array:
    """Return the mean photo-electrons (H, W) of `built_picture` in a region.

    `others` are plates beside the target, none over it or over each other: their steps add up.
    """
    own = _own_camera(camera, sizes, bay)
    optics = _own_optics(imaging.optics, bay)
    face = own_face(drawing, bay) if face is None else face
    reflectance = spread_reflectance(face, T_camera_target, own, optics, region)
    for other, pose in others:
        reflectance = reflectance + (
            spread_reflectance(other, pose, own, optics, region) - other.background
        )
    factor = face_factor(
        bay,
        moment,
        sizes.imperfections,
        T_camera_target,
        own,
        blur_of(optics, own, T_camera_target),
        region,
    )
    if factor is not None:
        factor *= reflectance
        reflectance = factor
    light = moment.light(imaging.illumination)
    filling = illuminate(reflectance, light, T_camera_target, own, region)
    np.maximum(filling, 0.0, out=filling)
    filling *= imaging.sensor.full_well
    return filling


@lru_cache(maxsize=512)
def _own_camera(camera: Camera, sizes: Sizes, bay: OneBay) -> Camera:
    return bay.camera_of(camera, sizes.modes)


# A bay's pictures follow each other in a survey: its plate is made once.
@lru_cache(maxsize=512)
def own_face(drawing: Drawing, bay: OneBay) -> Drawing:
    """Return a bay's own plate: as printed, with its ink, bent."""
    face = printed(inked(drawing, bay.ink), bay.scale, bay.aspect)
    return replace(face, bend=Bend(*map(float, bay.plate))) if np.any(bay.plate) else face


def _own_optics(optics: Optics, bay: OneBay) -> Optics:
    if optics.sigma_px == 0.0:
        return optics
    return replace(
        optics,
        sigma_px=max(optics.sigma_px * bay.blur, MIN_SIGMA_PX),
        field_sigma_px=math.hypot(optics.field_sigma_px, bay.blur_corner),
    )
