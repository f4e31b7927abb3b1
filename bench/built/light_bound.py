"""The least that paper, reflections and dirt take from a pose, whatever the pipeline.

Light's level, its gradient and an offset are unknown to the bound already, so that exposure and
gradient add nothing to it to first order. Paper and reflections are fields over the face whose
second moments the sizes give. A pipeline that knew these moments, but not the draw, could reach
the hybrid Cramér-Rao bound: the inverse of::

    [JᵀWJ       JᵀWB  ]
    [BᵀWJ   BᵀWB + I  ]

with B the picture's change by each of a field's modes at one standard deviation (Rockah and
Schultheiss 1987, doi:10.1109/TASSP.1987.1165144; the modes are Karhunen and Loève's). A
reflection lies in a share of pictures, which a pipeline can tell: variances are mixed by it. Real
pipelines do no better than that, and a plain fit of all pixels does far worse: a reflection of the
default size turns it by 0.08 deg at 2.5 m, tilt 30 deg, this bound by less than a thousandth.

Spots of dirt are smaller than what modes can describe, and few. Theirs is the mean square of
what they turn that best fit by, which takes no notice of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import scipy

from bench.built.face import BOX_VARIANCE
from bench.geometry.camera import Camera, face_places, point_jacobian
from bench.geometry.pose import Pose
from bench.imaging.appearance import POSE
from bench.imaging.model import Imaging
from bench.imaging.picture import Region
from bench.imaging.pixels import EVERY
from bench.scene.imperfections import Imperfections
from bench.solve.bounds import FaceFit, blur_of, face_fit
from bench.targets.drawing import Drawing
from bench.typing import Array

# Nodes over one correlation length: between them modes are cubic, which errs by 1e-5 of them.
NODES = 6
# A mode whose squared signal over noise, summed over the picture, is less than this changes
# nothing that the picture tells.
LEAST = 0.01
SMALLEST = 1e-12  # of a side's mean squares, over the largest: below is rounding
# Places of a spot, each way over the plate.
SPOTS = 12


def light_covariance(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    imaging: Imaging,
    sizes: Imperfections,
    region: Region,
) -> Array:
    """Return what (6, 6) a bay's light, paper and dirt add to the bound's covariance of (ω, τ).

    Parameters and errors as `bench.solve.bounds.image_bound`; `sizes` are the bay's.
    """
    fit = face_fit(drawing, T_camera_target, camera, imaging, region, EVERY)
    places = _places(fit, T_camera_target, camera)
    fields = [np.empty((len(places), 0))]
    if sizes.paper > 0.0:
        fields.append(paper_modes(fit, places, drawing, sizes))
    plain, _ = hybrid(fit, fields[0])
    best, estimator = hybrid(fit, np.hstack(fields))
    added = best - plain
    if sizes.reflection_share > 0.0 and sizes.reflection_level > 0.0:
        scale = imaging.sensor.system_gain * imaging.sensor.full_well
        seen = reflection_modes(fit, places, drawing, T_camera_target, sizes, scale)
        struck, _ = hybrid(fit, np.hstack((*fields, seen)))
        added = added + sizes.reflection_share * (struck - best)
    if sizes.dirt > 0.0 and sizes.dirt_depth > 0.0:
        sigma_px = blur_of(imaging.optics, camera, T_camera_target)
        shifts = estimator @ _spots(fit, places, drawing, T_camera_target, camera, sizes, sigma_px)
        # of a depth that is even from 0, the mean square is a third of the limit's
        mean_square = sizes.dirt * sizes.dirt_depth**2 / 3.0
        added = added + mean_square * shifts @ shifts.T / shifts.shape[1]
    return np.asarray(added)


def hybrid(fit: FaceFit, fields: Array) -> tuple[Array, Array]:
    """Return the hybrid bound (6, 6) and the estimator (6, N) of grey values that attains it.

    `fields` (N, K) are the picture's changes, DN, by one standard deviation of each mode.
    """
    rows = fit.jacobian()
    scale = np.linalg.norm(rows * np.sqrt(fit.weights)[:, None], axis=0)
    if not np.all(scale > 0.0):
        raise np.linalg.LinAlgError("a parameter has no effect on the picture")
    both = np.hstack((rows / scale, fields))
    weighted = both.T * fit.weights
    information = weighted @ both
    free = rows.shape[1]
    information[free:, free:] += np.eye(fields.shape[1])
    pose = np.linalg.inv(information)[:POSE] / scale[:POSE, None]
    return np.asarray(pose[:, :POSE] / scale[:POSE]), np.asarray(pose @ weighted)


def paper_modes(fit: FaceFit, places: Array, drawing: Drawing, sizes: Imperfections) -> Array:
    """Return the picture's changes (N, K), DN, by the modes of uneven paper."""
    length = sizes.paper_scale

    def covariance(x: Array) -> Array:
        return np.asarray(np.exp(-0.5 * ((x[:, None] - x) / length) ** 2))

    signal = sizes.paper * fit.exposure() * fit.reflectance
    return _modes((covariance, covariance), (length, length), drawing, places, fit, signal)


def reflection_modes(
    fit: FaceFit,
    places: Array,
    drawing: Drawing,
    T_camera_target: Pose,
    sizes: Imperfections,
    full_dn: float,
) -> Array:
    """Return the picture's changes (N, K), DN, by the modes of a reflection somewhere.

    `full_dn` is a full well's. The spot is round in the picture: on a turned face it is longer
    by 1 over the cosine; of a face both turned and pitched its slant is left out.
    """
    seen = np.linalg.norm(T_camera_target.rotation[:2, :2], axis=0)
    across, up = (sizes.reflection_size / max(float(one), 0.05) for one in seen)

    def moments_of(length: float) -> Moments:
        def moments(x: Array) -> Array:
            profile = np.exp(-0.5 * ((x[:, None] - x) / length) ** 2)
            return np.asarray(profile @ profile.T / len(x))  # its middle is anywhere on the face

        return moments

    peak = np.full(len(places), sizes.reflection_level * full_dn)
    kinds = (moments_of(across), moments_of(up))
    return _modes(kinds, (across, up), drawing, places, fit, peak)


Moments = Callable[[Array], Array]


def _modes(
    moments: tuple[Moments, Moments],
    lengths: tuple[float, float],
    drawing: Drawing,
    places: Array,
    fit: FaceFit,
    amplitude: Array,
) -> Array:
    """Return what (N, K) the modes of a field change, each at its standard deviation.

    The field's second moments are the product of one function of x and one of y; `amplitude`
    (N,) is what a field of 1 changes each grey value by.
    """
    strengths, shapes = [], []
    for axis, size in enumerate((drawing.width, drawing.height)):
        n = max(16, math.ceil(NODES * size / lengths[axis]))
        step = size / n
        nodes: Array = np.linspace(-0.5, 0.5, n, endpoint=False) * size + 0.5 * step
        values, vectors = np.linalg.eigh(step * moments[axis](nodes))
        kept = values > SMALLEST * values[-1]
        strengths.append(values[kept])
        shapes.append(
            scipy.interpolate.CubicSpline(nodes, vectors[:, kept] / math.sqrt(step))(
                places[:, axis]
            )
        )
    # a mode's mean square over the plate is 1 over its area
    told = float(fit.weights @ amplitude**2) / (drawing.width * drawing.height)
    strength = np.outer(*strengths)
    i, j = np.nonzero(strength * told > LEAST)
    modes = np.sqrt(strength[i, j]) * shapes[0][:, i] * shapes[1][:, j]
    return np.asarray(amplitude[:, None] * modes)


def _places(fit: FaceFit, T_camera_target: Pose, camera: Camera) -> Array:
    return face_places(fit.pixels.seen, T_camera_target, camera)[:, :2]


def _spots(
    fit: FaceFit,
    places: Array,
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    sizes: Imperfections,
    sigma_px: float,
) -> Array:
    """Return the picture's change (N, S), DN, by a spot of full depth at each of S places.

    A spot keeps its weight where lens and pixel make it wider, as `bench.built.face` has it.
    """
    middle = T_camera_target @ np.zeros((1, 3))
    by_face = (point_jacobian(middle, camera)[0] @ T_camera_target.rotation)[:, :2]
    to_face = np.linalg.inv(by_face)
    own = sizes.dirt_size**2 * np.eye(2)
    spread = own + (sigma_px**2 + BOX_VARIANCE) * to_face @ to_face.T
    depth = math.sqrt(np.linalg.det(own) / np.linalg.det(spread))
    precise = np.linalg.inv(spread)
    steps = (np.arange(SPOTS) + 0.5) / SPOTS - 0.5
    signal = fit.exposure() * fit.reflectance
    changes = []
    for x in steps * drawing.width:
        for y in steps * drawing.height:
            away = places - (x, y)
            square = np.einsum("ni,ij,nj->n", away, precise, away)
            changes.append(-depth * signal * np.exp(-0.5 * square))
    return np.column_stack(changes)
