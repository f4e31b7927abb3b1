"""Least squares of a predicted picture whose light varies over the face.

Gauss-Newton over pose, blur and the two fields of `bench.solve.light_fields` together, their
amplitudes by marginal likelihood. Pixels that show something else are weighed down before the
fields see them, from the residuals of the fit without fields: a reflection leaves many small
ones, dirt and cables few large ones, and fields would rather follow those.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from bench.imaging.appearance import edge_strength, response_to
from bench.imaging.sensor import QUANTISATION_VARIANCE
from bench.solve.field_step import FieldFit, Step, step_fields
from bench.solve.image_fit import ImageFit, Scene
from bench.solve.imprint import amounts_of
from bench.solve.light_fields import (
    light_basis,
    places_on_plate,
)
from bench.solve.noise import ENOUGH_PIXELS, Noise
from bench.solve.robust import STRONG, WeighedDown, strength_of, weigh_down
from bench.solve.weights import Weigher
from bench.typing import Array, BoolArray, IntArray

# Cells along a plate's longer side; the second where flat parts still vary under the first, at
# this probability: shadows' edges, uneven paper, small reflections.
STAGES = (8, 16)
ROUGHER = 0.01
# A cell is no smaller than this: boundaries of a small marker would be light.
LEAST_CELL_PX, LEAST_CELLS = 7.0, 2
ROUNDS = 12
# Rounds in which amplitudes are chosen: early, and again as outliers have dropped out.
CHOOSING = (0, 1, 3, 5)
# Of a fit that is carried on.
CONTINUED = (1,)
START_RUNGS = (4, 4)
# A step of so many standard deviations to come, and a change of trust, below which rounds end.
# Reweighted steps shrink by about the same factor each, so that the last two foretell the next;
# 0.05 adds 0.3 % to a variance.
SMALL_STEP, SETTLED = 0.05, 0.05
# Residuals beyond three standard deviations don't say what noise is; a Gaussian's variance
# inside them is 0.973 of all.
CORE_SIGMAS, CORE_SHARE, CORE_ROUNDS = 3.0, 0.9733, 8
# Probability under which residuals are called more than noise, as the solver's own.
SUSPECT = 1e-3


@dataclass(frozen=True, eq=False)
class Weighed:
    """A fit with how its pixels were weighed.

    Attributes
    ----------
    step : Step
        The last one, which led to the fit.
    weigh : Weigher
        As it was used.
    robust : bool
        Whether pixels were weighed down, as noise alone doesn't explain them.
    scale : float
        Of the residuals, in standard deviations, 1 or more.
    parameters : float
        How many the fit has spent, effectively: the trace of A⁻¹JᵀWJ.
    """

    step: Step
    weigh: Weigher
    robust: bool
    scale: float
    parameters: float

    @property
    def fit(self) -> FieldFit:
        """The fit."""
        return self.step.fit


@dataclass(frozen=True, eq=False)
class Known:
    """What a fit with fields is told of a picture.

    Attributes
    ----------
    noise : Noise
        Of the sensor, or from differences of neighbours.
    learnt : bool
        Whether its level is to follow the residuals of flat parts.
    ceiling, clipped : float
        Grey values from which on saturation clips noise, and that saturated pixels have.
    flat : (N,) bool
        Pixels far from any boundary, or all where those are few.
    contrast : float
        Between black and white, grey values.
    line : (N,) int64
        The drawing's line that each pixel is nearest to.
    """

    noise: Noise
    learnt: bool
    ceiling: float
    clipped: float
    flat: BoolArray
    contrast: float
    line: IntArray


def fit_fields(scene: Scene, first: ImageFit, known: Known) -> Weighed:
    """Fit pose, blur and fields from where a fit without fields ended.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        The target has no image on the way, or the picture doesn't determine its pose.
    """
    down = weigh_down(scene.grey, first.predicted, strength_of(scene, first), known.noise)
    down = _unclipped(down, scene, first.predicted, known)
    response = response_to(first.reflectance, first.light, scene.pixels)
    pose, blur, predicted = first.pose, first.blur_px, first.predicted
    amounts, value = first.amounts, first.reflectance
    side = max(scene.pixels.region.width, scene.pixels.region.height)
    for stage in STAGES:
        cells = max(LEAST_CELLS, min(stage, int(side / LEAST_CELL_PX)))
        basis = light_basis(scene, pose, cells)
        start = FieldFit(
            pose, blur, basis, START_RUNGS, np.zeros(2 * basis.size + 1), amounts,
            value, response, predicted, np.column_stack((np.zeros_like(response), response)),
        )  # fmt: skip
        found = _settled(scene, start, down, known)
        fit, down = found.fit, WeighedDown(found.weigh, 0.0, found.scale)
        pose, blur, response, predicted = fit.pose, fit.blur_px, fit.response, fit.predicted
        amounts, value = fit.amounts, fit.reflectance
        if cells < stage or not _rougher(scene, found, known):
            break
    return _concluded(scene, found, known)


def continued(scene: Scene, best: Weighed, known: Known) -> Weighed:
    """Return a fit carried on with more kinds in the scene than it had.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        As `fit_fields`.
    """
    amounts = np.zeros(amounts_of(scene.kinds))
    amounts[: len(best.fit.amounts)] = best.fit.amounts
    start = replace(best.fit, amounts=amounts)
    down = WeighedDown(best.weigh, 0.0, best.scale)
    found = _settled(scene, start, down, known, choosing=CONTINUED)
    return _concluded(scene, found, known)


def _concluded(scene: Scene, found: Weighed, known: Known) -> Weighed:
    """Return the fit with all pixels alike where noise explains them."""
    step = found.step
    plain = Weigher(found.weigh.noise, None, _inside(scene, step.fit.predicted, known))
    if not _explained(scene, found, plain):
        return found
    for _ in range(2):
        step = step_fields(scene, step.fit, plain, known.contrast, sensitivity=step.kept)
        if step.kept is not None:
            break
    return Weighed(step, plain, False, 1.0, found.parameters)


def _settled(
    scene: Scene,
    start: FieldFit,
    down: WeighedDown,
    known: Known,
    choosing: tuple[int, ...] = CHOOSING,
) -> Weighed:
    """Return the fit after rounds of steps and reweighting."""
    fit, parameters, last = start, 0.0, 0.0
    kept: Array | None = None
    for turn in range(ROUNDS):
        step = step_fields(
            scene, fit, down.weigh, known.contrast, choose=turn in choosing, sensitivity=kept
        )
        fit = step.fit
        if turn == 1:
            parameters = step.solved.spent()
        noise = _noise_now(scene, fit, down.trust, known, parameters)
        strength = edge_strength(step.sensitivity, fit.response, fit.pose, scene.camera)
        before = down.trust
        down = _unclipped(
            weigh_down(scene.grey, fit.predicted, strength, noise), scene, fit.predicted, known
        )
        small = step.square**2 < SMALL_STEP**2 * last
        if small and np.max(np.abs(down.trust - before)) < SETTLED:
            break
        last, kept = step.square, step.kept
    return Weighed(step, down.weigh, True, down.scale, parameters)


def _noise_now(
    scene: Scene, fit: FieldFit, trust: Array, known: Known, parameters: float
) -> Noise:
    """Return the noise, its level learnt anew from flat parts where it isn't known."""
    if not known.learnt:
        return known.noise
    flat = known.flat & (trust > 0.0)
    square = Weigher(known.noise).standardised(scene.grey, fit.predicted)[flat] ** 2
    if len(square) < ENOUGH_PIXELS:
        return known.noise
    level = float(np.mean(square))
    for _ in range(CORE_ROUNDS):
        level = float(np.mean(square[square < CORE_SIGMAS**2 * level])) / CORE_SHARE
    level *= len(trust) / max(1.0, len(trust) - parameters)
    noise = known.noise
    return Noise(max(noise.dark * level, QUANTISATION_VARIANCE), noise.slope * level, noise.black)


def _rougher(scene: Scene, found: Weighed, known: Known) -> bool:
    """Tell whether flat parts vary in finer cells than the fields could follow.

    By the sums of residuals in cells of the finest stage, as χ² (Pearson): power against what is
    broader than a cell, and blind to noise that pixels don't share.
    """
    trust = found.weigh.trust
    assert trust is not None
    used = known.flat & (trust > 0.0)
    places = np.clip(places_on_plate(scene, found.fit.pose)[used] + 0.5, 0.0, 1.0 - 1e-9)
    cell = (places * STAGES[-1]).astype(np.int64) @ (STAGES[-1], 1)
    z = Weigher(known.noise).standardised(scene.grey, found.fit.predicted)[used]
    weights = trust[used]
    count = STAGES[-1] ** 2
    sums = np.bincount(cell, weights * z, count)
    squares = np.bincount(cell, weights * weights, count)
    full = squares > 0.0
    statistic = float(np.sum(sums[full] ** 2 / squares[full]))
    return statistic > float(chdtri(np.count_nonzero(full), ROUGHER))


def _explained(scene: Scene, found: Weighed, plain: Weigher) -> bool:
    """Tell whether noise explains what all pixels leave, and those on boundaries alone."""
    fit = found.fit
    inside = plain.trust
    assert inside is not None
    z = plain.standardised(scene.grey, fit.predicted)
    square, count = float(inside @ (z * z)), float(np.sum(inside)) - found.parameters
    if square > chdtri(max(1.0, count), SUSPECT):
        return False
    strength = edge_strength(found.step.sensitivity, fit.response, fit.pose, scene.camera)
    strong = inside * (strength > STRONG * np.max(strength))
    return bool(strong @ (z * z) <= chdtri(max(1.0, float(np.sum(strong))), SUSPECT))


def _unclipped(down: WeighedDown, scene: Scene, predicted: Array, known: Known) -> WeighedDown:
    """Return weights without pixels that are, or should be, saturated."""
    trust = down.trust * _inside(scene, predicted, known)
    return replace(down, weigh=replace(down.weigh, trust=trust))


def _inside(scene: Scene, predicted: Array, known: Known) -> Array:
    return ((predicted < known.ceiling) & (scene.grey < known.clipped)).astype(np.float64)
