"""Pose from every pixel of a target: predict the picture and compare."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from bench.detect.detection import Detection
from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between
from bench.imaging.appearance import PARAMETERS, face_mask
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.solve.ambiguity import Modes, spread_over_modes, turned_normal
from bench.solve.conclude import NOT_FINITE, SAME_NORMAL
from bench.solve.estimate import Estimate, Outcome
from bench.solve.image_fit import (
    NORMAL_HELD,
    ImageFit,
    Scene,
    fit_image,
    pose_covariance_of,
)
from bench.solve.ippe import IppeLmSolver
from bench.solve.noise import Noise, noise_of_residuals, noise_of_sensor
from bench.solve.refine import Fit
from bench.solve.robust import fit_robustly, loss
from bench.solve.weights import Weigher
from bench.typing import BoolArray

# Where the blur's fit starts; a lens in focus gives 0.4 to 1 px.
START_BLUR_PX = 0.7
# χ² by which a fit must trail another before it is dropped half way: odds of e^-25.
HOPELESS = 50.0
# χ² of the corners against the second pose above which the picture isn't asked. Corner noise
# may be claimed three times too small (a factor of nine) and this is still beyond doubt.
CORNERS_DECIDE = 500.0
# Probabilities under which χ² is called too large: to suspect pixels, and to widen a covariance.
SUSPECT, IMPLAUSIBLE = 1e-3, 0.05


class PhotometricSolver:
    """Least squares on grey values, from both solutions of IPPE.

    Equation: minimum over pose, blur and light of Σ (grey - predicted)² / variance, the
    maximum-likelihood pose for Gaussian pixel noise.
    Paper: Lucas and Kanade 1981 for the principle; the derivatives are analytic, on the edges.
    Precondition: that of IPPE for the start; a Gaussian blur; most of the face visible.
    """

    name = "photometric"

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate the target's pose; the runner-up is the other branch.

        The other branch is fitted to the picture too unless the corners alone exclude it
        beyond doubt. NOT_FINITE where the picture holds too little of the face.
        """
        start = IppeLmSolver().solve(detection, observation)
        if start.T_camera_target_est is None:
            return start
        starts = [start.T_camera_target_est]
        if start.runner_up is not None:
            gap = start.runner_up_rmse_px**2 - start.rmse_px**2
            if len(detection.pixels) * gap < CORNERS_DECIDE * detection.sigma_px**2:
                starts.append(start.runner_up)
        try:
            scene, mask = _scene(starts[0], observation)
            noise = _noise(starts[0], scene, mask, observation)
            branches = _fit_branches(starts, scene, Weigher(mask, noise))
            return _conclude(branches, scene, start, detection)
        except (GeometryError, np.linalg.LinAlgError):
            return NOT_FINITE


@dataclass(frozen=True, eq=False)
class Branch:
    """One fit, how its pixels were weighed, and what it leaves unexplained, as a χ²."""

    fit: ImageFit
    weigh: Weigher
    loss: float


def _scene(start: Pose, observation: Observation) -> tuple[Scene, BoolArray]:
    """Return the part of the picture that shows the face, and which pixels of it count.

    Raises
    ------
    GeometryError
        The face has no image, or none inside the picture.
    numpy.linalg.LinAlgError
        Too few pixels count.
    """
    drawing, camera, picture = (
        observation.target.drawing,
        observation.camera,
        observation.picture,
    )
    region = _overlap(region_of(drawing, start, camera, 1.0), picture)
    top, left = region.v0 - picture.v0, region.u0 - picture.u0
    grey = picture.grey[top : top + region.height, left : left + region.width]
    mask = face_mask(drawing, start, camera, START_BLUR_PX, region)
    mask &= grey < picture.full_scale  # a saturated pixel tells only that it's bright
    if np.count_nonzero(mask) < 4 * PARAMETERS:
        raise np.linalg.LinAlgError("too few pixels show the face")
    return Scene(drawing, camera, region, grey.astype(np.float64)), mask


def _overlap(region: Region, picture: Picture) -> Region:
    own = picture.region
    u0, v0 = max(region.u0, own.u0), max(region.v0, own.v0)
    width = min(region.u0 + region.width, own.u0 + own.width) - u0
    height = min(region.v0 + region.height, own.v0 + own.height) - v0
    if width < 1 or height < 1:
        raise GeometryError("the target's face lies outside the picture")
    return Region(u0, v0, width, height)


def _noise(start: Pose, scene: Scene, mask: BoolArray, observation: Observation) -> Noise:
    """Return the sensor's noise, or what a first fit leaves where the face is flat."""
    if observation.sensor is not None:
        return noise_of_sensor(observation.sensor)
    rough = fit_image(scene, start, START_BLUR_PX, Weigher(mask, Noise(1.0, 0.0, 0.0)))
    flat = rough.sensitivity[-1] == 0.0
    residual = scene.grey - rough.predicted
    return noise_of_residuals(residual[mask], rough.predicted[mask], flat[mask], PARAMETERS)


def _fit_branches(starts: Sequence[Pose], scene: Scene, weigh: Weigher) -> list[Branch]:
    """Fit from every start and return the fits, the one that explains most first.

    Where the best fails its χ² test, pixels that show something else are weighed down, for
    each branch by its own prediction.
    """
    fits = [fit_image(scene, starts[0], START_BLUR_PX, weigh)]
    for start in starts[1:]:
        best = fits[0]
        give_up = best.chi_square + HOPELESS
        fits.append(fit_image(scene, start, best.blur_px, weigh, give_up=give_up))
    fits.sort(key=lambda fit: fit.chi_square)
    degrees = fits[0].n_pixels - PARAMETERS
    if fits[0].chi_square <= chdtri(degrees, SUSPECT):
        return [Branch(fit, weigh, fit.chi_square) for fit in fits]
    robust = [fit_robustly(scene, fit, weigh) for fit in fits]
    scale = min(weigher.scale for _, weigher in robust)
    branches = [Branch(fit, weigher, loss(scene, fit, weigh, scale)) for fit, weigher in robust]
    return sorted(branches, key=lambda branch: branch.loss)


def _conclude(
    branches: Sequence[Branch], scene: Scene, start: Estimate, detection: Detection
) -> Estimate:
    """Return the estimate: ambiguity, covariance, residuals of the corners."""
    best = branches[0]
    fit = best.fit
    degrees = float(np.sum(best.weigh.kept(fit.predicted, scene))) - PARAMETERS
    widened = max(1.0, fit.chi_square / float(chdtri(degrees, IMPLAUSIBLE)))
    covariance = pose_covariance_of(fit.information) * widened
    runner_up = start.runner_up
    outcome = Outcome.OK
    if len(branches) > 1:
        other = branches[1]
        runner_up = other.fit.pose
        delta = (other.loss - best.loss) / widened
        if _visible(other.fit.pose) and not _same_normal(fit.pose, other.fit.pose):
            modes = _compare(best, other, scene, delta, widened)
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
        fit.chi_square,
        degrees,
        fit.blur_px,
    )


def _compare(best: Branch, other: Branch, scene: Scene, delta: float, widened: float) -> Modes:
    """Compare two branches; the way between them is walked only where it matters."""
    if delta > HOPELESS:
        return Modes(delta, math.inf)
    between = best.fit.pose.rotation[:, 2] + other.fit.pose.rotation[:, 2]
    halfway = Pose(
        turned_normal(best.fit.pose.rotation, between / np.linalg.norm(between)),
        0.5 * (best.fit.pose.translation + other.fit.pose.translation),
    )
    ridge = fit_image(scene, halfway, best.fit.blur_px, best.weigh, NORMAL_HELD)
    return Modes(delta, (ridge.chi_square - best.fit.chi_square) / widened)


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
