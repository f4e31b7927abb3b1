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
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

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
from bench.typing import Array, IntArray

# Nodes over one correlation length: between them modes are cubic, which errs by 1e-5 of them.
NODES = 6
# A mode whose squared signal over noise, summed over the picture, is less than this changes
# nothing that the picture tells.
LEAST = 0.01
SMALLEST = 1e-12  # of a side's mean squares, over the largest: below is rounding
# Pixels that are looked at together: some hundreds of modes of them stay in a processor's cache.
BLOCK = 1024
# Places of a spot, each way over the plate, and how far it is followed: e^(-9²/2) is 3e-18.
SPOTS, REACH_SIGMAS = 12, 9.0


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
    fields: list[Field] = []
    if sizes.paper > 0.0:
        fields.append(paper_modes(fit, places, drawing, sizes))
    papers = sum(map(len, fields))
    if sizes.reflection_share > 0.0 and sizes.reflection_level > 0.0:
        scale = imaging.sensor.system_gain * imaging.sensor.full_well
        fields.append(reflection_modes(fit, places, drawing, T_camera_target, sizes, scale))
    information, units = _information(fit, fields)
    # what knows of fewer fields is a part of it
    free = len(units)
    plain, best, struck = (
        _of_pose(information[:size, :size], units)
        for size in (free, free + papers, len(information))
    )
    added = _bound(best, units) - _bound(plain, units)
    added = added + sizes.reflection_share * (_bound(struck, units) - _bound(best, units))
    if sizes.dirt > 0.0 and sizes.dirt_depth > 0.0:
        sigma_px = blur_of(imaging.optics, camera, T_camera_target)
        estimator = _estimator(best, fit, fields[: int(papers > 0)], units)
        spots = _spots(fit, places, drawing, T_camera_target, camera, sizes, sigma_px)
        shifts = np.column_stack([estimator[:, near] @ change for near, change in spots])
        # of a depth that is even from 0, the mean square is a third of the limit's
        mean_square = sizes.dirt * sizes.dirt_depth**2 / 3.0
        added = added + mean_square * shifts @ shifts.T / shifts.shape[1]
    return np.asarray(added)


@dataclass(frozen=True, eq=False)
class Field:
    """The picture's changes, DN, by one standard deviation of each of K modes.

    A mode is the product of a function along x, column `i` (K,) of `left` (N, I), and one along
    y, `j` of `right` (N, J): some hundreds of modes are never held for all pixels at once.
    """

    left: Array
    right: Array
    i: IntArray
    j: IntArray

    def __len__(self) -> int:
        return len(self.i)

    def at(self, part: slice) -> Array:
        """Return those (M, K) of some of the pixels."""
        return np.asarray(self.left[part][:, self.i] * self.right[part][:, self.j])


def hybrid(fit: FaceFit, fields: Sequence[Field]) -> tuple[Array, Array]:
    """Return the hybrid bound (6, 6) and the estimator (6, N) of grey values that attains it."""
    information, units = _information(fit, fields)
    pose = _of_pose(information, units)
    return _bound(pose, units), _estimator(pose, fit, fields, units)


def _information(fit: FaceFit, fields: Sequence[Field]) -> tuple[Array, Array]:
    """Return the information (P + K, P + K), and what (P,) the first derivatives are in units of.

    Of the picture alone: the fields' own variances are `_of_pose`'s.
    """
    units = np.linalg.norm(fit.jacobian() * np.sqrt(fit.weights)[:, None], axis=0)
    if not np.all(units > 0.0):
        raise np.linalg.LinAlgError("a parameter has no effect on the picture")
    size = len(units) + sum(map(len, fields))
    information = np.zeros((size, size))
    for _, rows in _whitened(fit, fields, units):
        information += rows.T @ rows
    return information, units


def _estimator(pose: Array, fit: FaceFit, fields: Sequence[Field], units: Array) -> Array:
    found = np.empty((POSE, len(fit.pixels)))
    for part, rows in _whitened(fit, fields, units):
        found[:, part] = pose @ rows.T * np.sqrt(fit.weights[part])
    return found


def _whitened(
    fit: FaceFit, fields: Sequence[Field], units: Array
) -> Iterator[tuple[slice, Array]]:
    """Return the derivatives (M, P + K) over the noise of `BLOCK` pixels after `BLOCK`."""
    own = fit.jacobian() / units
    for first in range(0, len(own), BLOCK):
        part = slice(first, first + BLOCK)
        rows = np.hstack((own[part], *(field.at(part) for field in fields)))
        yield part, rows * np.sqrt(fit.weights[part])[:, None]


def _of_pose(information: Array, units: Array) -> Array:
    """Return the pose's rows (6, P + K) of the inverse; the fields' own variances are 1."""
    prior = np.repeat((0.0, 1.0), (len(units), len(information) - len(units)))
    return np.asarray(np.linalg.inv(information + np.diag(prior))[:POSE] / units[:POSE, None])


def _bound(pose: Array, units: Array) -> Array:
    return np.asarray(pose[:, :POSE] / units[:POSE])


def paper_modes(fit: FaceFit, places: Array, drawing: Drawing, sizes: Imperfections) -> Field:
    """Return the picture's changes by the modes of uneven paper."""
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
) -> Field:
    """Return the picture's changes by the modes of a reflection somewhere.

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
) -> Field:
    """Return what the modes of a field change, each at its standard deviation.

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
        size_of = vectors[:, kept] * np.sqrt(values[kept] / step)
        shapes.append(scipy.interpolate.CubicSpline(nodes, size_of)(places[:, axis]))
    # a mode's mean square over the plate is 1 over its area
    told = float(fit.weights @ amplitude**2) / (drawing.width * drawing.height)
    strength = np.outer(*strengths)
    i, j = np.nonzero(strength * told > LEAST)
    return Field(amplitude[:, None] * shapes[0], shapes[1], i, j)


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
) -> Iterator[tuple[IntArray, Array]]:
    """Return which pixels (M,) a spot of full depth changes by how much (M,), DN, at each place.

    A spot keeps its weight where lens and pixel make it wider, as `bench.built.face` has it.
    """
    middle = T_camera_target @ np.zeros((1, 3))
    by_face = (point_jacobian(middle, camera)[0] @ T_camera_target.rotation)[:, :2]
    to_face = np.linalg.inv(by_face)
    own = sizes.dirt_size**2 * np.eye(2)
    spread = own + (sigma_px**2 + BOX_VARIANCE) * to_face @ to_face.T
    depth = math.sqrt(np.linalg.det(own) / np.linalg.det(spread))
    (xx, xy), (_, yy) = np.linalg.inv(spread)
    reach = REACH_SIGMAS * np.sqrt(np.diag(spread))
    steps = (np.arange(SPOTS) + 0.5) / SPOTS - 0.5
    signal = fit.exposure() * fit.reflectance
    for x in steps * drawing.width:
        column = np.flatnonzero(np.abs(places[:, 0] - x) < reach[0])
        for y in steps * drawing.height:
            near = column[np.abs(places[column, 1] - y) < reach[1]]
            dx, dy = places[near, 0] - x, places[near, 1] - y
            square = xx * dx * dx + 2.0 * xy * dx * dy + yy * dy * dy
            yield near, -depth * signal[near] * np.exp(-0.5 * square)
