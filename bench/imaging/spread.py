"""Picture of a plane through any lens.

Without diffraction the picture is that of a Gaussian lens, see `bench.imaging.gaussian`, or of
none, averaged along the motion. Diffraction and defocus are applied in the frequency domain, to
a picture on parts of pixels through a small Gaussian of which the lens has at least as much, or
that is undone. The Gaussian comes before the sampling, so hardly anything above half the
sampling rate is left to fold back: that error is below 2e-4 of an edge's step.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import scipy

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.blur_field import over_field
from bench.imaging.chords import Chords, project_chords
from bench.imaging.gaussian import PIECE_SIGMAS, blurred_image
from bench.imaging.optics import Aperture, Optics, aperture_at, lens_otf
from bench.imaging.picture import Region
from bench.imaging.raster import covered_image
from bench.targets.drawing import Drawing
from bench.typing import Array

# Fraction of an edge's step that may reach a pixel from beyond the padding, where the
# picture is taken to be background.
TAIL = 1e-3
# The Gaussian that comes before sampling has at least so many parts of a pixel; its response
# at half the sampling rate is then exp(-π²/2 · 0.7²) = 0.09, and 6e-5 at the full rate.
MIN_SIGMA_PARTS = 0.7
# From this blur on three parts to a pixel do: exp(-2 (π · 0.3 · 1.5)²) = 0.02 is left at half
# their rate. Below, 1.5 parts per cycle of the aperture's cutoff.
SOFT_SIGMA_PX = 0.3
PARTS_SOFT, PARTS_SHARP, PARTS_PER_CUTOFF = 3, 5, 1.5  # odd: a part's centre is a pixel's
# Motion is averaged by Gauss-Legendre on pieces no longer than the blur's own, nor shorter than
# this: without blur a pixel's value has kinks, which then cost 0.05 / 16² = 2e-4 of a step.
SHORTEST_PIECE_PX = 1.0 / 16.0
# Pixels up to which the last picture is kept: its bound asks for it again. Of a larger target the
# bound is its cell's, and memory that is held is memory that the next picture must be given anew.
KEPT_PX = 1 << 16


def spread_reflectance(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, optics: Optics, region: Region
) -> Array:
    """Return the reflectance (H, W) that each pixel collects through the lens; read-only.

    Diffraction and defocus are those at the depth of the target's centre, for all of the field.

    Raises
    ------
    GeometryError
        The target has no image, see `bench.imaging.chords.project_chords`.
    ConfigError
        The optics don't fit the camera or the distance, see `bench.imaging.optics.aperture_at`.
    """
    make = _kept if region.width * region.height <= KEPT_PX else _spread
    return make(drawing, T_camera_target, camera, optics, region)


def _spread(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, optics: Optics, region: Region
) -> Array:
    aperture = aperture_at(optics, camera, float(T_camera_target.translation[2]))
    chords, background = project_chords(drawing, T_camera_target, camera), drawing.background

    def picture(lens: Optics, part: Region) -> Array:
        if aperture is not None:
            return _diffracted(chords, background, lens, aperture, part)
        if lens.is_gaussian:
            return _gaussian(chords, background, lens.sigma_px, part)
        return _moved(chords, background, lens, part)

    if optics.field_sigma_px > 0.0:
        image = over_field(picture, optics, camera, region)
    else:
        image = picture(optics, region)
    image.setflags(write=False)
    return image


_kept = lru_cache(maxsize=1)(_spread)


def _gaussian(chords: Chords, background: float, sigma_px: float, region: Region) -> Array:
    if sigma_px == 0.0:
        return covered_image(chords, background, region)
    return blurred_image(chords, background, sigma_px, region)


def _moved(chords: Chords, background: float, optics: Optics, region: Region) -> Array:
    """Average over the motion, whose middle is the pose."""
    longest = max(PIECE_SIGMAS * optics.sigma_px, SHORTEST_PIECE_PX)
    pieces = math.ceil(optics.motion_length_px / longest)
    nodes, weights = np.polynomial.legendre.leggauss(3)
    motion = np.tile(optics.motion_px, 2)
    total = np.zeros((region.height, region.width))
    for piece in range(pieces):
        for node, weight in zip(nodes, weights, strict=True):
            time = (piece + 0.5 * (node + 1.0)) / pieces - 0.5
            moved = Chords(chords.ends + time * motion, chords.steps)
            total += 0.5 * weight / pieces * _gaussian(moved, background, optics.sigma_px, region)
    return total


def padding_px(optics: Optics, aperture: Aperture) -> int:
    """Return how far outside a region the picture still matters inside it, pixels.

    An aperture's OTF has the slope -4 / (π cutoff) at frequency zero whatever the defocus,
    so far from an edge its response still lacks 2 / (π³ cutoff x) of the step at x pixels.
    """
    reach = 4.0 * max(optics.sigma_px, MIN_SIGMA_PARTS) + 0.5 * optics.motion_length_px
    reach += 0.5 * aperture.blur_px + 2.0 / (math.pi**3 * aperture.cutoff * TAIL)
    return math.ceil(reach) + 1


def _diffracted(
    chords: Chords, background: float, optics: Optics, aperture: Aperture, region: Region
) -> Array:
    pad = padding_px(optics, aperture)
    padded = Region(
        region.u0 - pad, region.v0 - pad, region.width + 2 * pad, region.height + 2 * pad
    )
    parts = PARTS_SOFT
    if optics.sigma_px < SOFT_SIGMA_PX:
        parts = max(PARTS_SHARP, math.ceil(PARTS_PER_CUTOFF * aperture.cutoff) | 1)
    before = max(optics.sigma_px, MIN_SIGMA_PARTS / parts)
    fine = blurred_image(chords, 0.0, before, padded, parts)
    shape = tuple(scipy.fft.next_fast_len(n, real=True) for n in fine.shape)
    spectrum = scipy.fft.rfft2(fine, shape) * _remainder(shape, parts, before, optics, aperture)
    middle = pad * parts + parts // 2
    sharp = scipy.fft.irfft2(spectrum, shape)[middle::parts, middle::parts]
    return np.asarray(background + sharp[: region.height, : region.width])


def _remainder(
    shape: tuple[int, ...], parts: int, before_px: float, optics: Optics, aperture: Aperture
) -> Array:
    """Return the OTF of lens and pixel over that of a Gaussian and a part of a pixel."""
    nu_v = parts * scipy.fft.fftfreq(shape[0])[:, None]
    nu_u = parts * scipy.fft.rfftfreq(shape[1])[None, :]
    box_u, box_v = np.sinc(nu_u) / np.sinc(nu_u / parts), np.sinc(nu_v) / np.sinc(nu_v / parts)
    # The Gaussian's remainder in one exponent: apart, both factors could underflow to 0 / 0.
    variance = optics.sigma_px**2 - before_px**2
    gaussian = np.exp(-2.0 * np.pi**2 * variance * (nu_u**2 + nu_v**2))
    rest = lens_otf(nu_u, nu_v, replace(optics, sigma_px=0.0), aperture)
    return np.asarray(box_u * box_v * gaussian * rest)
