import math

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import chi2, chi2_contingency, norm, poisson

from bench.imaging import shot_noise
from bench.imaging.sensor import Sensor, digitise, expose

# Probabilities below which a right generator counts as wrong: seeds are fixed, so that this is
# how likely these tests were to fail when they were written.
RARE = 1e-4
SHIPPED = Sensor()
# the series; counts by inversion; counts by the series; a well that runs over; 12 bits
SETTINGS = {
    "many electrons": (SHIPPED, 3000.0),
    "just enough": (SHIPPED, 100.0),
    "few": (SHIPPED, 12.0),
    "none": (SHIPPED, 0.0),
    "single electrons show": (Sensor(dark_noise=0.0, full_well=400.0, bit_depth=9), 150.0),
    "a full well": (Sensor(full_well=1000.0, gain=0.2, dark_noise=3.0), 990.0),
    "twelve bits": (Sensor(bit_depth=12, full_well=4000.0, dark_noise=2.5), 1200.0),
    "dark current": (Sensor(dark_current=40_000.0, dark_noise=2.0), 150.0),
}


def probabilities(sensor: Sensor, electrons: float) -> np.ndarray:
    """Of each grey value, exact: Poisson electrons, the well, read noise, rounding (EMVA 1288)."""
    mean = electrons + sensor.dark_electrons
    reach = 12.0 * math.sqrt(mean + 9.0)
    counts = np.arange(max(0, int(mean - reach)), int(mean + reach) + 1)
    kept = np.minimum(counts, sensor.full_well)
    edges = (np.arange(sensor.full_scale) + 0.5 - sensor.black_level) / sensor.system_gain
    near = np.abs(edges - mean) < reach + 12.0 * sensor.dark_noise
    cumulative = np.where(edges > mean, 1.0, 0.0)
    if sensor.dark_noise > 0.0:
        below = norm.cdf((edges[near, None] - kept) / sensor.dark_noise)
    else:
        below = (kept <= edges[near, None]).astype(float)
    cumulative[near] = below @ poisson.pmf(counts, mean)
    return np.diff([0.0, *cumulative, 1.0])


def drawn(sensor: Sensor, electrons: float, seed: int) -> np.ndarray:
    shape = (500, 800)
    grey = expose(np.full(shape, electrons), sensor, np.random.default_rng(seed))
    return np.bincount(grey.reshape(-1), minlength=sensor.full_scale + 1)


def test_words_are_those_of_splitmix64():
    # the first outputs of the public reference code (splitmix64.c) for the seed 1234567
    words = [shot_noise.random_word(np.uint64(1234567), np.uint64(k)) for k in range(3)]
    assert [int(w) for w in words] == [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
    ]


@pytest.mark.parametrize("name", SETTINGS)
def test_grey_values_have_the_exact_distribution(name):
    counts, expected = drawn(*SETTINGS[name], seed=4), probabilities(*SETTINGS[name])
    expected = expected * counts.sum()
    assert_allclose(expected.sum(), counts.sum(), rtol=1e-9)
    # Pearson's test; grey values with few of them are one class
    common = expected >= 10.0
    seen = [*counts[common], counts[~common].sum()]
    due = [*expected[common], expected[~common].sum()]
    square = sum((s - d) ** 2 / max(d, 1.0) for s, d in zip(seen, due, strict=True))
    assert chi2.sf(square, max(len(seen) - 2, 1)) > RARE


@pytest.mark.parametrize("name", SETTINGS)
def test_grey_values_are_those_of_drawing_electrons_one_by_one(name):
    # the way before: numpy's own Poisson and normal generators
    sensor, electrons = SETTINGS[name]
    rng = np.random.default_rng(11)
    counts = rng.poisson(np.full(400_000, electrons + sensor.dark_electrons)).astype(float)
    filled = np.minimum(counts, sensor.full_well)
    other = digitise(filled + sensor.dark_noise * rng.standard_normal(filled.shape), sensor)
    pair = np.array(
        [drawn(sensor, electrons, 5), np.bincount(other, minlength=sensor.full_scale + 1)]
    )
    pair = pair[:, pair.sum(axis=0) >= 20]
    if pair.shape[1] > 1:
        assert chi2_contingency(pair).pvalue > RARE


@pytest.mark.parametrize("mean", [100.0, 400.0, 3000.0])
def test_the_series_is_off_by_less_than_is_said(mean):
    z = np.linspace(-5.5, 5.5, 1101)
    read = 1.0
    x = np.array([shot_noise._series(mean, read**2, one) for one in z])
    counts = np.arange(int(mean + 14 * math.sqrt(mean)))
    exact = norm.cdf((x[:, None] - counts) / read) @ poisson.pmf(counts, mean)
    assert np.max(np.abs(exact - norm.cdf(z))) < 3e-6 * (100.0 / mean) ** 1.4


def test_deviates_have_the_probabilities_that_are_said():
    quantiles, tail = shot_noise._quantiles()
    # a step's place lies within half a step of its probability, of the last ones ten bits finer
    steps = (np.arange(len(quantiles)) + 0.5) / len(quantiles)
    assert np.max(np.abs(norm.cdf(quantiles.astype(float)) - steps)) < 2.0**-24
    assert np.all(np.diff(quantiles) > 0.0)
    assert tail[-1] < quantiles[shot_noise.TAIL]
    assert_allclose(norm.cdf(float(tail[0])), 2.0**-27, rtol=1e-3)


def test_outer_steps_are_as_frequent_as_they_ought_to_be():
    grey = drawn(Sensor(bit_depth=16, full_well=60_000.0, dark_noise=0.8), 20_000.0, 3)
    values = np.repeat(np.arange(len(grey)), grey)
    sensor = Sensor(bit_depth=16, full_well=60_000.0, dark_noise=0.8)
    z = ((values - 2.0) / sensor.system_gain - 20_000.0) / math.sqrt(20_000.64)
    for limit in (3.2, 3.6, 4.0):
        due = 2.0 * norm.sf(limit) * len(z)
        assert abs(np.sum(np.abs(z) > limit) - due) < 4.0 * math.sqrt(due)


def test_a_pixels_noise_does_not_depend_on_the_others():
    rng = np.random.default_rng(2)
    mean = rng.uniform(0.0, 9900.0, (40, 57))
    changed = mean.copy()
    changed[::2] = rng.uniform(0.0, 9900.0, changed[::2].shape)
    first = expose(mean, SHIPPED, np.random.default_rng(6))
    second = expose(changed, SHIPPED, np.random.default_rng(6))
    assert_array_equal(first[1::2], second[1::2])
    assert np.mean(first[::2] == second[::2]) < 0.1


def test_neighbours_and_pictures_are_independent():
    sensor = Sensor(bit_depth=12)
    pictures = [
        expose(np.full((256, 256), 3000.0), sensor, np.random.default_rng(s)).reshape(-1)
        for s in (7, 8)
    ]
    a, b = (p - p.mean() for p in pictures)
    n, variance = len(a), a.var()
    for lag in (1, 2, 3, 4, 5, 8, 16, 256, 512):
        assert abs(np.mean(a[:-lag] * a[lag:])) < 4.5 * variance / math.sqrt(n), lag
        # squares too: four pixels share a word
        c = a * a - variance
        assert abs(np.mean(c[:-lag] * c[lag:])) < 4.5 * c.var() / math.sqrt(n), lag
    assert abs(np.mean(a * b)) < 4.5 * variance / math.sqrt(n)
