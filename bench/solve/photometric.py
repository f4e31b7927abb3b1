"""Pose from every pixel of a target: predict the picture and compare."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from bench.detect.detection import Detection
from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between
from bench.geometry.viewing import mirrored_normal
from bench.imaging.appearance import FREE_LIGHT
from bench.solve.ambiguity import Modes, spread_over_modes, turned_normal
from bench.solve.conclude import NOT_FINITE, SAME_NORMAL
from bench.solve.covariance import noise_variance
from bench.solve.estimate import Estimate, Outcome
from bench.solve.face import face_after, face_of
from bench.solve.image_fit import (
    NORMAL_HELD,
    ImageFit,
    Scene,
    fit_image,
    pose_covariance_of,
)
from bench.solve.ippe import IppeLmSolver
from bench.solve.leave_one_out import leave_one_out_covariance
from bench.solve.noise import EVEN_NOISE, noise_of_residuals, noise_of_sensor
from bench.solve.refine import Fit
from bench.solve.robust import fit_robustly, loss, strength_of
from bench.solve.weights import Weigher
from bench.typing import Array

# Where the blur's fit starts; a lens in focus gives 0.4 to 1 px.
START_BLUR_PX = 0.7
# χ² by which a fit must trail another before it is dropped half way: odds of e^-25.
HOPELESS = 50.0
# χ² of the corners against the second pose above which the picture isn't asked: 22 standard
# deviations of what a detector claims and residuals don't refute. On small markers scatter and
# bias are up to five times the claim, and this is still four of them.
CORNERS_DECIDE = 500.0
# Of the strongest boundary's: what counts as flat where noise is to be learnt from the picture.
FLAT = 0.02
# Probabilities under which χ² is called too large: to suspect pixels, and to widen a covariance.
SUSPECT, IMPLAUSIBLE = 1e-3, 0.05


class PhotometricSolver:
    """Least squares on grey values, from both solutions of IPPE.

    Equation: minimum over pose, blur and light of Σ (grey - predicted)² / variance, the
    maximum-likelihood pose for Gaussian pixel noise.
    Paper: Lucas and Kanade 1981 for the principle; the derivatives are analytic, on the edges.
    Precondition: that of IPPE for the start; a Gaussian blur; most of the face visible. Where the
    sensor isn't known, neither are noise, response curve and stray light: all are fitted.
    """

    name = "photometric"

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate the target's pose; the runner-up is the other branch.

        The other branch is fitted to the picture too, unless the corners alone exclude it
        beyond doubt and the first one fits, and no further than until it has lost. NOT_FINITE
        where the picture holds too little of the face.
        """
        start = IppeLmSolver().solve(detection, observation)
        if start.T_camera_target_est is None:
            return start
        try:
            scene, weigh, first = _first_fit(start.T_camera_target_est, observation)
            fits = [first]
            if _suspect(first, scene) or not _corners_decide(start, detection):
                fits += _other_branch(scene, weigh, first)
            branches = _branches(fits, scene, weigh)
            return _conclude(branches, scene, start, detection)
        except (GeometryError, np.linalg.LinAlgError):
            return NOT_FINITE


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


def _first_fit(start: Pose, observation: Observation) -> tuple[Scene, Weigher, ImageFit]:
    """Fit from the corners' pose.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        As `bench.solve.face.face_of`.
    """
    sensor = observation.sensor
    noise = EVEN_NOISE if sensor is None else noise_of_sensor(sensor)
    rough = face_of(observation, start, START_BLUR_PX, noise)
    fit = fit_image(rough.scene, start, START_BLUR_PX, Weigher(noise))
    face = face_after(observation, rough, fit, noise)
    scene = face.scene
    if face is not rough:
        fit = fit_image(scene, fit.pose, fit.blur_px, Weigher(noise))
    if sensor is None:
        scene = replace(scene, terms=FREE_LIGHT)
        fit = fit_image(scene, fit.pose, fit.blur_px, Weigher(noise))
        strength = strength_of(scene, fit)
        flat = strength < FLAT * np.max(strength)
        left = scene.grey - fit.predicted
        noise = noise_of_residuals(left, fit.predicted, flat, len(fit.information))
        fit = fit_image(scene, fit.pose, fit.blur_px, Weigher(noise))
    return scene, Weigher(noise), fit


def _corners_decide(start: Estimate, detection: Detection) -> bool:
    if start.runner_up is None:
        return False
    n = len(detection.pixels)
    best, second = n * start.rmse_px**2, n * start.runner_up_rmse_px**2
    return second - best > CORNERS_DECIDE * noise_variance(best, n, detection.sigma_px)


def _suspect(fit: ImageFit, scene: Scene) -> bool:
    """Tell whether noise hardly explains what a fit leaves."""
    return fit.chi_square > float(chdtri(len(scene.grey) - len(fit.information), SUSPECT))


def _other_branch(scene: Scene, weigh: Weigher, first: ImageFit) -> list[ImageFit]:
    """Return the fit from the mirror image of another, if there is one apart from it."""
    pose = first.pose
    mirrored = Pose(turned_normal(pose.rotation, mirrored_normal(pose)), pose.translation)
    if not _visible(mirrored) or _same_normal(mirrored, pose):
        return []
    half_way = 0.5 * angle_between(mirrored.rotation[:, 2], pose.rotation[:, 2])

    def gone_back(found: Pose) -> bool:
        return angle_between(found.rotation[:, 2], pose.rotation[:, 2]) < half_way

    # where the model fits badly, differences mean less
    excess = first.chi_square / (len(scene.grey) - len(first.information))
    give_up = first.chi_square + HOPELESS * max(1.0, excess)
    try:
        other = fit_image(scene, mirrored, first.blur_px, weigh, give_up=give_up, gone=gone_back)
    except GeometryError:
        return []
    return [] if gone_back(other.pose) else [other]


def _branches(fits: Sequence[ImageFit], scene: Scene, weigh: Weigher) -> list[Branch]:
    """Return the fits, the one that explains most first.

    Where the best fails its χ² test, pixels that show something else are weighed down, for
    each branch that isn't lost by its own prediction.
    """
    fits = sorted(fits, key=lambda fit: fit.chi_square)
    if not _suspect(fits[0], scene):
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


def _conclude(
    branches: Sequence[Branch], scene: Scene, start: Estimate, detection: Detection
) -> Estimate:
    """Return the estimate: ambiguity, covariance, residuals of the corners."""
    best = branches[0]
    fit = best.fit
    chi_square, degrees = _misfit(best, scene)
    covariance, widened = _covariance(best, scene, chi_square, degrees)
    runner_up = start.runner_up
    outcome = Outcome.OK
    if len(branches) > 1:
        other = branches[1]
        runner_up = None
        if _visible(other.fit.pose) and not _same_normal(fit.pose, other.fit.pose):
            runner_up = other.fit.pose
            modes = _compare(best, other, scene, widened)
            if modes.ambiguous:
                outcome = Outcome.AMBIGUOUS
            elif not modes.separate:
                covariance = spread_over_modes(
                    covariance, _plain(fit), _plain(other.fit), modes.second_weight
                )
    return Estimate(
        outcome,
        fit.pose,
        covariance,
        _corner_rmse(fit.pose, scene, detection),
        runner_up,
        float("nan") if runner_up is None else _corner_rmse(runner_up, scene, detection),
        chi_square,
        degrees,
        fit.blur_px,
    )


def _misfit(branch: Branch, scene: Scene) -> tuple[float, float]:
    """Return χ² against noise alone, of the pixels trusted, and its degrees of freedom."""
    z = Weigher(branch.weigh.noise).standardised(scene.grey, branch.fit.predicted)
    trust = np.ones(len(z)) if branch.weigh.trust is None else branch.weigh.trust
    return float(trust @ (z * z)), float(np.sum(trust)) - len(branch.fit.information)


def _covariance(
    branch: Branch, scene: Scene, chi_square: float, degrees: float
) -> tuple[Array, float]:
    """Return the pose's covariance, and by how much it is wider than noise would make it.

    Where the model fits, from its derivatives, times the least factor on the variance that χ²
    doesn't refute. Where it doesn't, from how much lines of the drawing disagree, if that is
    more; with too few lines, times χ² over its degrees of freedom.
    """
    fit = branch.fit
    covariance = pose_covariance_of(fit.information)
    if not branch.robust:
        widened = max(1.0, chi_square / float(chdtri(degrees, IMPLAUSIBLE)))
        return covariance * widened, widened
    apart = leave_one_out_covariance(scene, fit)
    if apart is None:
        apart = covariance * max(1.0, chi_square / degrees)
    widened = float(np.trace(np.linalg.solve(covariance, apart))) / len(apart)
    return (apart, widened) if widened > 1.0 else (covariance, 1.0)


def _compare(best: Branch, other: Branch, scene: Scene, widened: float) -> Modes:
    """Compare two branches; the way between them is walked only where it matters."""
    delta = (other.loss - best.loss) / widened
    if delta > HOPELESS:
        return Modes(delta, math.inf)
    between = best.fit.pose.rotation[:, 2] + other.fit.pose.rotation[:, 2]
    halfway = Pose(
        turned_normal(best.fit.pose.rotation, between / np.linalg.norm(between)),
        0.5 * (best.fit.pose.translation + other.fit.pose.translation),
    )
    give_up = best.fit.chi_square + HOPELESS * widened
    try:
        ridge = fit_image(
            scene, halfway, best.fit.blur_px, best.weigh, NORMAL_HELD, give_up=give_up
        )
    except GeometryError:  # no way between them
        return Modes(delta, math.inf)
    height = math.inf if ridge.lost else (ridge.chi_square - best.fit.chi_square) / widened
    return Modes(delta, height)


def _plain(fit: ImageFit) -> Fit:
    return Fit(fit.pose.rotation, fit.pose.translation, fit.chi_square)


def _visible(pose: Pose) -> bool:
    return bool(pose.rotation[:, 2] @ pose.translation < 0.0)


def _same_normal(a: Pose, b: Pose) -> bool:
    return angle_between(a.rotation[:, 2], b.rotation[:, 2]) < SAME_NORMAL


def _corner_rmse(pose: Pose, scene: Scene, detection: Detection) -> float:
    """Return the RMS distance of the detected points from the pose's, or NaN."""
    try:
        offset = project(detection.p_target, pose, scene.camera) - detection.pixels
    except GeometryError:
        return float("nan")
    return math.sqrt(float(np.mean(np.sum(offset * offset, axis=1))))
