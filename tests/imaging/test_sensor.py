import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from bench.errors import ConfigError
from bench.imaging.sensor import Sensor, digitise, expose, mean_dn, photons, variance_dn


def test_default_gain_fills_the_scale_at_full_well():
    sensor = Sensor(full_well=10_000.0, bit_depth=10, black_level=23.0)
    assert sensor.full_scale == 1023
    assert_allclose(sensor.system_gain, 0.1)
    assert_allclose(sensor.saturation_electrons, 10_000.0)
    assert digitise(np.array([0.0, 5000.0, 10_000.0]), sensor).tolist() == [23, 523, 1023]


def test_a_given_gain_may_clip_before_the_full_well():
    sensor = Sensor(full_well=10_000.0, gain=0.05, bit_depth=8, black_level=5.0)
    assert_allclose(sensor.saturation_electrons, 5000.0)
    assert_allclose(mean_dn(np.array([4000.0, 6000.0]), sensor), [205.0, 255.0])


def test_dark_current_takes_part_of_the_well():
    sensor = Sensor(full_well=1000.0, dark_current=2000.0, exposure=0.1, dark_noise=3.0)
    assert_allclose(sensor.dark_electrons, 200.0)
    assert_allclose(sensor.dark_variance, 209.0)
    assert_allclose(sensor.saturation_electrons, 800.0)


@pytest.mark.parametrize(
    ("bits", "kind"), [(8, np.uint8), (10, np.uint16), (12, np.uint16), (16, np.uint16)]
)
def test_grey_values_have_the_smallest_type_that_holds_them(bits, kind):
    grey = digitise(np.array([0.0, 1e9]), Sensor(bit_depth=bits))
    assert grey.dtype == kind
    assert grey.tolist() == [2, 2**bits - 1]


def test_rounding_is_to_the_nearest_grey_value():
    sensor = Sensor(gain=1.0, full_well=200.0, black_level=0.0)
    assert digitise(np.array([10.4, 10.6, -3.0]), sensor).tolist() == [10, 11, 0]


def test_photons_are_electrons_over_quantum_efficiency():
    assert_allclose(photons(np.array([300.0]), Sensor(quantum_efficiency=0.6)), 500.0)


def test_the_same_generator_gives_the_same_exposure():
    electrons = np.full((20, 30), 3000.0)
    first = expose(electrons, Sensor(), np.random.default_rng(5))
    assert_array_equal(first, expose(electrons, Sensor(), np.random.default_rng(5)))
    assert np.any(first != expose(electrons, Sensor(), np.random.default_rng(6)))


def test_overexposed_pixels_saturate():
    sensor = Sensor(bit_depth=12, dark_noise=0.0)
    assert np.all(expose(np.full((9, 9), 1e6), sensor, np.random.default_rng(1)) == 4095)


def test_variance_is_that_of_the_emva_model_term_by_term():
    sensor = Sensor(gain=0.1, dark_noise=20.0, dark_current=1000.0, exposure=0.05)
    # K²σ_d² = 0.01 (400 + 50), σ_q² = 1/12, K (μ_y - μ_y.dark) = 0.1 · 0.1 · 3000
    assert_allclose(variance_dn(np.array([3000.0]), sensor), 4.5 + 1 / 12 + 30.0)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"quantum_efficiency": 1.2}, "sensor.quantum_efficiency must lie from 0.001 to 1"),
        ({"dark_noise": -1.0}, "sensor.dark_noise .*electrons"),
        ({"dark_current": float("nan")}, "sensor.dark_current"),
        ({"exposure": -0.1}, "sensor.exposure"),
        ({"full_well": 0.0}, "sensor.full_well"),
        ({"bit_depth": 7}, "sensor.bit_depth must be 8 to 16, got 7"),
        ({"bit_depth": 17}, "sensor.bit_depth"),
        ({"black_level": 200.0}, "sensor.black_level must lie from 0 to 127.5 DN, got 200"),
        ({"gain": 0.0}, "sensor.gain"),
    ],
)
def test_sensor_values_out_of_their_limits_raise(values, words):
    with pytest.raises(ConfigError, match=words):
        Sensor(**values)
