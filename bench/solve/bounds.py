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

import math
from dataclasses import dataclass, replace

import numpy as np

from bench.geometry.camera import Camera, pose_jacobian, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.imaging.appearance import PARAMETERS, POSE, jacobian, normal_equations, response_to
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.illumination import Illumination, illuminate, light_at
from bench.imaging.model import Imaging
from bench.imaging.optics import MIN_SIGMA_PX, Optics, aperture_at, field_variance
from bench.imaging.picture import Region
from bench.imaging.pixels import EVERY, Pixels, choose_pixels, face_mask
from bench.imaging.processing import noise_widening
from bench.imaging.sensitivity import CHANNELS, blurred_sensitivity
from bench.imaging.sensor import mean_dn, variance_dn
from bench.imaging.spread import spread_reflectance
from bench.solve.covariance import pose_covariance
from bench.solve.image_fit import pose_covariance_of
from bench.targets.drawing import Drawing
from bench.typing import Array

# Derivatives of pictures through lenses that aren't Gaussian are differences over so many pixels
# of motion to either side; of their second derivative they lack (0.05/σ)²/6, 1e-3 at 0.6 px.
STEP_PX = 0.05
# How far below saturation a pixel must be expected to count, standard deviations of shot noise.
HEADROOM_SIGMAS = 2.0
# Far from boundaries pixels tell of the light alone: one in so many each way speaks for all where
# there are so many such parts of a picture; no bound of the shipped target changed by more than
# 1.2e-4.
PART_PX = 100


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
    known. Saturated ones tell nothing. Where neighbours share noise, this is what least squares
    attains that weighs pixels one by one, as pipelines do.

    Parameters
    ----------
    drawing : Drawing
        The target's face.
    T_camera_target : Pose
        Target to camera.
    camera : Camera
        Intrinsics.
    imaging : Imaging
        Optics, light and sensor. Derivatives are analytic for a Gaussian blur and differences
        of pictures for any other, which takes twenty times as long.
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
    ConfigError
        The optics don't fit the camera or the distance.
    numpy.linalg.LinAlgError
        The picture doesn't determine the pose.
    """
    fit = face_fit(drawing, T_camera_target, camera, imaging, region)
    information, _ = normal_equations(
        fit.sensitivity,
        fit.reflectance,
        fit.light,
        np.zeros(len(fit.pixels)),
        fit.weights,
        fit.pixels,
    )
    return pose_covariance_of(information)


@dataclass(frozen=True, eq=False)
class FaceFit:
    """The fit of all pixels of a face that the bound is attained by, near the truth.

    Attributes
    ----------
    sensitivity, reflectance, light, weights : float64
        As `bench.imaging.appearance.normal_equations` takes them.
    pixels : Pixels
        Which pixels of the region, (N,).
    """

    sensitivity: Array
    reflectance: Array
    light: Array
    weights: Array
    pixels: Pixels

    def jacobian(self) -> Array:
        """Return the derivatives (N, P) of grey values, DN, by pose, blur and light."""
        return jacobian(self.sensitivity, self.reflectance, self.light, self.pixels)

    def exposure(self) -> Array:
        """Return the grey values (N,) that reflectance 1 adds, DN."""
        return np.asarray(response_to(self.reflectance, self.light, self.pixels))


def face_fit(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    imaging: Imaging,
    region: Region,
    every: int | None = None,
) -> FaceFit:
    """Return the fit that `image_bound` is of; parameters and errors as there.

    Of the pixels far from boundaries one in `every` each way is kept, and weighs for the others;
    by default as many as change no bound, see `PART_PX`.
    """
    optics, sensor = imaging.optics, imaging.sensor
    blur_px = blur_of(optics, camera, T_camera_target)
    gaussian = optics.is_gaussian and optics.sigma_px > 0.0
    chords = project_chords(drawing, T_camera_target, camera)
    if gaussian and optics.field_sigma_px > 0.0:
        reflectance = blurred_image(chords, drawing.background, blur_px, region)
    else:
        reflectance = spread_reflectance(drawing, T_camera_target, camera, optics, region)
    mask = face_mask(drawing, T_camera_target, camera, blur_px, region)
    if every is None:
        every = min(max(min(mask.shape) // PART_PX, 1), EVERY)
    pixels = choose_pixels(drawing, T_camera_target, camera, blur_px, region, mask, every=every)
    seen = pixels.of(reflectance)
    if imaging.illumination.highlight is None:
        filling = seen * _light_on(pixels, imaging.illumination, T_camera_target, camera)
    else:
        filling = pixels.of(
            illuminate(reflectance, imaging.illumination, T_camera_target, camera, region)
        )
    electrons = sensor.full_well * filling
    shot = np.sqrt(np.maximum(electrons, 0.0))
    counts = electrons + HEADROOM_SIGMAS * shot < sensor.saturation_electrons
    if np.count_nonzero(counts) < PARAMETERS:
        raise np.linalg.LinAlgError("too few pixels show the face")
    if gaussian:
        sensitivity = blurred_sensitivity(
            chords, T_camera_target, camera, blur_px, region, pixels.places
        )
    else:
        change = _differences(drawing, T_camera_target, camera, optics, region)
        sensitivity = change.reshape(CHANNELS, -1)[:, pixels.index[: pixels.near]].T.copy()
    variance = variance_dn(electrons, sensor)
    weights = (1.0 + 0.5 * sensor.system_gain**2 / variance) / variance
    weights /= noise_widening(sensor.noise_correlation, blur_px)
    weights[pixels.near :] *= every * every  # each speaks for its neighbours too
    return FaceFit(
        sensitivity,
        seen,
        _light(imaging, T_camera_target, camera, region),
        np.where(counts, weights, 0.0),
        pixels,
    )


def blur_of(optics: Optics, camera: Camera, T_camera_target: Pose) -> float:
    """Return the standard deviation of a Gaussian that blurs about as much as a lens, pixels.

    Of diffraction, 0.42 λN (a fit to the middle of Airy's pattern); of a blur circle of
    diameter c, c/4; of motion over m, m/√12. Of a field, what there is at the target's centre.
    """
    variance = optics.sigma_px**2 + optics.motion_length_px**2 / 12.0
    if optics.field_sigma_px > 0.0:
        centre = project(np.zeros((1, 3)), T_camera_target, camera)[0]
        variance += float(field_variance(optics, camera, *centre)) - optics.sigma_px**2
    aperture = aperture_at(optics, camera, float(T_camera_target.translation[2]))
    if aperture is not None:
        variance += (0.42 / aperture.cutoff) ** 2 + (0.25 * aperture.blur_px) ** 2
    return max(math.sqrt(variance), MIN_SIGMA_PX)


def _light_on(
    pixels: Pixels, illumination: Illumination, T_camera_target: Pose, camera: Camera
) -> Array | float:
    """Return what level and gradient fill the wells (N,) of pixels to where reflectance is 1."""
    if not any(illumination.gradient):
        return illumination.level
    region = pixels.region
    half = 0.5 * max(region.width, region.height)
    u = pixels.across * half + (region.u0 + 0.5 * (region.width - 1))
    v = pixels.down * half + (region.v0 + 0.5 * (region.height - 1))
    return light_at(illumination, T_camera_target, camera, u, v)


def _light(imaging: Imaging, T_camera_target: Pose, camera: Camera, region: Region) -> Array:
    """Return c (4,) of `bench.imaging.appearance`: the exposure is linear in the picture."""
    plain, sensor = imaging.illumination, imaging.sensor
    offset = float(mean_dn(np.zeros(1), sensor)[0])
    scale = sensor.system_gain * sensor.full_well
    if not any(plain.gradient):
        return np.array([offset, scale * plain.level, 0.0, 0.0])
    u = np.array([region.u0, region.u0 + region.width - 1, region.u0])
    v = np.array([region.v0, region.v0, region.v0 + region.height - 1])
    first_u, last_u, last_v = light_at(plain, T_camera_target, camera, u, v).tolist()
    half = 0.5 * max(region.width, region.height)
    across = (last_u - first_u) / max(region.width - 1, 1)
    down = (last_v - first_u) / max(region.height - 1, 1)
    middle = 0.5 * (last_u + last_v)
    return np.array([offset, *(scale * np.array([middle, across * half, down * half]))])


def _differences(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, optics: Optics, region: Region
) -> Array:
    """Return derivatives (7, H, W) of reflectance, as `blurred_sensitivity` has them.

    The last is by the variance of the lens's Gaussian part, in place of its root: as good a
    parameter, and one that matters where there is none.
    """
    corners = np.column_stack((drawing.outline, np.zeros(len(drawing.outline))))
    motion = np.max(np.abs(pose_jacobian(corners, T_camera_target, camera)), axis=(0, 1))

    def picture(pose: Pose, lens: Optics) -> Array:
        return spread_reflectance(drawing, pose, camera, lens, region)

    change = np.empty((CHANNELS, region.height, region.width))
    for k in range(POSE):
        step = np.zeros(POSE)
        step[k] = STEP_PX / motion[k]
        ahead, back = (
            picture(
                Pose(
                    T_camera_target.rotation @ exp_rotvec(way[:3]),
                    T_camera_target.translation + way[3:],
                ),
                optics,
            )
            for way in (step, -step)
        )
        change[k] = (ahead - back) / (2.0 * step[k])
    # 0.2 px at least, so that blur is far above the picture's own accuracy
    softer = replace(optics, sigma_px=math.hypot(optics.sigma_px, 0.2))
    change[POSE] = (picture(T_camera_target, softer) - picture(T_camera_target, optics)) / 0.04
    return change
