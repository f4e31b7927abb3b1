"""Least squares of a predicted picture: pose, blur and light that explain the grey values.

Levenberg-Marquardt with the analytic derivatives of `bench.imaging.sensitivity`. Light is
solved for exactly at every step (variable projection, Golub and Pereyra 1973,
doi:10.1137/0710036), pose and blur by the joint normal equations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from bench.errors import GeometryError, TargetError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.imaging.appearance import LIGHT, POSE, fit_light, normal_equations, predict
from bench.imaging.chords import Chords, project_boundaries, project_chords
from bench.imaging.cumulants import blurred_derivatives
from bench.imaging.gaussian import blurred_image
from bench.imaging.pixels import Pixels
from bench.imaging.sensitivity import blurred_sensitivity
from bench.kernel import kernel
from bench.solve.damped_step import damped_step
from bench.solve.imprint import amounts_of, imprint_columns, place_of
from bench.targets.drawing import Drawing
from bench.targets.ink import inked_boundaries, takes_ink
from bench.typing import Array, BoolArray

MAX_STEPS = 30
# Stop when the predicted decrease of χ² is below this: a step of 0.03 standard deviations, which
# adds 0.1 % to a variance. Steps shrink quadratically, so that the decreases e₀ and e₁ of two in
# a row promise less than e₁²/e₀ for the third.
SMALL_DECREASE = 1e-3
# Below this predicted decrease, 0.3 standard deviations, the derivatives have settled to a few
# percent of themselves and are kept: a step with them converges linearly by that factor.
KEEP_DERIVATIVES = 0.1
START_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-4, 1e-8, 1e6
# Blur beyond these isn't told from a badly wrong pose.
LEAST_BLUR_PX, MOST_BLUR_PX = 0.1, 6.0
# A fit is given up where so many times the decrease that a full step promises won't do.
HOPE = 3.0
# Of the information, scaled to a unit diagonal. Beyond it, nothing is known of some parameter.
MAX_CONDITION = 1e14

# Which of the first seven parameters may change: all, or all but the two that turn the target's
# normal.
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
    pixels : Pixels
        Which count.
    grey : (N,) float64
        Their grey values.
    terms : int
        Of the light: `bench.imaging.appearance.LIGHT` or `FREE_LIGHT`.
    kinds : tuple of str
        What boundaries have in common that is fitted, see `bench.solve.imprint`.
    """

    drawing: Drawing
    camera: Camera
    pixels: Pixels
    grey: Array
    terms: int = LIGHT
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class ImageFit:
    """A pose, a blur and a light, and how well they explain a picture.

    Attributes
    ----------
    pose : Pose
        Target to camera.
    blur_px : float
        Standard deviation of the Gaussian blur, pixels.
    light : (4,) or (7,) float64
        See `bench.imaging.appearance`.
    reflectance : (N,) float64
        Blurred.
    predicted : (N,) float64
        Grey values.
    weights : (N,) float64
        That the fit used.
    chi_square : float
        Σ w (grey - predicted)².
    information : (P, P) float64
        JᵀWJ, with derivatives from a standard deviation or two away at most.
    sensitivity : (M, 7 + K) float64
        See `bench.imaging.sensitivity`, from there, of the pixels near a boundary; after it the
        columns of the scene's kinds.
    amounts : (K,) float64
        Of those columns.
    lost : bool
        Whether it was given up on the way, as it couldn't come below what was asked or went
        elsewhere.
    """

    pose: Pose
    blur_px: float
    light: Array
    reflectance: Array
    predicted: Array
    weights: Array
    chi_square: float
    information: Array
    sensitivity: Array
    amounts: Array
    lost: bool


def fit_image(
    scene: Scene,
    start: Pose,
    blur_px: float,
    weigh: Callable[[Array], Array],
    free: BoolArray = EVERYTHING,
    give_up: float = np.inf,
    gone: Callable[[Pose], bool] | None = None,
    steps: int = MAX_STEPS,
    amounts: Array | None = None,
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
        Weights (N,) from predicted grey values (N,).
    free : (7,) bool
        Which of ω, τ and blur may change.
    give_up : float
        Stop once χ² can't be hoped to come below this.
    gone : callable, optional
        Stop once this is true of the pose: it went where another fit has been.
    steps : int
        Stop after so many, 1 or more.
    amounts : (K,) float64, optional
        Start of the amounts of the scene's kinds; by default zero.

    Raises
    ------
    GeometryError
        The target has no image at `start`.
    """
    pose, blur = start, blur_px
    own = np.zeros(amounts_of(scene.kinds)) if amounts is None else amounts
    sensitivity = sensitivity_at(scene, pose, blur, own) if scene.kinds else None
    reflectance = reflectance_at(scene, pose, blur, own, sensitivity)
    # light before weights: any weights will do to start with
    light = fit_light(reflectance, scene.grey, weigh(scene.grey), scene.pixels, scene.terms)
    weights = weigh(predict(reflectance, light, scene.pixels))
    light, predicted, chi_square = _explain(scene, reflectance, weights)
    damping, settled, lost, before = START_DAMPING, False, False, 0.0
    for _ in range(steps):
        if sensitivity is None or not settled:
            sensitivity = sensitivity_at(scene, pose, blur, own)
        information, gradient = normal_equations(
            sensitivity, reflectance, light, scene.grey - predicted, weights, scene.pixels
        )
        moving = _moving(free, blur, gradient)
        accepted = False
        while not accepted and damping < MOST_DAMPING:
            step = damped_step(information, gradient, damping, moving)
            expected = float(step @ gradient)
            if not expected > SMALL_DECREASE:
                break
            lost = chi_square - HOPE * expected > give_up and damping <= START_DAMPING
            if lost:
                break
            try:
                trial_pose = Pose(
                    pose.rotation @ exp_rotvec(step[:3]), pose.translation + step[3:6]
                )
                trial_blur = float(np.clip(blur + step[6], LEAST_BLUR_PX, MOST_BLUR_PX))
                trial_own = own + step[POSE + 1 : POSE + 1 + len(own)]
                trial = reflectance_at(scene, trial_pose, trial_blur, trial_own, sensitivity)
            except (GeometryError, TargetError):  # a step too far: edge on, ink over all
                damping *= 10.0
                continue
            trial_light, trial_predicted, trial_chi_square = _explain(scene, trial, weights)
            accepted = trial_chi_square < chi_square
            damping = max(0.1 * damping, LEAST_DAMPING) if accepted else 10.0 * damping
        if not accepted:
            break
        pose, blur, own, reflectance = trial_pose, trial_blur, trial_own, trial
        light, predicted = trial_light, trial_predicted
        weights = weigh(predicted)
        chi_square = _chi_square(scene.grey, predicted, weights)
        settled = expected < KEEP_DERIVATIVES
        lost = gone is not None and gone(pose)
        if lost:
            break
        if damping < START_DAMPING and expected**2 < SMALL_DECREASE * before:
            break
        before = expected
    assert sensitivity is not None
    return ImageFit(
        pose,
        blur,
        light,
        reflectance,
        predicted,
        weights,
        chi_square,
        information,
        sensitivity,
        own,
        lost,
    )


def pose_covariance_of(information: Array) -> Array:
    """Return the pose's block (6, 6) of the inverse information (P, P).

    Raises
    ------
    numpy.linalg.LinAlgError
        The picture doesn't determine the pose.
    """
    scale = np.sqrt(np.diag(information))
    if not (np.all(np.isfinite(scale)) and np.all(scale > 0.0)):
        raise np.linalg.LinAlgError("a parameter has no effect on the picture")
    unit = np.outer(scale, scale)
    scaled = information / unit
    if np.linalg.cond(scaled) > MAX_CONDITION:
        raise np.linalg.LinAlgError("the picture doesn't determine the pose")
    return np.asarray((np.linalg.inv(scaled) / unit)[:POSE, :POSE])


def _moving(free: BoolArray, blur: float, gradient: Array) -> BoolArray:
    """Return which of all parameters move: blur stays at a limit that it pushes against."""
    moving = np.concatenate((free, np.ones(len(gradient) - len(free), dtype=np.bool_)))
    if (blur <= LEAST_BLUR_PX and gradient[POSE] < 0.0) or (
        blur >= MOST_BLUR_PX and gradient[POSE] > 0.0
    ):
        moving[POSE] = False
    return moving


def reflectance_at(
    scene: Scene, pose: Pose, blur_px: float, amounts: Array, sensitivity: Array | None
) -> Array:
    """Return the blurred reflectance B (N,) with amounts (K,) of what boundaries share.

    Ink is drawn as it lies; of the rest, so much of the last K columns of its derivatives
    (M, 7 + K) from nearby is added.

    Raises
    ------
    GeometryError
        The target has no image at this pose.
    TargetError
        So much ink leaves nothing of the drawing's finest part.
    """
    spread, rest = _ink(scene, amounts)
    chords = _chords(scene.drawing, spread, pose, scene.camera)
    background, region = scene.drawing.background, scene.pixels.region
    whole = scene.pixels.of(blurred_image(chords, background, blur_px, region))
    if sensitivity is not None and np.any(rest):
        whole[: len(sensitivity)] += sensitivity[:, POSE + 1 :] @ rest
    return whole


@lru_cache(maxsize=8)
def _chords(drawing: Drawing, spread: float, pose: Pose, camera: Camera) -> Chords:
    """Return the face's boundaries with its ink spread; a fit asks for them twice at a pose.

    Raises
    ------
    GeometryError
        As `bench.imaging.chords.project_chords`.
    TargetError
        As `bench.targets.ink.inked`.
    """
    if spread == 0.0:
        return project_chords(drawing, pose, camera)
    return project_boundaries(inked_boundaries(drawing, spread), drawing, pose, camera)


def _ink(scene: Scene, amounts: Array) -> tuple[float, Array]:
    """Return by how much ink has spread, where it is drawn so, and the other amounts."""
    place = place_of("ink", scene.kinds)
    if place is None or place >= len(amounts) or not takes_ink(scene.drawing):
        return 0.0, amounts
    rest = amounts.copy()
    rest[place] = 0.0
    return float(amounts[place]), rest


def sensitivity_at(scene: Scene, pose: Pose, blur_px: float, amounts: Array) -> Array:
    """Return the derivatives (M, 7 + K) of B, of pixels near a boundary.

    By pose, blur and the amounts of the scene's kinds, at these amounts; those of kinds that
    have none yet are zero.
    """
    spread = _ink(scene, amounts)[0]
    plain = _plain(scene.drawing, spread, pose, scene.camera, blur_px, scene.pixels)
    if not scene.kinds:
        return plain
    return np.hstack((plain, imprint_at(scene, scene.kinds, pose, blur_px, amounts, plain)))


# Where one fit ends others begin, of the same pixels: with light's fields, of another branch.
@lru_cache(maxsize=2)
def _plain(
    drawing: Drawing, spread: float, pose: Pose, camera: Camera, blur_px: float, pixels: Pixels
) -> Array:
    """Return the derivatives (M, 7) by pose and blur; nobody may change them."""
    chords = _chords(drawing, spread, pose, camera)
    return blurred_sensitivity(chords, pose, camera, blur_px, pixels.region, pixels.places)


def imprint_at(
    scene: Scene,
    kinds: tuple[str, ...],
    pose: Pose,
    blur_px: float,
    amounts: Array,
    plain: Array,
    here: Array | None = None,
) -> Array:
    """Return the columns (M, K) of kinds, the scene's own or others, at its amounts.

    `plain` (M, 7) are the derivatives by pose and blur, from there or nearby; `here` (M,) is B
    there, where it is known.
    """
    pixels = scene.pixels
    chords = _chords(scene.drawing, _ink(scene, amounts)[0], pose, scene.camera)

    def image(wider: float) -> Array:
        if wider == 1.0 and here is not None:
            return here
        seen = blurred_image(chords, scene.drawing.background, wider * blur_px, pixels.region)
        return pixels.of(seen)[: len(plain)]

    def derivatives() -> Array:
        return blurred_derivatives(chords, blur_px, pixels.region, pixels.places)

    return imprint_columns(kinds, derivatives, image, plain, pose)


def _explain(scene: Scene, reflectance: Array, weights: Array) -> tuple[Array, Array, float]:
    """Return the best light, what it predicts and χ²."""
    light = fit_light(reflectance, scene.grey, weights, scene.pixels, scene.terms)
    predicted = predict(reflectance, light, scene.pixels)
    return light, predicted, _chi_square(scene.grey, predicted, weights)


@kernel
def _chi_square(grey: Array, predicted: Array, weights: Array) -> float:
    total = 0.0
    for n in range(len(grey)):
        residual = grey[n] - predicted[n]
        total += weights[n] * residual * residual
    return total
