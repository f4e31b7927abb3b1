"""Point spread of a lens: Gaussian blur, diffraction, defocus, motion.

Each is an optical transfer function (OTF) over spatial frequencies in cycles per pixel; their
product is the lens's. The pixel's own box is exact and not part of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.digest import later
from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.imaging.limits import check_between
from bench.typing import Array

MIN_SIGMA_PX, MAX_SIGMA_PX = 0.05, 20.0
MAX_MOTION_PX = 100.0
# Beyond so many wavelengths of defocus at the aperture's rim a target isn't worth looking at,
# and the integral's cost grows in proportion.
MAX_DEFOCUS_WAVES = 50.0


@dataclass(frozen=True)
class Optics:
    """Blur of a lens and of motion; nothing given but `sigma_px` is a purely Gaussian lens.

    Attributes
    ----------
    sigma_px : float
        Standard deviation of the Gaussian part, pixels: aberrations and whatever else isn't
        modelled. 0, or 0.05 to 20.
    f_number : float or None
        Focal length over aperture; None leaves out diffraction and defocus.
    wavelength : float
        Metres.
    focus_distance : float or None
        Distance at which the lens is sharp, metres; None is sharp at the target.
    motion_px : (float, float)
        How far the picture moves, right and down, at constant speed while the shutter is
        open, pixels.
    field_sigma_px : float
        What is added to `sigma_px`, in quadrature, where the picture's corner would be if the
        principal point were its middle, pixels; the variance that is added grows with the square
        of the distance from the principal point. 0 is the same blur everywhere.

    Raises
    ------
    ConfigError
        A number is out of its limits.
    """

    sigma_px: float = 0.6
    f_number: float | None = None
    wavelength: float = 550e-9
    focus_distance: float | None = None
    motion_px: tuple[float, float] = (0.0, 0.0)
    field_sigma_px: float = later(0.0)

    def __post_init__(self) -> None:
        if not (self.sigma_px == 0.0 or MIN_SIGMA_PX <= self.sigma_px <= MAX_SIGMA_PX):
            raise ConfigError(
                f"optics.sigma_px must be 0 or lie from {MIN_SIGMA_PX:g} to {MAX_SIGMA_PX:g} px, "
                f"got {self.sigma_px:g}"
            )
        check_between("optics.field_sigma_px", self.field_sigma_px, 0.0, MAX_SIGMA_PX, "px")
        if self.field_sigma_px > 0.0 and self.sigma_px == 0.0:
            raise ConfigError(
                f"optics.field_sigma_px of {self.field_sigma_px:g} px needs optics.sigma_px of "
                f"{MIN_SIGMA_PX:g} px or more, got 0"
            )
        # wherever the principal point is, no pixel is further from it than the whole diagonal
        if self.field_sigma_px > 0.5 * math.sqrt(MAX_SIGMA_PX**2 - self.sigma_px**2):
            raise ConfigError(
                f"optics.field_sigma_px must leave the blur within {MAX_SIGMA_PX:g} px at twice "
                f"the corner's distance, got {self.field_sigma_px:g} px beside a sigma_px of "
                f"{self.sigma_px:g}"
            )
        if self.f_number is not None:
            check_between("optics.f_number", self.f_number, 0.7, 64.0)
        check_between("optics.wavelength", self.wavelength, 200e-9, 2e-6, "m")
        if self.focus_distance is not None:
            check_between("optics.focus_distance", self.focus_distance, 0.01, 1e6, "m")
            if self.f_number is None:
                raise ConfigError("optics.focus_distance needs optics.f_number too")
        if len(self.motion_px) != 2:
            raise ConfigError(f"optics.motion_px must be two numbers, got {self.motion_px}")
        check_between("optics.motion_px (length)", self.motion_length_px, 0.0, MAX_MOTION_PX, "px")

    @property
    def motion_length_px(self) -> float:
        """Length of the motion, pixels."""
        return math.hypot(*self.motion_px)

    @property
    def is_gaussian(self) -> bool:
        """Whether nothing but the Gaussian acts."""
        return self.f_number is None and self.motion_length_px == 0.0


def field_variance(optics: Optics, camera: Camera, u: Array | float, v: Array | float) -> Array:
    """Return the variance of the Gaussian part at pixels u, v (shapes broadcast), px²."""
    share = ((u - camera.cx) ** 2 + (v - camera.cy) ** 2) / (
        0.25 * (camera.width**2 + camera.height**2)
    )
    return np.asarray(optics.sigma_px**2 + optics.field_sigma_px**2 * share)


@dataclass(frozen=True)
class Aperture:
    """What diffraction and defocus depend on, at one distance.

    Attributes
    ----------
    cutoff : float
        Frequency above which nothing passes, 1 / (λ N), cycles per pixel.
    blur_px : float
        Diameter of the geometric blur circle, pixels.
    waves : float
        Defocus W20, path error at the aperture's rim, wavelengths.
    """

    cutoff: float
    blur_px: float
    waves: float


def aperture_at(optics: Optics, camera: Camera, distance: float) -> Aperture | None:
    """Return the aperture's data for a target at `distance`, metres; None without f-number.

    A thin lens: focused at d, its image distance is s = 1 / (1/f - 1/d), its working f-number
    N s / f, and a point at distance z is spread over (f / N) s |1/z - 1/d|. The wavefront
    error at the rim is W20 = blur / (8 N) (Hopkins 1955, doi:10.1098/rspa.1955.0158).

    Raises
    ------
    ConfigError
        The camera has no pixel pitch, the focus lies within the focal length, or the defocus
        is beyond `MAX_DEFOCUS_WAVES`.
    """
    if optics.f_number is None:
        return None
    if camera.pixel_pitch is None:
        raise ConfigError("optics.f_number needs the camera's pixel_pitch, which isn't given")
    focal = camera.fx * camera.pixel_pitch
    focus = distance if optics.focus_distance is None else optics.focus_distance
    if not focus > focal:
        raise ConfigError(
            f"optics.focus_distance must exceed the focal length, {focal:g} m, got {focus:g}"
        )
    image_distance = 1.0 / (1.0 / focal - 1.0 / focus)
    f_number = optics.f_number * image_distance / focal
    blur = focal / optics.f_number * image_distance * abs(1.0 / distance - 1.0 / focus)
    waves = blur / (8.0 * f_number) / optics.wavelength
    if waves > MAX_DEFOCUS_WAVES:
        raise ConfigError(
            f"optics: a target at {distance:g} m with the focus at {focus:g} m is out of focus "
            f"by {waves:.0f} wavelengths; the model holds up to {MAX_DEFOCUS_WAVES:g}"
        )
    cutoff = camera.pixel_pitch / (optics.wavelength * f_number)
    return Aperture(cutoff, blur / camera.pixel_pitch, waves)


def gaussian_otf(frequency: Array, sigma_px: float) -> Array:
    """Return exp(-2 π² σ² ν²) for ν in cycles per pixel."""
    return np.asarray(np.exp(-2.0 * (np.pi * sigma_px * frequency) ** 2))


def diffraction_otf(frequency: Array, cutoff: float) -> Array:
    """Return the OTF of a circular aperture in focus, incoherent light.

    With x = ν / cutoff: 2/π (acos x - x √(1 - x²)), zero from the cutoff on (Goodman,
    Introduction to Fourier Optics, section 6.3).
    """
    x = np.clip(np.abs(frequency) / cutoff, 0.0, 1.0)
    return np.asarray(2.0 / np.pi * (np.arccos(x) - x * np.sqrt(1.0 - x * x)))


def aperture_otf(frequency: Array, aperture: Aperture) -> Array:
    """Return the OTF of a circular aperture out of focus, at any defocus.

    Hopkins' integral over the overlap of two displaced pupils, scalar and paraxial
    (doi:10.1098/rspa.1955.0158). With s = 2 ν / cutoff, a = 4 π W20 / λ and x = sin θ - s/2::

        H(s) = 4/π ∫ cos²θ cos(a s x) dθ     from asin(s/2) to π/2

    In focus it is `diffraction_otf`; for large a it tends to 2 J1(π c ν) / (π c ν), that of a
    uniform blur circle of diameter c. The integrand is smooth, so Gauss-Legendre with two
    points per radian of its phase and 24 more leaves nothing but rounding.
    """
    s = np.clip(2.0 * np.abs(frequency) / aperture.cutoff, 0.0, 2.0)
    if aperture.waves == 0.0:
        return diffraction_otf(frequency, aperture.cutoff)
    a = 4.0 * np.pi * aperture.waves
    # Tabulated where the table's spacing, 1/32 rad of a s, makes linear interpolation
    # err by less than 1/32² / 8 = 1.2e-4, and that near the first lobe only.
    table_s = np.linspace(0.0, 2.0, 1024 + int(np.ceil(64.0 * a)))
    nodes, weights = np.polynomial.legendre.leggauss(24 + int(np.ceil(a)))
    low = np.arcsin(0.5 * table_s)
    half = 0.5 * (0.5 * np.pi - low)
    total = np.zeros_like(table_s)
    for node, weight in zip(nodes, weights, strict=True):
        theta = low + half * (1.0 + node)
        x = np.sin(theta) - 0.5 * table_s
        total += weight * np.cos(theta) ** 2 * np.cos(a * table_s * x)
    return np.asarray(np.interp(s, table_s, 4.0 / np.pi * half * total))


def motion_otf(nu_u: Array, nu_v: Array, motion_px: tuple[float, float]) -> Array:
    """Return the OTF of motion at constant speed over `motion_px`, sin(πx)/(πx), x = ν·m."""
    return np.asarray(np.sinc(nu_u * motion_px[0] + nu_v * motion_px[1]))


def lens_otf(nu_u: Array, nu_v: Array, optics: Optics, aperture: Aperture | None) -> Array:
    """Return the product of all OTFs at frequencies nu_u and nu_v, cycles per pixel.

    Shapes broadcast.
    """
    radius = np.hypot(nu_u, nu_v)
    otf = gaussian_otf(radius, optics.sigma_px) * motion_otf(nu_u, nu_v, optics.motion_px)
    return otf if aperture is None else otf * aperture_otf(radius, aperture)
