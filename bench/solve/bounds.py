"""The best that any unbiased estimator of the pose can do: Cramér-Rao bounds.

The covariance of an unbiased estimate is at least the inverse of the Fisher information
(Rao 1945, Cramér 1946; Kay 1993, Fundamentals of Statistical Signal Processing: Estimation
Theory, section 3.7). For Gaussian data with mean μ(θ) and variance v(θ) of each pixel, that is
(Slepian 1954, Bangs 1971; Kay, section 3.9)::

    F = Σ (∂μ/∂θ)(∂μ/∂θ)ᵀ / v + Σ (∂v/∂θ)(∂v/∂θ)ᵀ / (2 v²)

With shot noise v = a + K μ, the second sum is K²/(2v) of the first, pixel by pixel: what the
noise itself tells of the brightness. At 10 electrons a pixel it is 5 %, at 1000 nothing.

Near tilt 0 the bound doesn't hold. Turning a target a little from face-on changes its picture
to second order only, so that the linear theory promises errors larger than the whole range of
plausible tilts; an estimator that can't leave that range does better.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.appearance import normal_equations
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.illumination import illuminate
from bench.imaging.model import Imaging
from bench.imaging.picture import Region
from bench.imaging.pixels import choose_pixels, face_mask
from bench.imaging.sensitivity import blurred_sensitivity
from bench.imaging.sensor import mean_dn, variance_dn
from bench.solve.covariance import pose_covariance
from bench.solve.image_fit import pose_covariance_of
from bench.targets.drawing import Drawing
from bench.typing import Array


def corner_bound(p_target: Array, T_camera_target: Pose, camera: Camera, sigma_px: float) -> Array:
    """Return the bound (6, 6) on a pose from corners with independent Gaussian noise.

    Parameters and errors as `bench.solve.covariance.pose_covariance`, which it equals: least
    squares attains the bound where it is linear.
    """
    return pose_covariance(p_target, T_camera_target, camera, sigma_px)


def image_bound(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, imaging: Imaging, region: Region
) -> Array:
    """Return the bound (6, 6) on a pose from all pixels of a target's face.

    Blur, exposure, offset and illumination gradient are unknown too, as they are to a
    pipeline. Pixels that the plate's edge reaches don't count: what lies behind a target isn't
    known. Saturated ones tell nothing.

    Parameters
    ----------
    drawing : Drawing
        The target's face.
    T_camera_target : Pose
        Target to camera.
    camera : Camera
        Intrinsics.
    imaging : Imaging
        Optics (a Gaussian blur), light and sensor.
    region : Region
        Pixels taken.

    Returns
    -------
    (6, 6) float64
        Of (ω, τ), see `bench.geometry.camera.pose_jacobian`.

    Raises
    ------
    GeometryError
        The target has no image.
    ValueError
        The optics aren't Gaussian.
    numpy.linalg.LinAlgError
        The picture doesn't determine the pose.
    """
    if not (imaging.optics.is_gaussian and imaging.optics.sigma_px > 0.0):
        raise ValueError("the bound is that of a Gaussian blur")
    sigma_px, sensor = imaging.optics.sigma_px, imaging.sensor
    chords = project_chords(drawing, T_camera_target, camera)
    reflectance = blurred_image(chords, drawing.background, sigma_px, region)
    light_only = replace(imaging.illumination, highlight=None)
    factor = illuminate(np.ones_like(reflectance), light_only, T_camera_target, camera, region)
    filling = illuminate(reflectance, imaging.illumination, T_camera_target, camera, region)
    electrons = sensor.full_well * filling
    variance = variance_dn(electrons, sensor)
    mask = face_mask(drawing, T_camera_target, camera, sigma_px, region)
    # two deviations of noise below saturation nothing is clipped
    ceiling = sensor.saturation_electrons
    mask &= electrons + 2.0 * np.sqrt(np.maximum(electrons, 0.0)) < ceiling
    pixels = choose_pixels(drawing, T_camera_target, camera, sigma_px, region, mask)
    gain = sensor.system_gain
    own = pixels.of(variance)
    # the exposure at each pixel, a plane over the region
    light = _light_plane(gain * sensor.full_well * factor)
    light[0] = float(mean_dn(np.zeros(1), sensor)[0])
    sensitivity = blurred_sensitivity(
        chords, T_camera_target, camera, sigma_px, region, pixels.places
    )
    information, _ = normal_equations(
        sensitivity,
        pixels.of(reflectance),
        light,
        np.zeros(len(pixels)),
        (1.0 + 0.5 * gain**2 / own) / own,
        pixels,
    )
    return pose_covariance_of(information)


def _light_plane(exposure: Array) -> Array:
    """Return c (4,) of `bench.imaging.appearance` for an exposure (H, W) linear in the picture."""
    height, width = exposure.shape
    half = 0.5 * max(height, width)
    middle = 0.25 * (exposure[0, 0] + exposure[0, -1] + exposure[-1, 0] + exposure[-1, -1])
    across = (exposure[0, -1] - exposure[0, 0]) / max(width - 1, 1) * half
    down = (exposure[-1, 0] - exposure[0, 0]) / max(height - 1, 1) * half
    return np.array([0.0, middle, across, down])
