"""Pose from every pixel of a target: predict the picture and compare."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bench.detect.detection import Detection
from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.imaging.appearance import FREE_LIGHT
from bench.solve.answer import Answer, estimate_of
from bench.solve.conclude import NOT_FINITE
from bench.solve.covariance import noise_variance
from bench.solve.estimate import Estimate
from bench.solve.even_light import (
    even_answer,
    mirrored_fits,
    misfit,
    patience_with,
    shared_kinds,
    suspect,
)
from bench.solve.face import ceiling_of, face_after, face_of
from bench.solve.field_fit import Known
from bench.solve.image_fit import ImageFit, Scene, fit_image
from bench.solve.imprint import ROUNDS, amounts_of
from bench.solve.imprint_score import rival_square
from bench.solve.ippe import IppeLmSolver
from bench.solve.leave_one_out import line_of_pixels
from bench.solve.light_score import light_is_uneven
from bench.solve.noise import (
    ENOUGH_PIXELS,
    EVEN_NOISE,
    noise_of_differences,
    noise_of_residuals,
    noise_of_sensor,
)
from bench.solve.robust import FLAT, strength_of
from bench.solve.uneven_light import uneven_answer
from bench.solve.weights import Weigher
from bench.typing import Array

# Where the blur's fit starts; a lens in focus gives 0.4 to 1 px.
START_BLUR_PX = 0.7
# χ² of the corners against the second pose above which the picture isn't asked: 22 standard
# deviations of what a detector claims and residuals don't refute. On small markers scatter and
# bias are up to five times the claim, and this is still four of them.
CORNERS_DECIDE = 500.0


class PhotometricSolver:
    """Least squares on grey values, from both solutions of IPPE.

    Equation: minimum over pose, blur and light of Σ (grey - predicted)² / variance, the
    maximum-likelihood pose for Gaussian pixel noise. Where a score test says that light varies
    over the face, it is two smooth fields (`bench.solve.light_fields`).
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
        start = IppeLmSolver().start(detection, observation)
        if start.T_camera_target_est is None:
            return start
        try:
            scene, weigh, first = first_fit(start.T_camera_target_est, observation)
            fits = [first]
            undecided = not _corners_decide(start, detection)
            if suspect(first, scene) or undecided:
                fits += mirrored_fits(
                    scene, weigh, first.pose, first.blur_px, first.chi_square,
                    patience_with(first, scene),
                )  # fmt: skip
                undecided = True
            best = min(fits, key=lambda fit: fit.chi_square)
            answer = _under_uneven_light(scene, best, observation, weigh, undecided)
            if answer is None:
                scene, fits, hidden = _with_imprint(scene, fits, weigh)
                answer = replace(even_answer(fits, scene, weigh, hidden), asked=len(fits) > 1)
            return estimate_of(answer, scene, start, detection)
        except (GeometryError, np.linalg.LinAlgError):
            return NOT_FINITE


def first_fit(start: Pose, observation: Observation) -> tuple[Scene, Weigher, ImageFit]:
    """Fit under plain light, from the corners' pose: what pixels show, how they weigh, the fit.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        As `bench.solve.face.face_of`.
    """
    sensor = observation.linear_sensor
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


def _with_imprint(
    scene: Scene, fits: list[ImageFit], weigh: Weigher
) -> tuple[Scene, list[ImageFit], Array]:
    """Return the scene and its fits with what the best one shows that boundaries share.

    With them what may have been missed: the mean square (6, 6) of what it moves the pose by.
    """
    curved = scene.terms == FREE_LIGHT
    found = _grown(scene, fits, weigh, curved=curved)
    if "curve" not in found[0].kinds:
        return found
    # ink that has spread looks like a response curve at first: what comes of both decides
    first, second = sorted((found, _grown(scene, fits, weigh, curved=False)), key=_cost)
    behind = (_cost(second) - _cost(first)) / misfit(_best(first[1]), first[0])
    rival = rival_square(_best(first[1]).pose, _best(second[1]).pose, behind)
    return first[0], first[1], first[2] + rival


def _grown(
    scene: Scene, fits: list[ImageFit], weigh: Weigher, *, curved: bool
) -> tuple[Scene, list[ImageFit], Array]:
    for most in ROUNDS:
        shown = shared_kinds(scene, _best(fits), weigh.noise, most, curved=curved)
        if not shown.kinds:
            break
        scene = replace(scene, kinds=(*scene.kinds, *shown.kinds))
        fits = [fit if fit.lost else _refit(scene, fit, weigh) for fit in fits]
    return scene, fits, shown.hidden


def _cost(grown: tuple[Scene, list[ImageFit], Array]) -> float:
    """Return χ² and two for each amount, as `rival_square` compares them."""
    return _best(grown[1]).chi_square + 2.0 * amounts_of(grown[0].kinds)


def _best(fits: list[ImageFit]) -> ImageFit:
    return min((fit for fit in fits if not fit.lost), key=lambda fit: fit.chi_square)


def _refit(scene: Scene, fit: ImageFit, weigh: Weigher) -> ImageFit:
    amounts = np.zeros(amounts_of(scene.kinds))
    amounts[: len(fit.amounts)] = fit.amounts
    return fit_image(scene, fit.pose, fit.blur_px, weigh, amounts=amounts)


def _corners_decide(start: Estimate, detection: Detection) -> bool:
    if start.runner_up is None:
        return False
    n = len(detection.pixels)
    best, second = n * start.rmse_px**2, n * start.runner_up_rmse_px**2
    return second - best > CORNERS_DECIDE * noise_variance(best, n, detection.sigma_px)


def _under_uneven_light(
    scene: Scene, best: ImageFit, observation: Observation, weigh: Weigher, both: bool
) -> Answer | None:
    """Return the answer under light that varies over the face, or None where it doesn't."""
    strength = strength_of(scene, best)
    flat = strength < FLAT * np.max(strength)
    noise = weigh.noise
    if observation.linear_sensor is None:
        left = scene.grey - best.predicted
        noise = noise_of_differences(scene.pixels, left, best.predicted, flat) or noise
    try:
        if not light_is_uneven(scene, best, Weigher(noise)(best.predicted)):
            return None
        if np.count_nonzero(flat) < ENOUGH_PIXELS:
            flat = np.ones_like(flat)
        known = Known(
            noise,
            observation.linear_sensor is None,
            ceiling_of(observation, noise),
            float(observation.picture.full_scale),
            flat,
            float(np.ptp(best.predicted)),
            line_of_pixels(scene, best.pose),
        )
        return uneven_answer(scene, best, known, both)
    except (GeometryError, np.linalg.LinAlgError):
        return None
