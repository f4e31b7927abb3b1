"""The answer of fits under plain light: which branch, how sure, and how the two compare."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between
from bench.geometry.viewing import mirrored_normal
from bench.solve.ambiguity import Modes, turned_normal
from bench.solve.answer import Answer, is_other_branch
from bench.solve.image_fit import (
    NORMAL_HELD,
    ImageFit,
    Scene,
    fit_image,
    pose_covariance_of,
)
from bench.solve.leave_one_out import leave_one_out_covariance
from bench.solve.robust import fit_robustly, loss
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
    """

    fit: ImageFit
    weigh: Weigher
    loss: float
    robust: bool


def suspect(fit: ImageFit, scene: Scene) -> bool:
    """Tell whether noise hardly explains what a fit leaves."""
    return fit.chi_square > float(chdtri(len(scene.grey) - len(fit.information), SUSPECT))


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
    mirrored = Pose(turned_normal(pose.rotation, mirrored_normal(pose)), pose.translation)
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
    return HOPELESS * max(1.0, fit.chi_square / (len(scene.grey) - len(fit.information)))


def even_answer(fits: Sequence[ImageFit], scene: Scene, weigh: Weigher) -> Answer:
    """Return the answer of one fit, or of two branches.

    Raises
    ------
    numpy.linalg.LinAlgError
        The picture doesn't determine the pose.
    """
    branches = _branches(fits, scene, weigh)
    best = branches[0]
    chi_square, degrees = _misfit(best, scene)
    covariance, widened = _covariance(best, scene, chi_square, degrees)
    other, modes = None, None
    if len(branches) > 1 and is_other_branch(best.fit.pose, branches[1].fit.pose):
        other = branches[1].fit.pose
        delta = (branches[1].loss - best.loss) / widened
        modes = compare(delta, best.fit, other, scene, best.weigh, widened)
    return Answer(best.fit.pose, best.fit.blur_px, covariance, chi_square, degrees, other, modes)


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
        Branch(r.fit, r.weigh, loss(even.standardised(scene.grey, r.fit.predicted), scale), True)
        for r in robust
    ]
    return sorted(branches, key=lambda branch: branch.loss) + lost


def _misfit(branch: Branch, scene: Scene) -> tuple[float, float]:
    """Return χ² against noise alone, of the pixels trusted, and its degrees of freedom."""
    z = Weigher(branch.weigh.noise).standardised(scene.grey, branch.fit.predicted)
    trust = np.ones(len(z)) if branch.weigh.trust is None else branch.weigh.trust
    return float(trust @ (z * z)), float(np.sum(trust)) - len(branch.fit.information)


def _covariance(
    branch: Branch, scene: Scene, chi_square: float, degrees: float
) -> tuple[Array, float]:
    """Return the pose's covariance, and by how much it is wider than noise would make it."""
    covariance = pose_covariance_of(branch.fit.information)
    if not branch.robust:
        return widened_by_misfit(covariance, chi_square, degrees)
    apart = leave_one_out_covariance(scene, branch.fit)
    return widened_by_lines(covariance, apart, chi_square, degrees)


def widened_by_misfit(covariance: Array, chi_square: float, degrees: float) -> tuple[Array, float]:
    """Return a covariance times the least factor on the variance that χ² doesn't refute."""
    widened = max(1.0, chi_square / float(chdtri(degrees, IMPLAUSIBLE)))
    return covariance * widened, widened


def widened_by_lines(
    covariance: Array, apart: Array | None, chi_square: float, degrees: float
) -> tuple[Array, float]:
    """Return the covariance from how much lines of the drawing disagree, if that is more.

    With too few lines, noise's times χ² over its degrees of freedom.
    """
    if apart is None:
        apart = covariance * max(1.0, chi_square / degrees)
    widened = float(np.trace(np.linalg.solve(covariance, apart))) / len(apart)
    return (apart, widened) if widened > 1.0 else (covariance, 1.0)
