"""The answer of fits under plain light: which branch, how sure, and how the two compare."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import chdtri

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between
from bench.imaging.appearance import FREE_LIGHT, POSE, jacobian, response_to
from bench.solve.ambiguity import Modes, mirrored_pose, turned_normal
from bench.solve.answer import Answer, is_other_branch
from bench.solve.evidence import Evidence, evidence_of
from bench.solve.image_fit import (
    NORMAL_HELD,
    ImageFit,
    Scene,
    fit_image,
    imprint_at,
    pose_covariance_of,
)
from bench.solve.imprint import kinds_left, truncation_covariance
from bench.solve.imprint_score import Shown, hints, kinds_shown
from bench.solve.leave_one_out import leave_one_out_covariance, line_of_pixels, line_sums
from bench.solve.noise import ENOUGH_PIXELS, Noise
from bench.solve.robust import FLAT, STRONG, fit_robustly, loss, strength_of, weigh_down
from bench.solve.weights import Weigher
from bench.typing import Array

# χ² by which a fit must trail another before it is dropped half way: odds of e^-25.
HOPELESS = 50.0
# Probabilities under which χ² is called too large: to suspect pixels, and to widen a covariance.
SUSPECT, IMPLAUSIBLE = 1e-3, 0.05


@dataclass(frozen=True, eq=False)
class Branch:
    """One fit, and what it leaves unexplained.

    Attributes
    ----------
    fit : ImageFit
        The fit.
    weigh : Weigher
        By which its pixels were weighed.
    loss : float
        To compare branches by, as a χ².
    robust : bool
        Whether pixels were weighed down.
    off_px : float
        How far boundaries are off, beyond what noise does.
    """

    fit: ImageFit
    weigh: Weigher
    loss: float
    robust: bool
    off_px: float = 0.0


@lru_cache(maxsize=4)
def suspect(fit: ImageFit, scene: Scene) -> bool:
    """Tell whether noise hardly explains what a fit leaves: all of it, or strong boundaries'.

    Noise that was learnt from flat parts is itself uncertain, which three of its standard
    deviations allow for.
    """
    if fit.chi_square > float(chdtri(len(scene.grey) - len(fit.information), SUSPECT)):
        return True
    strength = strength_of(scene, fit)
    top = float(np.max(strength))
    strong = strength > STRONG * top
    flat = max(int(np.count_nonzero(strength < FLAT * top)), 2 * ENOUGH_PIXELS)
    slack = 3.0 * math.sqrt(2.0 / flat) if scene.terms == FREE_LIGHT else 0.0
    left = (scene.grey - fit.predicted)[strong]
    square = float(fit.weights[strong] @ (left * left))
    return square > (1.0 + slack) * float(chdtri(np.count_nonzero(strong), SUSPECT))


def shared_kinds(scene: Scene, fit: ImageFit, noise: Noise, most: int, *, curved: bool) -> Shown:
    """Return what a fit shows that boundaries share and it lacks, so many kinds at most.

    Pixels that show something else have no say. A fit that noise explains is asked by its own
    equations first, which answers most clean pictures.
    """
    asked = kinds_left(scene.kinds, curved=curved)
    # derivatives of the fit's last steps serve: they have settled
    near = scene.pixels.near
    plain = fit.sensitivity[:, : POSE + 1]
    here = None if scene.kinds else fit.reflectance[:near]
    columns = imprint_at(scene, asked, fit.pose, fit.blur_px, fit.amounts, plain, here)
    columns *= response_to(fit.reflectance, fit.light, scene.pixels)[:near, None]
    left = scene.grey - fit.predicted
    if not suspect(fit, scene):
        known = jacobian(fit.sensitivity, fit.reflectance, fit.light, scene.pixels, near)
        hinted, hidden = hints(
            fit.information, known, columns, fit.weights[:near], left[:near], asked
        )
        if not hinted:
            return Shown((), hidden)
    known = jacobian(fit.sensitivity, fit.reflectance, fit.light, scene.pixels)
    rows = np.zeros((len(known), known.shape[1] + columns.shape[1]))
    rows[:, : known.shape[1]] = known
    rows[:near, known.shape[1] :] = columns
    strength = strength_of(scene, fit)
    trust = weigh_down(scene.grey, fit.predicted, strength, noise).trust
    weights = trust / noise.variance(fit.predicted)
    strong = strength > STRONG * np.max(strength)
    return kinds_shown(
        *line_sums(line_of_pixels(scene, fit.pose), rows, weights, left),
        asked,
        float(weights[strong] @ left[strong] ** 2),
        float(np.sum(trust[strong])),
        most,
    )


def mirrored_fits(
    scene: Scene,
    weigh: Callable[[Array], Array],
    pose: Pose,
    blur_px: float,
    chi_square: float,
    patience: float,
) -> list[ImageFit]:
    """Return the fit from the mirror image of a pose, if there is one apart from it.

    Parameters
    ----------
    scene, weigh : Scene, callable
        As `bench.solve.image_fit.fit_image` has them.
    pose, blur_px, chi_square : Pose, float, float
        The fit whose mirror image is tried, and what it leaves.
    patience : float
        χ² by which another must trail before it is dropped half way.
    """
    mirrored = mirrored_pose(pose)
    if not is_other_branch(pose, mirrored):
        return []
    half_way = 0.5 * angle_between(mirrored.rotation[:, 2], pose.rotation[:, 2])

    def gone_back(found: Pose) -> bool:
        return angle_between(found.rotation[:, 2], pose.rotation[:, 2]) < half_way

    give_up = chi_square + patience
    try:
        other = fit_image(scene, mirrored, blur_px, weigh, give_up=give_up, gone=gone_back)
    except GeometryError:
        return []
    return [] if gone_back(other.pose) else [other]


def patience_with(fit: ImageFit, scene: Scene) -> float:
    """Return by how much χ² may trail a fit; where it fits badly, differences mean less."""
    return HOPELESS * misfit(fit, scene)


def misfit(fit: ImageFit, scene: Scene) -> float:
    """Return by how much squared residuals are larger than noise."""
    return max(1.0, fit.chi_square / (len(scene.grey) - len(fit.information)))


def even_answer(fits: Sequence[ImageFit], scene: Scene, weigh: Weigher, hidden: Array) -> Answer:
    """Return the answer of one fit, or of two branches.

    Parameters
    ----------
    fits, scene, weigh : sequence of ImageFit, Scene, Weigher
        What was fitted.
    hidden : (6, 6) float64
        Mean square of what isn't fitted and moves a pose.

    Raises
    ------
    numpy.linalg.LinAlgError
        The picture doesn't determine the pose.
    """
    branches = _branches(fits, scene, weigh)
    best = branches[0]
    evidence = evidence_of(
        scene.pixels,
        scene.grey,
        best.fit.predicted,
        strength_of(scene, best.fit),
        best.weigh.noise,
        best.weigh.trust,
    )
    chi_square, degrees = _misfit(best, scene)
    covariance, widened = _covariance(best, scene, chi_square, degrees, evidence, hidden)
    other, modes = None, None
    if len(branches) > 1 and is_other_branch(best.fit.pose, branches[1].fit.pose):
        other = branches[1].fit.pose
        delta = (branches[1].loss - best.loss) / widened
        modes = compare(delta, best.fit, other, scene, best.weigh, widened)
    terms = "free" if scene.terms == FREE_LIGHT else "even"
    return Answer(
        best.fit.pose,
        best.fit.blur_px,
        covariance,
        chi_square,
        degrees,
        evidence,
        " + ".join((terms, *scene.kinds)),
        other,
        modes,
    )


def compare(
    delta: float,
    best: ImageFit,
    other: Pose,
    scene: Scene,
    weigh: Callable[[Array], Array],
    widened: float,
) -> Modes:
    """Compare two branches; the way between them is walked only where it matters.

    Parameters
    ----------
    delta : float
        By how much the other one's loss is larger, over `widened`.
    best : ImageFit
        The better.
    other : Pose
        Where the other is.
    scene, weigh : Scene, callable
        As the better was fitted.
    widened : float
        By how much its variance is larger than noise would make it.
    """
    if delta > HOPELESS:
        return Modes(delta, math.inf)
    between = best.pose.rotation[:, 2] + other.rotation[:, 2]
    halfway = Pose(
        turned_normal(best.pose.rotation, between / np.linalg.norm(between)),
        0.5 * (best.pose.translation + other.translation),
    )
    give_up = best.chi_square + HOPELESS * widened
    try:
        ridge = fit_image(scene, halfway, best.blur_px, weigh, NORMAL_HELD, give_up=give_up)
    except GeometryError:  # no way between them
        return Modes(delta, math.inf)
    height = math.inf if ridge.lost else (ridge.chi_square - best.chi_square) / widened
    return Modes(delta, height)


def _branches(fits: Sequence[ImageFit], scene: Scene, weigh: Weigher) -> list[Branch]:
    """Return the fits, the one that explains most first.

    Where the best fails its χ² test, pixels that show something else are weighed down, for
    each branch that isn't lost by its own prediction.
    """
    fits = sorted(fits, key=lambda fit: fit.chi_square)
    if not suspect(fits[0], scene):
        return [Branch(fit, weigh, fit.chi_square, False) for fit in fits]
    lost = [Branch(fit, weigh, math.inf, True) for fit in fits if fit.lost]
    robust = [fit_robustly(scene, fit, weigh) for fit in fits if not fit.lost]
    scale = min(r.scale for r in robust)
    even = Weigher(weigh.noise, min(robust, key=lambda r: r.mismatch_px).weigh.mismatch)
    branches = [
        Branch(
            r.fit,
            r.weigh,
            loss(even.standardised(scene.grey, r.fit.predicted), scale),
            True,
            r.mismatch_px,
        )
        for r in robust
    ]
    return sorted(branches, key=lambda branch: branch.loss) + lost


def _misfit(branch: Branch, scene: Scene) -> tuple[float, float]:
    """Return χ² against noise alone, of the pixels trusted, and its degrees of freedom."""
    z = Weigher(branch.weigh.noise).standardised(scene.grey, branch.fit.predicted)
    trust = np.ones(len(z)) if branch.weigh.trust is None else branch.weigh.trust
    return float(trust @ (z * z)), float(np.sum(trust)) - len(branch.fit.information)


def _covariance(
    branch: Branch,
    scene: Scene,
    chi_square: float,
    degrees: float,
    evidence: Evidence,
    hidden: Array,
) -> tuple[Array, float]:
    """Return the pose's covariance, and by how much it is wider than noise would make it.

    Noise that neighbours share counts less often than pixels do: lines tell how much less.
    """
    fit = branch.fit
    covariance = pose_covariance_of(fit.information)
    covariance += truncation_covariance(fit.information, fit.amounts, scene.kinds) + hidden
    if not branch.robust and evidence.correlation == 0.0:
        return widened_by_misfit(covariance, chi_square, degrees)
    apart = leave_one_out_covariance(scene, fit)
    rows = jacobian(fit.sensitivity, fit.reflectance, fit.light, scene.pixels)
    weighted = rows * fit.weights[:, None]
    grown = growth_covariance(
        weighted.T @ rows, weighted.T @ strength_of(scene, fit), branch.off_px
    )
    return widened_by_lines(covariance, apart, chi_square, degrees, grown)


def growth_covariance(information: Array, pull: Array, off_px: float) -> Array:
    """Return what a pose (6, 6) owes to all of black being larger or smaller alike.

    Ink that spreads, a blur with other tails or a response curve move all boundaries to one
    side; how far isn't told by how lines disagree. As much as boundaries are off is allowed
    for, as a standard uncertainty.

    Parameters
    ----------
    information, pull : (P, P), (P,) float64
        JᵀWJ, the pose's six parameters first, and JᵀW times how much each grey value changes for
        each pixel that a boundary moves.
    off_px : float
        How far boundaries are off.
    """
    scale = np.sqrt(np.diag(information))
    scale[scale == 0.0] = 1.0
    inverse = np.linalg.pinv(information / np.outer(scale, scale), hermitian=True)
    way = off_px * (inverse @ (pull / scale) / scale)[:POSE]
    return np.outer(way, way)


def widened_by_misfit(covariance: Array, chi_square: float, degrees: float) -> tuple[Array, float]:
    """Return a covariance times the least factor on the variance that χ² doesn't refute."""
    widened = max(1.0, chi_square / float(chdtri(degrees, IMPLAUSIBLE)))
    return covariance * widened, widened


def widened_by_lines(
    covariance: Array, apart: Array | None, chi_square: float, degrees: float, grown: Array
) -> tuple[Array, float]:
    """Return the covariance from how much lines of the drawing disagree, where that is more.

    In each direction the larger of the two: with V = LLᵀ from noise and the eigenvalues of
    L⁻¹ V_lines L⁻ᵀ no less than one. With too few lines, noise's times χ² over its degrees of
    freedom. What all lines have in common (`growth_covariance`) comes on top.
    """
    if apart is None:
        widened = max(1.0, chi_square / degrees)
        return covariance * widened + grown, widened
    root = np.linalg.cholesky(covariance)
    half = np.linalg.solve(root, apart)
    values, vectors = np.linalg.eigh(np.linalg.solve(root, half.T))
    wide = root @ vectors
    larger = np.maximum(values, 1.0)
    return (wide * larger) @ wide.T + grown, float(np.mean(larger))
