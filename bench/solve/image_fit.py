"""Least squares of a predicted picture: pose, blur and light that explain the grey values.

Levenberg-Marquardt with the analytic derivatives of `bench.imaging.sensitivity`. Light is
solved for exactly at every step (variable projection, Golub and Pereyra 1973), pose and blur
by the joint normal equations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from bench.errors import GeometryError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.imaging.appearance import POSE, fit_light, normal_equations, predict
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.picture import Region
from bench.imaging.sensitivity import blurred_sensitivity
from bench.targets.drawing import Drawing
from bench.typing import Array, BoolArray

MAX_STEPS = 30
# Stop when the predicted decrease of χ² is below this: a step of 0.01 standard deviations.
SMALL_DECREASE = 1e-4
# Below this predicted decrease, 0.3 standard deviations, the derivatives have settled to a few
# percent of themselves and are kept: a step with them converges linearly by that factor.
KEEP_DERIVATIVES = 0.1
START_DAMPING, MOST_DAMPING = 1e-4, 1e6
# Blur beyond these isn't told from a badly wrong pose.
LEAST_BLUR_PX, MOST_BLUR_PX = 0.25, 6.0

# Which of the first seven parameters may change.
EVERYTHING: BoolArray = np.ones(POSE + 1, dtype=np.bool_)
NORMAL_HELD: BoolArray = np.array([False, False, True, True, True, True, True])


@dataclass(frozen=True, eq=False)
class Scene:
    """What stays fixed during a fit.

    Attributes
    ----------
    drawing : Drawing
        The target's face.
    camera : Camera
        Intrinsics.
    region : Region
        Where `grey` lies on the sensor.
    grey : (H, W) float64
        Grey values.
    """

    drawing: Drawing
    camera: Camera
    region: Region
    grey: Array


@dataclass(frozen=True, eq=False)
class ImageFit:
    """A pose, a blur and a light, and how well they explain a picture.

    Attributes
    ----------
    pose : Pose
        Target to camera.
    blur_px : float
        Standard deviation of the Gaussian blur, pixels.
    light : (4,) float64
        See `bench.imaging.appearance`.
    predicted : (H, W) float64
        Grey values.
    weights : (H, W) float64
        That the fit used.
    chi_square : float
        Σ w (grey - predicted)².
    information : (11, 11) float64
        JᵀWJ there.
    sensitivity : (7, H, W) float64
        See `bench.imaging.sensitivity`, at the pose or a fraction of a standard deviation off.
    """

    pose: Pose
    blur_px: float
    light: Array
    predicted: Array
    weights: Array
    chi_square: float
    information: Array
    sensitivity: Array

    @property
    def n_pixels(self) -> int:
        """How many pixels count."""
        return int(np.count_nonzero(self.weights))


def fit_image(
    scene: Scene,
    start: Pose,
    blur_px: float,
    weigh: Callable[[Array], Array],
    free: BoolArray = EVERYTHING,
    give_up: float = np.inf,
) -> ImageFit:
    """Minimise χ² from a starting pose.

    Parameters
    ----------
    scene : Scene
        What is fitted.
    start : Pose
        Within a pixel or so of the answer.
    blur_px : float
        Start of the blur.
    weigh : callable
        Weights (H, W) from predicted grey values (H, W).
    free : (7,) bool
        Which of ω, τ and blur may change.
    give_up : float
        Stop once χ² is settled above this: the fit has lost.

    Raises
    ------
    GeometryError
        The target has no image at `start`.
    """
    pose, blur = start, blur_px
    reflectance = _reflectance(scene, pose, blur)
    # light before weights: any weights will do to start with
    light = fit_light(reflectance, scene.grey, weigh(scene.grey))
    predicted = predict(reflectance, light)
    weights = weigh(predicted)
    light = fit_light(reflectance, scene.grey, weights)
    predicted = predict(reflectance, light)
    chi_square = _chi_square(scene, predicted, weights)
    damping, settled = START_DAMPING, False
    sensitivity: Array | None = None
    for _ in range(MAX_STEPS):
        if sensitivity is None or not settled:
            chords = project_chords(scene.drawing, pose, scene.camera)
            sensitivity = blurred_sensitivity(chords, pose, scene.camera, blur, scene.region)
        information, gradient = normal_equations(
            sensitivity, reflectance, light, scene.grey - predicted, weights
        )
        accepted = False
        while not accepted and damping < MOST_DAMPING:
            step = _damped_step(information, gradient, damping, free)
            expected = float(step @ gradient)
            if not expected > SMALL_DECREASE:
                break
            try:
                trial_pose = Pose(
                    pose.rotation @ exp_rotvec(step[:3]), pose.translation + step[3:6]
                )
                trial_blur = float(np.clip(blur + step[6], LEAST_BLUR_PX, MOST_BLUR_PX))
                trial = _reflectance(scene, trial_pose, trial_blur)
            except GeometryError:  # a step too far: edge on, behind the camera
                damping *= 10.0
                continue
            trial_light = fit_light(trial, scene.grey, weights)
            trial_predicted = predict(trial, trial_light)
            trial_chi_square = _chi_square(scene, trial_predicted, weights)
            accepted = trial_chi_square < chi_square
            damping *= 0.1 if accepted else 10.0
        if not accepted:
            break
        lost = trial_chi_square > give_up and chi_square - trial_chi_square < 0.1 * (
            trial_chi_square - give_up
        )
        pose, blur, reflectance = trial_pose, trial_blur, trial
        light, predicted = trial_light, trial_predicted
        weights = weigh(predicted)
        chi_square = _chi_square(scene, predicted, weights)
        settled = expected < KEEP_DERIVATIVES
        if lost:
            break
    assert sensitivity is not None
    return ImageFit(pose, blur, light, predicted, weights, chi_square, information, sensitivity)


def pose_covariance_of(information: Array, free: BoolArray = EVERYTHING) -> Array:
    """Return the pose's block (6, 6) of the inverse information (11, 11).

    Raises
    ------
    numpy.linalg.LinAlgError
        The picture doesn't determine the pose.
    """
    scale = 1.0 / np.sqrt(np.diag(information))
    if not np.all(np.isfinite(scale)):
        raise np.linalg.LinAlgError("a parameter has no effect on the picture")
    kept = np.concatenate((free, np.ones(len(information) - len(free), dtype=np.bool_)))
    index = np.flatnonzero(kept)
    scaled = (information * np.outer(scale, scale))[np.ix_(index, index)]
    if np.linalg.cond(scaled) > 1e14:
        raise np.linalg.LinAlgError("the picture doesn't determine the pose")
    inverse = np.zeros_like(information)
    inverse[np.ix_(index, index)] = np.linalg.inv(scaled)
    covariance: Array = (inverse * np.outer(scale, scale))[:POSE, :POSE]
    return covariance


def _reflectance(scene: Scene, pose: Pose, blur_px: float) -> Array:
    chords = project_chords(scene.drawing, pose, scene.camera)
    return blurred_image(chords, scene.drawing.background, blur_px, scene.region)


def _chi_square(scene: Scene, predicted: Array, weights: Array) -> float:
    residual = scene.grey - predicted
    return float(np.vdot(weights * residual, residual))


def _damped_step(information: Array, gradient: Array, damping: float, free: BoolArray) -> Array:
    """Return the step (11,), zero where a parameter is held."""
    kept = np.concatenate((free, np.ones(len(gradient) - len(free), dtype=np.bool_)))
    index = np.flatnonzero(kept)
    scale = np.sqrt(np.diag(information)[index])
    scale[scale == 0.0] = 1.0
    scaled = information[np.ix_(index, index)] / np.outer(scale, scale)
    scaled[np.diag_indices(len(index))] += damping
    step = np.zeros_like(gradient)
    step[index] = np.linalg.solve(scaled, gradient[index] / scale) / scale
    return step
