"""The linear camera model of EMVA 1288, release 4.0 (General and Linear).

Photons become electrons with the quantum efficiency, both Poisson distributed; dark current
adds its own; reading adds Gaussian noise; the gain K turns electrons into grey values, which
are rounded and clipped. Mean and variance then obey, below saturation::

    μ_y = K (η μ_p + μ_d) + black level
    σ_y² = K² σ_d² + σ_q² + K (μ_y - μ_y.dark)

with σ_d² = σ_read² + μ_d and σ_q² = 1/12 DN².

Cameras that deliver pictures for people do more, see `bench.imaging.processing`: grey values then
follow light by a power, and neighbours share noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.digest import later
from bench.errors import ConfigError
from bench.imaging.limits import check_between
from bench.imaging.processing import Correlation, Curve, check_correlation, shared_noise
from bench.imaging.shot_noise import noisy_grey
from bench.typing import Array, GreyImage

QUANTISATION_VARIANCE = 1.0 / 12.0  # of a uniform error one grey value wide, DN²


@dataclass(frozen=True)
class Sensor:
    """An image sensor.

    Attributes
    ----------
    quantum_efficiency : float
        Electrons per photon, above 0 to 1.
    dark_noise : float
        Standard deviation of the signal without light or dark current, electrons.
    dark_current : float
        Electrons per second.
    exposure : float
        Seconds; matters for the dark current alone.
    full_well : float
        Electrons that a pixel can hold.
    gain : float or None
        K, grey values per electron; None makes the full well reach full scale.
    bit_depth : int
        8 to 16.
    black_level : float
        Grey value without light, DN.
    gamma : float or None
        Grey values above black are light to the power 1/gamma; None where they are in proportion.
        All other numbers are of the proportional ones.
    noise_correlation : tuple of tuple of float, or None
        Of a pixel's noise with that of the one so many rows and columns away; None where there
        is none.

    Raises
    ------
    ConfigError
        A number is out of its limits.
    """

    quantum_efficiency: float = 0.6
    dark_noise: float = 4.0
    dark_current: float = 0.0
    exposure: float = 0.005
    full_well: float = 10_000.0
    gain: float | None = None
    bit_depth: int = 8
    black_level: float = 2.0
    gamma: float | None = later(None)
    noise_correlation: Correlation | None = later(None)

    def __post_init__(self) -> None:
        check_between("sensor.quantum_efficiency", self.quantum_efficiency, 1e-3, 1.0)
        check_between("sensor.dark_noise", self.dark_noise, 0.0, 1e4, "electrons")
        check_between("sensor.dark_current", self.dark_current, 0.0, 1e8, "electrons/s")
        check_between("sensor.exposure", self.exposure, 0.0, 3600.0, "s")
        check_between("sensor.full_well", self.full_well, 10.0, 1e7, "electrons")
        if self.bit_depth not in range(8, 17):
            raise ConfigError(f"sensor.bit_depth must be 8 to 16, got {self.bit_depth}")
        check_between("sensor.black_level", self.black_level, 0.0, 0.5 * self.full_scale, "DN")
        if self.gain is not None:
            check_between("sensor.gain", self.gain, 1e-6, 1e3, "DN per electron")
        if self.gamma is not None:
            check_between("sensor.gamma", self.gamma, 0.2, 5.0)
        if self.noise_correlation is not None:
            check_correlation(self.noise_correlation)

    @property
    def is_processed(self) -> bool:
        """Whether the camera does more than the linear model of EMVA 1288."""
        return self.gamma is not None or self.noise_correlation is not None

    @property
    def curve(self) -> Curve | None:
        """The response curve; None where grey values are in proportion to light."""
        if self.gamma is None:
            return None
        return Curve(self.gamma, self.black_level, self.full_scale)

    @property
    def full_scale(self) -> int:
        """Largest grey value, DN."""
        return (1 << self.bit_depth) - 1

    @property
    def system_gain(self) -> float:
        """K, grey values per electron."""
        if self.gain is not None:
            return self.gain
        return (self.full_scale - self.black_level) / self.full_well

    @property
    def dark_electrons(self) -> float:
        """Mean of the dark current's electrons in one exposure."""
        return self.dark_current * self.exposure

    @property
    def dark_variance(self) -> float:
        """σ_d², variance of the dark signal, electrons²."""
        return self.dark_noise**2 + self.dark_electrons

    @property
    def dark_level(self) -> float:
        """μ_y.dark, mean grey value without light, DN."""
        return self.system_gain * self.dark_electrons + self.black_level

    @property
    def saturation_electrons(self) -> float:
        """Mean photo-electrons at which full well or full scale is reached."""
        by_scale = (self.full_scale - self.dark_level) / self.system_gain
        return min(self.full_well - self.dark_electrons, by_scale)


def photons(expected_electrons: Array, sensor: Sensor) -> Array:
    """Return the mean photons that give the expected photo-electrons, μ_p = μ_e / η."""
    return np.asarray(expected_electrons / sensor.quantum_efficiency)


def mean_dn(expected_electrons: Array, sensor: Sensor) -> Array:
    """Return the mean grey value, DN, before rounding, clipped at saturation.

    Of a response curve, what it is applied to.

    Parameters
    ----------
    expected_electrons : (...) float64
        Mean photo-electrons.
    """
    electrons = np.minimum(expected_electrons + sensor.dark_electrons, sensor.full_well)
    signal = sensor.system_gain * electrons + sensor.black_level
    return np.asarray(np.minimum(signal, sensor.full_scale))


def variance_dn(expected_electrons: Array, sensor: Sensor) -> Array:
    """Return the variance of the grey value, DN², of pixels below saturation.

    σ_y² = K² σ_d² + σ_q² + K (μ_y - μ_y.dark), EMVA 1288 release 4.0. A response curve's is that
    of the grey values before it: rounding after it is divided by the curve's slope.

    Parameters
    ----------
    expected_electrons : (...) float64
        Mean photo-electrons, below `Sensor.saturation_electrons`: clipped pixels have no
        variance to speak of and tell nothing.
    """
    gain = sensor.system_gain
    shot = gain * gain * expected_electrons  # K (μ_y - μ_y.dark)
    rounding: Array | float = QUANTISATION_VARIANCE
    if sensor.curve is not None:
        rounding = rounding / sensor.curve.slope(mean_dn(expected_electrons, sensor)) ** 2
    return np.asarray(gain * gain * sensor.dark_variance + rounding + shot)


def digitise(electrons: Array, sensor: Sensor) -> GreyImage:
    """Return the grey values of collected electrons, dark signal and read noise included."""
    signal = sensor.system_gain * electrons + sensor.black_level
    if sensor.curve is not None:
        signal = sensor.curve.of(np.minimum(signal, sensor.full_scale))
    grey = np.clip(np.rint(signal), 0, sensor.full_scale)
    return grey.astype(np.uint8) if sensor.bit_depth == 8 else grey.astype(np.uint16)


def expose(expected_electrons: Array, sensor: Sensor, rng: np.random.Generator) -> GreyImage:
    """Return one noisy exposure as grey values.

    Parameters
    ----------
    expected_electrons : (H, W) float64
        Mean photo-electrons.
    sensor : Sensor
        The sensor.
    rng : numpy.random.Generator
        Source of the noise: of its key, see `bench.imaging.shot_noise`.

    Notes
    -----
    Of a processed picture noise is Gaussian, of the same variance: mixing neighbours makes it so.
    """
    if sensor.is_processed:
        total = np.minimum(expected_electrons + sensor.dark_electrons, sensor.full_well)
        spread = np.sqrt(sensor.dark_noise**2 + np.maximum(total, 0.0))
        noise = shared_noise(total.shape, sensor.noise_correlation, rng)
        return digitise(total + spread * noise, sensor)
    return noisy_grey(
        expected_electrons + sensor.dark_electrons,
        rng.integers(2**64, dtype=np.uint64),
        sensor.dark_noise,
        sensor.full_well,
        sensor.system_gain,
        sensor.black_level,
        sensor.full_scale,
    )
