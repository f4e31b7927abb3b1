"""The sensor against EMVA 1288, release 4.0: photon transfer, variance, quantisation.

The standard's photon transfer method: the temporal variance of the grey value, less that in the
dark, is the system gain times the mean grey value, less that in the dark.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.picture import Region
from bench.imaging.sensor import Sensor, digitise, expose, photons, variance_dn
from bench.targets.drawing import Area, Drawing
from bench.targets.outline import rectangle

CAMERA = Camera(1000, 1000, 3000.0, 3000.0, 499.5, 499.5)
GREY = Drawing(2.0, 2.0, 0.5, (Area((rectangle(-1, -1, 1, 1),), 0.5, 0.5),))
POSE = pose_of_view(View(3.0), CAMERA)
LEVELS = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.4]  # of full well at reflectance 1; half of it
SIDE = 500


def flat_fields(sensor, seed):
    """Return mean and variance of grey values at each level, from whole pictures of grey."""
    rng = np.random.default_rng(seed)
    means, variances = [], []
    for level in LEVELS:
        imaging = Imaging(Optics(0.6), Illumination(level), sensor)
        grey = capture(GREY, POSE, CAMERA, imaging, Region(200, 200, SIDE, SIDE), rng).grey
        means.append(grey.mean())
        variances.append(grey.var(dtype=np.float64))
    return np.array(means), np.array(variances)


@pytest.mark.parametrize(
    "sensor",
    [
        Sensor(gain=0.35, full_well=10_000.0, bit_depth=12, black_level=64.0, dark_noise=6.0),
        Sensor(gain=1.4, full_well=2500.0, bit_depth=12, black_level=64.0, dark_noise=9.0),
        Sensor(
            gain=0.35,
            full_well=10_000.0,
            bit_depth=12,
            black_level=64.0,
            dark_noise=6.0,
            dark_current=20_000.0,
            exposure=0.01,
        ),
    ],
)
def test_photon_transfer_slope_is_the_gain_within_one_percent(sensor):
    means, variances = flat_fields(sensor, 11)
    mean, variance = means - means[0], variances - variances[0]
    # Each variance of n pixels is known to √(2/n) = 0.28 %; weighted by that, the slope is
    # known to 0.28 % / √7 = 0.11 % but for the common dark frame, a small part of each
    # variance. So 1 % is nine times the estimate's standard deviation.
    mean, variance, weight = mean[1:], variance[1:], 1.0 / variances[1:] ** 2
    slope = np.sum(weight * mean * variance) / np.sum(weight * mean**2)
    assert 4 * np.sqrt(2.0 / SIDE**2 / 7) < 0.01
    assert_allclose(slope, sensor.system_gain, rtol=0.01)


def test_variance_and_mean_at_each_level_are_those_of_the_model():
    sensor = Sensor(
        gain=0.35, bit_depth=12, black_level=64.0, dark_noise=6.0, dark_current=3e4, exposure=0.01
    )
    means, variances = flat_fields(sensor, 12)
    electrons = 0.5 * np.array(LEVELS) * sensor.full_well
    expected = variance_dn(electrons, sensor)
    # 4.5 standard deviations of a mean, √(σ²/n), and of a variance, √(2/n)
    dark = sensor.gain * 300.0 + 64.0
    limit = 4.5 * np.sqrt(expected) / SIDE
    assert np.all(np.abs(means - (dark + sensor.gain * electrons)) < limit)
    assert_allclose(variances, expected, rtol=4.5 * np.sqrt(2.0) / SIDE)


def test_quantisation_alone_has_the_variance_of_one_twelfth():
    # Charges spread evenly over ten grey values; no other noise. σ_q² = 1/12 DN²; the mean of
    # n squares of a uniform error, each with variance 1/180: 4.5 · √(1/180/n) = 3.4e-4.
    sensor = Sensor(gain=0.5, bit_depth=12, black_level=0.0, full_well=4000.0)
    electrons = np.random.default_rng(4).uniform(1000.0, 1020.0, 1_000_000)
    error = digitise(electrons, sensor) - 0.5 * electrons
    assert abs(np.mean(error**2) - 1 / 12) < 3.4e-4


def test_dark_signal_has_the_read_noise_alone():
    sensor = Sensor(gain=0.5, bit_depth=12, black_level=100.0, dark_noise=8.0)
    grey = expose(np.zeros((SIDE, SIDE)), sensor, np.random.default_rng(8))
    assert_allclose(grey.var(), 0.25 * 64.0 + 1 / 12, rtol=4.5 * np.sqrt(2.0) / SIDE)
    assert abs(grey.mean() - 100.0) < 4.5 * np.sqrt(16.1) / SIDE


def test_signal_to_noise_ratio_follows_the_standards_formula():
    # SNR = η μ_p / √(σ_d² + σ_q²/K² + η μ_p)
    sensor = Sensor(gain=0.35, bit_depth=12, black_level=64.0, dark_noise=6.0)
    mu_p = photons(np.array([4000.0]), sensor)[0]
    grey = expose(np.full((SIDE, SIDE), 4000.0), sensor, np.random.default_rng(21))
    measured = (grey.mean() - 64.0) / grey.std(dtype=np.float64)
    signal = sensor.quantum_efficiency * mu_p
    expected = signal / np.sqrt(36.0 + 1 / 12 / 0.35**2 + signal)
    # its denominator is known to 1/√(2n)
    assert_allclose(measured, expected, rtol=4.5 / np.sqrt(2.0) / SIDE)
