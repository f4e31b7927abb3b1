"""A target's face as it was printed and used: its size, its paper, its dirt.

Paper and dirt vary over distances larger than a lens's blur, or are taken to: both are applied to
the blurred picture, as light is. What is neglected is σ² ∇f · ∇reflectance, for paper of 0.5 %
over 50 mm at 3478 px and 2.5 m, σ = 0.6 px, below 1e-5 of an edge's step a pixel. Spots keep
their weight: one that the lens makes wider is made shallower by as much.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from bench.built.draws import Moment, OneBay
from bench.geometry.camera import Camera, face_places, point_jacobian, project
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.kernel import kernel
from bench.scene.imperfections import Imperfections
from bench.targets.drawing import Area, Disc, Drawing
from bench.typing import Array

# Waves of the paper's field: the sum's fourth moment lacks 1.5/n of a Gaussian field's 3.
WAVES = 12
# Nodes of the paper's grid a scale.
GRID = 4
BOX_VARIANCE = 1.0 / 12.0  # of a pixel's own square, px²
# A spot is followed so far, in standard deviations: exp(-4.5²/2) = 4e-5 of its depth is left.
REACH_SIGMAS = 4.5


def printed(drawing: Drawing, scale: float, aspect: float) -> Drawing:
    """Return a drawing whose print, not its plate, is larger by `scale` and higher by `aspect`.

    The plate's own outline, the first shape, is cut, not printed. A disc stays round: its
    radius is off by half the aspect, 5e-5.
    """
    if scale == 0.0 and aspect == 0.0:
        return drawing
    stretch = np.array([1.0 + scale - 0.5 * aspect, 1.0 + scale + 0.5 * aspect])

    def larger(shape: Area | Disc) -> Area | Disc:
        if isinstance(shape, Area):
            return replace(shape, rings=tuple(ring * stretch for ring in shape.rings))
        x, y = stretch * (shape.x, shape.y)
        return replace(shape, x=float(x), y=float(y), radius=shape.radius * (1.0 + scale))

    plate, *rest = drawing.shapes
    return replace(drawing, shapes=(plate, *map(larger, rest)))


def face_factor(
    bay: OneBay,
    moment: Moment,
    sizes: Imperfections,
    T_camera_target: Pose,
    camera: Camera,
    sigma_px: float,
    region: Region,
) -> Array | None:
    """Return what paper and dirt multiply each pixel's reflectance (H, W) by; None for nothing.

    Parameters
    ----------
    bay, moment : OneBay, Moment
        Whose paper, and the picture's dirt.
    sizes : Imperfections
        Of both.
    T_camera_target, camera : Pose, Camera
        What takes the picture.
    sigma_px : float
        Standard deviation of the lens's blur.
    region : Region
        Which pixels.
    """
    factor = None
    if sizes.paper > 0.0:
        factor = _paper_seen(bay.paper, sizes, T_camera_target, camera, region)
    if len(moment.spots):
        factor = np.ones((region.height, region.width)) if factor is None else factor
        for spot in moment.spots:
            _take_off(factor, spot, sizes.dirt_size, T_camera_target, camera, sigma_px, region)
    return factor


def paper(x: Array, y: Array, seed: int, sizes: Imperfections) -> Array:
    """Return the paper's relative unevenness at places on a face, metres; shapes as x and y.

    A sum of waves whose vectors are normal: its covariance over a distance d is
    exp(-d²/2 scale²) (Rahimi and Recht 2007, random Fourier features).
    """
    waves, phases = _waves(seed)
    x, y = np.broadcast_arrays(x, y)
    angles = waves / sizes.paper_scale @ np.stack((x.ravel(), y.ravel())) + phases[:, None]
    # single precision, 1e-6 of what is itself half a percent, is several times as fast
    total = np.cos(angles.astype(np.float32)).sum(axis=0, dtype=np.float64).reshape(x.shape)
    return np.asarray(sizes.paper * math.sqrt(2.0 / WAVES) * total)


@lru_cache(maxsize=512)
def _waves(seed: int) -> tuple[Array, Array]:
    """Return the waves' vectors (WAVES, 2), over the scale, and phases of a bay's own paper."""
    rng = np.random.default_rng(seed)
    return rng.standard_normal((WAVES, 2)), rng.uniform(0.0, 2.0 * math.pi, WAVES)


def _paper_seen(
    seed: int, sizes: Imperfections, T_camera_target: Pose, camera: Camera, region: Region
) -> Array:
    """Return `paper` where pixels (H, W) look, plus one: on a grid of them, linear between.

    With `GRID` nodes a scale, linear interpolation lacks 1/(8 GRID²) of it, 0.8 %: of paper that
    varies by 0.5 %, 4e-5 of the light, which noise of 1 % a pixel hides.
    """
    counts = []
    for n, focal in ((region.width, camera.fx), (region.height, camera.fy)):
        # face-on; a slanted face has its nodes farther apart by 1 over the tilt's cosine
        span = n * float(T_camera_target.translation[2]) / focal
        span /= max(-T_camera_target.rotation[2, 2], 0.1)
        counts.append(max(2, min(max(n, 2), math.ceil(GRID * span / sizes.paper_scale) + 1)))
    u = np.linspace(region.u0, region.u0 + region.width - 1, counts[0])
    v = np.linspace(region.v0, region.v0 + region.height - 1, counts[1])
    p = face_places(np.stack(np.meshgrid(u, v), axis=-1), T_camera_target, camera)
    factor = np.empty((region.height, region.width))
    _fill(1.0 + paper(p[..., 0], p[..., 1], seed, sizes), factor)
    return factor


@kernel
def _fill(values: Array, image: Array) -> None:
    """Fill an image with values on a grid that spans it, bilinear, none below zero."""
    height, width = image.shape
    last_row, last_column = values.shape[0] - 2, values.shape[1] - 2
    per_row = (last_row + 1) / max(height - 1, 1)
    per_column = (last_column + 1) / max(width - 1, 1)
    row = np.empty(last_column + 2)
    left, share = np.empty(width, np.int64), np.empty(width)
    for j in range(width):
        at = j * per_column
        left[j] = min(int(at), last_column)
        share[j] = at - left[j]
    for i in range(height):
        at = i * per_row
        k = min(int(at), last_row)
        for j in range(last_column + 2):
            row[j] = values[k, j] + (at - k) * (values[k + 1, j] - values[k, j])
        for j in range(width):
            k = left[j]
            image[i, j] = max(row[k] + share[j] * (row[k + 1] - row[k]), 0.0)


def _take_off(
    factor: Array,
    spot: Array,
    size: float,
    T_camera_target: Pose,
    camera: Camera,
    sigma_px: float,
    region: Region,
) -> None:
    """Multiply in what one spot swallows: an ellipse in the picture, spread by lens and pixel."""
    place = np.array([[spot[0], spot[1], 0.0]])
    centre = project(place, T_camera_target, camera)[0]
    by_face = (point_jacobian(T_camera_target @ place, camera)[0] @ T_camera_target.rotation)[
        :, :2
    ]
    own = size**2 * by_face @ by_face.T
    spread = own + (sigma_px**2 + BOX_VARIANCE) * np.eye(2)
    depth = float(spot[2]) * math.sqrt(np.linalg.det(own) / np.linalg.det(spread))
    precise = np.linalg.inv(spread)
    reach = REACH_SIGMAS * np.sqrt(np.diag(spread))
    first = np.maximum(np.floor(centre - reach).astype(int) - (region.u0, region.v0), 0)
    last = np.ceil(centre + reach).astype(int) - (region.u0, region.v0) + 1
    last = np.minimum(last, (region.width, region.height))
    if np.any(last <= first):
        return
    du = np.arange(first[0], last[0]) + region.u0 - centre[0]
    dv = (np.arange(first[1], last[1]) + region.v0 - centre[1])[:, None]
    square = precise[0, 0] * du**2 + 2.0 * precise[0, 1] * du * dv + precise[1, 1] * dv**2
    factor[first[1] : last[1], first[0] : last[0]] *= 1.0 - depth * np.exp(-0.5 * square)
