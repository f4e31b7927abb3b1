"""Gain, black level, dark noise and saturation from levels: the photon transfer method.

EMVA 1288 release 4.0 (General and Linear): σ_y² = K² σ_d² + 1/12 + K (μ_y - μ_y.dark). A target's
own grey levels give K, and K² σ_d² - K μ_y.dark in one; the grey value without light has to come
from dark frames, or from a second exposure of the same scene, whose levels are in proportion once
it is taken off. Quantum efficiency needs a light meter and dark current frames of several exposure
times: neither can be had from a target.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import scipy

from bench.characterise.levels import (
    DITHERED_VARIANCE,
    HEADROOM,
    MIXED,
    Levels,
    levels_of,
    rounding_square,
)
from bench.characterise.stack import Stack
from bench.errors import PictureError
from bench.imaging.sensor import QUANTISATION_VARIANCE
from bench.typing import Array

LEAST_LEVELS = 4
# A dark noise below so many standard uncertainties of its square has an upper limit alone.
SEEN_SIGMAS, LIMIT_SIGMAS = 4.0, 1.645  # the latter one-sided at 95 %
# A curve is bent beyond doubt, and so much of its height that gain would be wrong by as much.
BENT_SIGMAS, BENT_SHARE = 5.0, 0.06
ROUNDS = 6
MOST_MISFIT = 20.0  # χ² over freedom beyond which no power of light explains levels


@dataclass(frozen=True)
class Number:
    """A measured number: value, standard uncertainty, unit, where it comes from.

    `at_most` marks an upper limit of 95 % in place of a value.
    """

    value: float
    u: float
    unit: str
    source: str = "measured"
    at_most: bool = False

    def times(self, factor: float, unit: str | None = None) -> Number:
        """Return it in other units."""
        return replace(self, value=factor * self.value, u=factor * self.u, unit=unit or self.unit)

    @property
    def words(self) -> str:
        """Say it, as digits of its uncertainty allow."""
        if self.at_most:
            return f"at most {self.value:.3g} {self.unit}".rstrip()
        if not (math.isfinite(self.u) and self.u > 0.0):
            return f"{self.value:.5g} {self.unit}".rstrip() + f" ({self.source})"
        digits = max(1 - math.floor(math.log10(self.u)), 0)
        return f"{self.value:.{digits}f} ± {self.u:.{digits}f} {self.unit}".rstrip()


@dataclass(frozen=True, eq=False)
class Transfer:
    """What a photon transfer curve says of a sensor.

    Attributes
    ----------
    gain, black, dark_noise, saturation : Number or None
        K, μ_y.dark, σ_d and the electrons at saturation; None where nothing can be said.
    line : (float, float)
        Intercept, DN², and slope, DN.
    chi_square, degrees : float
        Of the line.
    bent : bool
        Whether levels contradict a line, as a curved response has it.
    gamma : Number or None
        The power that explains them, grey = light^(1/γ), where one does.
    apart : list of str
        Series whose noise lies off the line of all: of another gain, or camera.
    """

    gain: Number | None
    black: Number | None
    dark_noise: Number | None
    saturation: Number | None
    line: tuple[float, float]
    chi_square: float
    degrees: float
    bent: bool
    gamma: Number | None = None
    apart: list[str] = field(default_factory=list)


def photon_transfer(
    stacks: Sequence[Stack],
    dark: Sequence[int] = (),
    black: Number | None = None,
    most_dark: float = math.inf,
) -> Transfer:
    """Return what series of one sensor at one setting say; the `dark` ones are without light.

    A black level that is known isn't looked for. Noise that hardly grows with light and is above
    `most_dark` electrons in the dark is taken for a curve's: a gamma of 2 makes shot noise even.

    Raises
    ------
    PictureError
        Hardly any level is noisy enough to survive rounding.
    """
    levels = levels_of(stacks)
    used = levels.usable
    if np.count_nonzero(used) < LEAST_LEVELS or np.ptp(levels.mean[used]) < 10.0:
        raise PictureError(
            f"only {np.count_nonzero(used)} grey levels can be used: too few flat pixels, white "
            "that saturates, or noise below 0.6 DN, which rounding hides (more bits, more gain)"
        )
    mean, variance, degrees = levels.mean[used], levels.variance[used], levels.degrees[used]
    line, covariance, chi_square = _line(mean, variance, degrees, 1)
    curve, curve_covariance, _ = _line(mean, variance, degrees, 2)
    bend = abs(curve[2]) * np.ptp(mean) ** 2 / 4.0
    height = max(abs(line[1]) * np.ptp(mean), float(np.ptp(variance)))
    u_bend = math.sqrt(curve_covariance[2, 2])
    bent = bool(abs(curve[2]) > BENT_SIGMAS * u_bend and bend > BENT_SHARE * height)
    bent |= line[1] < 3.0 * math.sqrt(covariance[1, 1])
    low, high = (line[0] + line[1] * end(mean) for end in (np.min, np.max))
    bent |= bool(low > 0.5 * high and math.sqrt(low) > most_dark * line[1])
    free = len(mean) - 2.0
    both = (float(line[0]), float(line[1]))
    lit = [stack for k, stack in enumerate(stacks) if k not in dark]

    def least(level: Array) -> Array:
        """Return the least variance before rounding that levels may have."""
        if bent:
            return np.zeros_like(level)
        rows = np.stack((np.ones_like(level), level), axis=1)
        u = np.sqrt(np.sum(rows @ covariance * rows, axis=1))
        return np.asarray(rows @ line - QUANTISATION_VARIANCE - LIMIT_SIGMAS * u)

    if black is None and not bent:
        black = _black_of_dark(levels, dark)
    # a curve that is steep at black lifts the mean of noise there: dark frames can't tell
    black = black or _black_of_exposures(lit, least)
    if bent:
        gamma = None if black is None else _gamma(levels, black)
        return Transfer(None, black, None, None, both, chi_square, free, True, gamma)
    gain = Number(both[1], math.sqrt(covariance[1, 1]), "DN/e-")
    noise = None if black is None else _dark_noise(both, covariance, black)
    full = None
    if levels.plateau is not None and black is not None:
        electrons = (levels.plateau - black.value) / gain.value
        full = Number(electrons, electrons * gain.u / gain.value, "e-")
    apart = []
    for k, stack in enumerate(stacks):
        own = levels.series[used] == k
        if np.any(own):
            over, count = variance[own] / (both[0] + both[1] * mean[own]), degrees[own]
            off = abs(float(np.average(over, weights=count)) - 1.0)
            if off > max(BENT_SHARE, BENT_SIGMAS * math.sqrt(2.0 / float(np.sum(count)))):
                apart.append(stack.name)
    return Transfer(gain, black, noise, full, both, chi_square, free, False, apart=apart)


def _line(mean: Array, variance: Array, degrees: Array, order: int) -> tuple[Array, Array, float]:
    """Return a polynomial's coefficients, lowest first, their covariance, and χ².

    A variance's own is 2 v² / degrees, of the fitted v: of the observed, low ones would weigh
    more and pull the line down.
    """
    rows = np.vander(mean, order + 1, increasing=True)
    expected = variance
    for _ in range(ROUNDS):
        weight = degrees / (2.0 * np.maximum(expected, QUANTISATION_VARIANCE) ** 2)
        normal = rows.T @ (rows * weight[:, None])
        found = np.linalg.solve(normal, rows.T @ (weight * variance))
        expected = rows @ found
    return (
        np.asarray(found),
        np.asarray(np.linalg.inv(normal)),
        float(weight @ (variance - expected) ** 2),
    )


def _dark_noise(line: tuple[float, float], covariance: Array, black: Number) -> Number:
    """Return σ_d, or its upper limit where rounding and shot noise hide it."""
    at_black: Array = np.array([1.0, black.value])
    square = line[0] + line[1] * black.value - QUANTISATION_VARIANCE
    u_square = math.hypot(math.sqrt(at_black @ covariance @ at_black), line[1] * black.u)
    if square < SEEN_SIGMAS * u_square:
        most = max(square, 0.0) + LIMIT_SIGMAS * u_square
        return Number(math.sqrt(most) / line[1], math.nan, "e-", at_most=True)
    sigma = math.sqrt(square) / line[1]
    slope = np.array([0.5 / square, 0.5 * black.value / square - 1.0 / line[1]])
    part = sigma * sigma * float(slope @ covariance @ slope)
    return Number(sigma, math.sqrt(part + (0.5 * sigma * line[1] * black.u / square) ** 2), "e-")


def _black_of_dark(levels: Levels, dark: Sequence[int]) -> Number | None:
    """Return the grey value of frames without light, by the numbers of their series.

    Rounding moves a mean that all pixels share by up to half a grey value: its root mean square is
    in the uncertainty.
    """
    chosen = np.isin(levels.series, dark)
    if not np.any(chosen):
        return None
    pixels, mean = levels.pixels[chosen], levels.mean[chosen]
    value = float(np.average(mean, weights=pixels))
    variance = float(np.average(levels.variance[chosen], weights=pixels))
    chance = variance / float(np.sum(pixels * levels.frames[chosen]))
    spread = float(np.mean(levels.spread[chosen])) ** 2
    signal = variance - QUANTISATION_VARIANCE if variance >= DITHERED_VARIANCE else 0.0
    moved = float(rounding_square(np.array([signal + spread]))[0])
    return Number(value, math.sqrt(chance + moved), "DN")


def _black_of_exposures(stacks: Sequence[Stack], least: Callable[[Array], Array]) -> Number | None:
    """Return the grey value without light from exposures of one unmoved scene.

    Levels y of one exposure are a line of those of another, y₁ - b = q (y₂ - b), which cross at b.
    Pixels are sorted by the first half of the frames and averaged over the second, lest noise
    choose what is averaged. Of several pairs that which tells most counts.
    """
    found = [
        number
        for i, one in enumerate(stacks)
        for other in stacks[i + 1 :]
        if (one.mean.shape, one.corner) == (other.mean.shape, other.corner)
        for number in [_crossing(one, other, least)]
        if number is not None
    ]
    return min(found, key=lambda number: number.u, default=None)


def _crossing(one: Stack, other: Stack, least: Callable[[Array], Array]) -> Number | None:
    top = 0.96 * min(one.full_scale, other.full_scale)
    flat = one.flat & other.flat & (one.mean < top) & (other.mean < top)
    half = [stack.frames // 2 for stack in (one, other)]
    early = [s.residual[:h].mean(axis=0) + s.mean for s, h in zip((one, other), half, strict=True)]
    sorting = (early[0] + early[1])[flat]
    count = min(int(np.count_nonzero(flat)) // 150, 40)
    if count < LEAST_LEVELS:
        return None
    parts = np.array_split(np.argsort(sorting), count)
    means: list[Array] = []
    squares: list[Array] = []
    clear = np.ones(count, dtype=np.bool_)
    for stack, first in zip((one, other), half, strict=True):
        late = (stack.residual[first:].mean(axis=0) + stack.mean)[flat]
        noise = stack.variance[flat]
        level = np.array([np.mean(late[p]) for p in parts])
        own = np.array([np.mean(noise[p]) for p in parts])
        spread = np.array([np.std(late[p]) for p in parts])
        rounding = rounding_square(np.maximum(least(level), 0.0))
        size = np.array([len(p) for p in parts], dtype=np.float64)
        means.append(level)
        squares.append(own / (stack.frames - first) / size + rounding)
        clear &= (spread < MIXED * stack.full_scale) & (level > HEADROOM * np.sqrt(own))
    if np.count_nonzero(clear) < LEAST_LEVELS:
        return None
    (y, x), squares = [m[clear] for m in means], [q[clear] for q in squares]
    slope, intercept = np.polyfit(x, y, 1)[:2]
    for _ in range(ROUNDS):  # both are uncertain: Deming's line, by its effective variance
        weight = 1.0 / (squares[0] + slope**2 * squares[1])
        rows = np.stack((np.ones_like(x), x), axis=1)
        covariance = np.linalg.inv(rows.T @ (rows * weight[:, None]))
        intercept, slope = covariance @ rows.T @ (weight * y)
    if abs(1.0 - slope) < 0.1:  # hardly another exposure
        return None
    b = intercept / (1.0 - slope)
    way = np.array([1.0, b]) / (1.0 - slope)
    rest = weight @ (y - intercept - slope * x) ** 2 / (len(x) - 2)
    # flicker between pixels, or a little curvature: levels that contradict a line widen the claim
    u = math.sqrt(float(way @ covariance @ way) * max(1.0, float(rest)))
    return Number(float(b), u, "DN")


def _gamma(levels: Levels, black: Number) -> Number | None:
    """Return γ as `_power` finds it, its uncertainty with that of the black level."""
    ends = [_power(levels, black.value + off) for off in (0.0, black.u)]
    if ends[0] is None or ends[1] is None:
        return None
    gamma, moved = ends[0], ends[1].value - ends[0].value
    return replace(gamma, u=math.hypot(gamma.u, moved))


def _power(levels: Levels, black: float) -> Number | None:
    """Return γ of grey = light^(1/γ) above black that makes the variance of light a line.

    With y above black of a full scale L: variance = (L/γ · x^(1/γ - 1))² (α x + β), x = (y/L)^γ;
    for each γ, α and β are least squares without negative values. In full light shot noise is at
    least the dark noise: without that, γ with all of the one is like γ/2 with all of the other.
    """
    used = levels.usable & (levels.mean > black + 2.0)
    y = levels.mean[used] - black
    full = float(np.max(y))
    variance, degrees = levels.variance[used] - QUANTISATION_VARIANCE, levels.degrees[used]
    weight = np.sqrt(degrees / 2.0) / levels.variance[used]

    def cost(gamma: float) -> float:
        x = (y / full) ** gamma
        steep = (full / gamma * x ** (1.0 / gamma - 1.0)) ** 2
        rows = np.stack((steep * x, steep), axis=1) * weight[:, None]
        (shot, dark), left = scipy.optimize.nnls(rows, variance * weight)
        if dark > shot:
            left = scipy.optimize.nnls(rows.sum(axis=1)[:, None], variance * weight)[1]
        return float(left**2)

    trials = np.linspace(0.3, 4.0, 75)
    costs = [cost(g) for g in trials]
    best = trials[int(np.argmin(costs))]
    found = scipy.optimize.minimize_scalar(
        cost, bounds=(best - 0.06, best + 0.06), method="bounded"
    )
    gamma, least, step = float(found.x), float(found.fun), 0.02
    bend = (cost(gamma + step) + cost(gamma - step) - 2.0 * least) / step**2
    misfit = max(1.0, least / max(int(np.count_nonzero(used)) - 3, 1))
    if bend <= 0.0 or misfit > MOST_MISFIT:
        return None
    return Number(gamma, math.sqrt(2.0 * misfit / bend), "")
