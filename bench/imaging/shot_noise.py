"""Grey values of noisy pixels from counters: pixel k's noise depends on a key and on k alone.

A word of 64 random bits is a bijection of its number (SplitMix64: Steele, Lea and Flood 2014, Fast
splittable pseudorandom number generators), so that nothing is rejected and no draw shifts those
after it. One word serves four pixels: 16 bits tell a normal deviate z by a table of its quantiles,
the `TAIL` outermost values of each side by ten bits more. So no probability of z is off by more
than 2⁻¹⁷ = 8e-6, beyond 3.1 σ by 2⁻²⁷; it ends at 5.7 σ.

Electrons are Poisson of mean λ, and reading adds a normal deviate of variance r². Where λ is
`FEW` or more their sum is that of Cornish and Fisher (1938; Abramowitz and Stegun 26.2.49) from
its cumulants λ, λ + r², λ, λ::

    λ + s [z + γ1 (z² - 1)/6 + γ2 (z³ - 3 z)/24 - γ1² (2 z³ - 5 z)/36],   s² = λ + r²
    γ1 = λ/s³,  γ2 = λ/s⁴

whose distribution function is off by less than 3e-6 (at 100 electrons; as λ^-1.5 beyond). That
electrons are whole doesn't show: a lattice seen through r leaves ripples of exp(-2π² r²), 3e-6 at
`SMOOTH`. Elsewhere (fewer electrons, a quieter sensor, a well about to run over) electrons are
counted: by inversion of Poisson's distribution itself below `FEW`, above by the same series with
a count's own width, 1/12, for r², rounded. The tests hold all of it against the exact
distribution.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from bench.kernel import division_kernel, kernel
from bench.typing import Array, GreyImage

# Mean electrons from which on the series does, and read noise that hides single electrons.
FEW, SMOOTH = 100.0, 0.8
# A well counts as far from full up to so many standard deviations of its electrons below.
HEADROOM = 8.0
BITS, TAIL, TAIL_BITS = 16, 64, 10
BLOCK = 512  # pixels whose deviates are at hand at once: they stay in the nearest cache
COUNT_VARIANCE = 1.0 / 12.0
GAMMA, MIX_1, MIX_2 = (
    np.uint64(0x9E3779B97F4A7C15),
    np.uint64(0xBF58476D1CE4E5B9),
    np.uint64(0x94D049BB133111EB),
)
# Words of counted electrons and of their reading are numbered from elsewhere.
COUNTED, READ = np.uint64(1 << 62), np.uint64(1 << 63)


@lru_cache(maxsize=1)
def _quantiles() -> tuple[Array, Array]:
    """Return the normal quantiles in the middles of 2^16 steps, and of the lowest `TAIL` finer."""
    steps = 1 << BITS
    lower = ndtri((np.arange(steps // 2) + 0.5) / steps)
    fine = ndtri((np.arange(TAIL << TAIL_BITS) + 0.5) / (steps << TAIL_BITS))
    # single precision: 6e-8 of a deviate, and half the table's place in the cache
    return np.concatenate((lower, -lower[::-1])).astype(np.float32), fine.astype(np.float32)


def noisy_grey(
    mean: Array,
    key: np.uint64,
    read_noise: float,
    full_well: float,
    gain: float,
    black_level: float,
    full_scale: int,
) -> GreyImage:
    """Return one noisy exposure as grey values (H, W).

    Parameters
    ----------
    mean : (H, W) float64
        Electrons, dark ones included, 0 or more.
    key : uint64
        Of the picture.
    read_noise, full_well : float
        Electrons.
    gain, black_level, full_scale : float, float, int
        Grey values an electron; grey values.
    """
    grey = np.empty(mean.shape, np.uint8 if full_scale <= 255 else np.uint16)
    _expose(
        np.ascontiguousarray(mean).reshape(-1),
        key,
        np.array([read_noise, full_well, gain, black_level, float(full_scale)]),
        *_quantiles(),
        grey.reshape(-1),
    )
    return grey


@kernel
def random_word(key: np.uint64, number: np.uint64) -> np.uint64:
    """Return SplitMix64's word of a number, from 0, of the sequence that starts with a key."""
    word = key + (number + np.uint64(1)) * GAMMA
    word = (word ^ (word >> np.uint64(30))) * MIX_1
    word = (word ^ (word >> np.uint64(27))) * MIX_2
    return word ^ (word >> np.uint64(31))


@kernel
def _is_outer(step: np.uint64) -> bool:
    """Tell whether 16 bits are one of the `TAIL` outermost steps of either side."""
    return bool(step - np.uint64(TAIL) >= np.uint64(65536 - 2 * TAIL))


@kernel
def _outer(word: np.uint64, place: int, tail: Array) -> float:
    """Return the normal deviate of an outermost step."""
    step = np.int64((word >> np.uint64(place)) & np.uint64(0xFFFF))
    more = np.int64(random_word(word, np.uint64(place)) >> np.uint64(64 - TAIL_BITS))
    if step < TAIL:
        return float(tail[(step << TAIL_BITS) + more])
    return float(-tail[((65535 - step) << TAIL_BITS) + more])


@kernel
def _deviate(word: np.uint64, quantiles: Array, tail: Array) -> float:
    """Return the normal deviate of a word's lowest 16 bits."""
    step = word & np.uint64(0xFFFF)
    return _outer(word, 0, tail) if _is_outer(step) else float(quantiles[np.int64(step)])


@division_kernel
def _series(mean: float, variance: float, z: float) -> float:
    """Return the quantile at a normal deviate, see the module's head."""
    whole = mean + variance
    inverse = 1.0 / whole
    s, part = math.sqrt(whole), mean * inverse
    over, z2 = s * inverse, z * z
    third = (z2 - 3.0) * (1.0 / 24.0) - part * (2.0 * z2 - 5.0) * (1.0 / 36.0)
    return mean + s * z + part * (z2 - 1.0) * (1.0 / 6.0) + part * over * z * third


@division_kernel
def _counted(mean: float, key: np.uint64, pixel: int, quantiles: Array, tail: Array) -> float:
    """Return a Poisson count."""
    word = random_word(key, COUNTED + np.uint64(pixel))
    if mean >= FEW:
        x = _series(mean, COUNT_VARIANCE, _deviate(word, quantiles, tail))
        return float(max(np.rint(x), 0.0))
    share = np.float64(word >> np.uint64(11)) * 2.0**-53
    term, count = math.exp(-mean), 0.0
    while share >= term and term > 0.0:
        share -= term
        count += 1.0
        term *= mean / count
    return count


@division_kernel
def _expose(
    mean: Array, key: np.uint64, sensor: Array, quantiles: Array, tail: Array, grey: GreyImage
) -> None:
    """Fill grey values (N,) of mean electrons (N,)."""
    read, well, gain, black, scale = sensor[0], sensor[1], sensor[2], sensor[3], sensor[4]
    enough, most = FEW, well - HEADROOM * math.sqrt(well)
    if read < SMOOTH:
        enough = np.inf
    z = np.empty(BLOCK)
    for first in range(0, len(mean), BLOCK):
        count = min(BLOCK, len(mean) - first)
        for q in range((count + 3) // 4):
            word = random_word(key, np.uint64(first // 4 + q))
            for lane in range(4):
                step = (word >> np.uint64(16 * lane)) & np.uint64(0xFFFF)
                z[4 * q + lane] = quantiles[np.int64(step)]
            for lane in range(4):
                if _is_outer((word >> np.uint64(16 * lane)) & np.uint64(0xFFFF)):
                    z[4 * q + lane] = _outer(word, 16 * lane, tail)
        others = 0
        for i in range(count):
            electrons = mean[first + i]
            others += not enough <= electrons <= most
            x = gain * _series(electrons, read * read, z[i]) + black
            grey[first + i] = np.int32(min(max(np.rint(x), 0.0), scale))
        if others == 0:
            continue
        for i in range(first, first + count):
            if enough <= mean[i] <= most:
                continue
            x = min(_counted(mean[i], key, i, quantiles, tail), well)
            word = random_word(key, READ + np.uint64(i))
            x += read * _deviate(word, quantiles, tail)
            grey[i] = min(max(np.rint(gain * x + black), 0.0), scale)
