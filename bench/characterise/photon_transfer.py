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
from itertools import combinations

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
    line, chi_square, degrees : (float, float), float, float
        Intercept, DN², and slope, DN; of that fit.
    bent, gamma : bool, Number or None
        Whether levels contradict a line, as a curved response has it; the power that explains
        them, grey = light^(1/γ), where one does.
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
    bent: bool = False
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
    low, high = (line[0] + line[1] * end(mean) for end in (np.min, np.max))
    bent = bool(
        (bend > BENT_SHARE * height and curve[2] ** 2 > BENT_SIGMAS**2 * curve_covariance[2, 2])
        or line[1] < 3.0 * math.sqrt(covariance[1, 1])
        or (low > 0.5 * high and math.sqrt(low) > most_dark * line[1])
    )

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
    lit = [stack for k, stack in enumerate(stacks) if k not in dark]
    black = black or _black_of_exposures(lit, least)
    fitted = (float(line[0]), float(line[1])), chi_square, len(mean) - 2.0
    if bent:
        gamma = None if black is None else _gamma(levels, black)
        return Transfer(None, black, None, None, *fitted, bent=True, gamma=gamma)
    gain = Number(float(line[1]), math.sqrt(covariance[1, 1]), "DN/e-")
    noise = None if black is None else _dark_noise(line, covariance, black)
    full = None
    if levels.plateau is not None and black is not None:
        electrons = (levels.plateau - black.value) / gain.value
        full = Number(electrons, electrons * gain.u / gain.value, "e-")
    apart = []
    for k in np.unique(levels.series[used]):
        own = levels.series[used] == k
        over, count = variance[own] / (line[0] + line[1] * mean[own]), degrees[own]
        off = abs(float(np.average(over, weights=count)) - 1.0)
        if off > max(BENT_SHARE, BENT_SIGMAS * math.sqrt(2.0 / float(np.sum(count)))):
            apart.append(stacks[int(k)].name)
    return Transfer(gain, black, noise, full, *fitted, apart=apart)


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
    chi_square = float(weight @ (variance - expected) ** 2)
    return np.asarray(found), np.asarray(np.linalg.inv(normal)), chi_square


def _dark_noise(line: Array, covariance: Array, black: Number) -> Number:
    """Return σ_d, or its upper limit where rounding and shot noise hide it."""
    at_black: Array = np.array([1.0, black.value])
    gain, square = float(line[1]), float(at_black @ line) - QUANTISATION_VARIANCE
    u_square = math.hypot(math.sqrt(at_black @ covariance @ at_black), gain * black.u)
    if square < SEEN_SIGMAS * u_square:
        most = max(square, 0.0) + LIMIT_SIGMAS * u_square
        return Number(math.sqrt(most) / gain, math.nan, "e-", at_most=True)
    sigma = math.sqrt(square) / gain
    slope = np.array([0.5 / square, 0.5 * black.value / square - 1.0 / gain])
    part = sigma * sigma * float(slope @ covariance @ slope)
    return Number(sigma, math.sqrt(part + (0.5 * sigma * gain * black.u / square) ** 2), "e-")


def _black_of_dark(levels: Levels, dark: Sequence[int]) -> Number | None:
    """Return the grey value of frames without light, by the numbers of their series.

    Rounding moves a mean that all pixels share by up to half a grey value: its root mean square is
    in the uncertainty.
    """
    chosen = np.isin(levels.series, dark)
    if not np.any(chosen):
        return None
    pixels = levels.pixels[chosen]
    value, variance = (
        float(np.average(v[chosen], weights=pixels)) for v in (levels.mean, levels.variance)
    )
    chance = variance / float(np.sum(pixels * levels.frames[chosen]))
    signal = variance - QUANTISATION_VARIANCE if variance >= DITHERED_VARIANCE else 0.0
    moved = rounding_square(np.array([signal + float(np.mean(levels.spread[chosen])) ** 2]))
    return Number(value, math.sqrt(chance + float(moved[0])), "DN")


def _black_of_exposures(stacks: Sequence[Stack], least: Callable[[Array], Array]) -> Number | None:
    """Return the grey value without light from exposures of one unmoved scene.

    Levels y of one exposure are a line of those of another, y₁ - b = q (y₂ - b), which cross at b.
    Pixels are sorted by the first half of the frames and averaged over the second, lest noise
    choose what is averaged. Of several pairs that which tells most counts.
    """
    found = [
        _crossing(pair, least)
        for pair in combinations(stacks, 2)
        if len({(stack.mean.shape, stack.corner) for stack in pair}) == 1
    ]
    return min((n for n in found if n is not None), key=lambda n: n.u, default=None)


def _crossing(pair: Sequence[Stack], least: Callable[[Array], Array]) -> Number | None:
    top = 0.96 * min(stack.full_scale for stack in pair)
    flat = np.all([stack.flat & (stack.mean < top) for stack in pair], axis=0)
    count = min(int(np.count_nonzero(flat)) // 150, 40)
    if count < LEAST_LEVELS:
        return None
    halves = [
        [s.mean + part.mean(axis=0) for part in np.split(s.residual, [s.frames // 2])]
        for s in pair
    ]
    parts = np.array_split(np.argsort((halves[0][0] + halves[1][0])[flat]), count)
    size = np.array([len(p) for p in parts], dtype=np.float64)
    means, squares, clear = [], [], np.ones(count, dtype=np.bool_)
    for stack, (_, late) in zip(pair, halves, strict=True):
        level, own = (
            np.array([np.mean(values[flat][p]) for p in parts])
            for values in (late, stack.variance)
        )
        spread = np.array([np.std(late[flat][p]) for p in parts])
        means.append(level)
        frames = stack.frames - stack.frames // 2
        squares.append(own / frames / size + rounding_square(np.maximum(least(level), 0.0)))
        clear &= (spread < MIXED * stack.full_scale) & (level > HEADROOM * np.sqrt(own))
    if np.count_nonzero(clear) < LEAST_LEVELS:
        return None
    (y, x), (of_y, of_x) = ([one[clear] for one in both] for both in (means, squares))
    slope, intercept = np.polyfit(x, y, 1)[:2]
    rows = np.stack((np.ones_like(x), x), axis=1)
    for _ in range(ROUNDS):  # both are uncertain: Deming's line, by its effective variance
        weight = 1.0 / (of_y + slope**2 * of_x)
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
    """Return γ as `_power` finds it, what the black level's uncertainty moves it by in its own."""
    gamma, moved = (_power(levels, black.value + off) for off in (0.0, black.u))
    if gamma is None or moved is None:
        return None
    return replace(gamma, u=math.hypot(gamma.u, moved.value - gamma.value))


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
    best = trials[int(np.argmin([cost(g) for g in trials]))]
    found = scipy.optimize.minimize_scalar(
        cost, bounds=(best - 0.06, best + 0.06), method="bounded"
    )
    gamma, least, step = float(found.x), float(found.fun), 0.02
    bend = (cost(gamma + step) + cost(gamma - step) - 2.0 * least) / step**2
    misfit = max(1.0, least / max(int(np.count_nonzero(used)) - 3, 1))
    if bend <= 0.0 or misfit > MOST_MISFIT:
        return None
    return Number(gamma, math.sqrt(2.0 * misfit / bend), "")
