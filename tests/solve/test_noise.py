import numpy as np
import pytest

from bench.imaging.sensor import Sensor, expose, mean_dn, variance_dn
from bench.solve.noise import noise_of_residuals, noise_of_sensor

SENSOR = Sensor(bit_depth=12)


def test_noise_of_a_sensor_is_emva_variance():
    electrons = np.array([0.0, 50.0, 4000.0])
    noise = noise_of_sensor(SENSOR)
    expected = variance_dn(electrons, SENSOR)
    np.testing.assert_allclose(noise.variance(mean_dn(electrons, SENSOR)), expected, rtol=1e-12)


@pytest.mark.parametrize("dirty", [0.0, 0.02])
def test_noise_is_recovered_from_residuals_despite_dirt(dirty):
    rng = np.random.default_rng(5)
    electrons = np.repeat([400.0, 7000.0], 4000)
    grey = expose(electrons, SENSOR, rng).astype(float)
    predicted = mean_dn(electrons, SENSOR)
    grey[rng.random(len(grey)) < dirty] -= 800.0
    flat = np.ones(len(grey), dtype=bool)
    noise = noise_of_residuals(grey - predicted, predicted, flat, 11)
    # a variance from 4000 pixels has a relative standard deviation of √(2/4000) = 2.2 %;
    # clipping at 4 σ takes another 0.1 %, four times that is the band
    np.testing.assert_allclose(
        noise.variance(mean_dn(np.array([400.0, 7000.0]), SENSOR)),
        variance_dn(np.array([400.0, 7000.0]), SENSOR),
        rtol=4 * 0.023,
    )


def test_noise_never_falls_below_rounding():
    predicted = np.repeat([10.0, 200.0], 100)
    noise = noise_of_residuals(np.zeros(200), predicted, np.ones(len(predicted), dtype=bool), 11)
    assert noise.variance(np.array([10.0]))[0] == pytest.approx(1.0 / 12.0)
