"""One Gauss-Newton step of a predicted picture whose light varies over the face.

Over pose, blur, what boundaries share and the two fields of `bench.solve.light_fields` together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from bench.errors import GeometryError, TargetError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.imaging.appearance import FREE_LIGHT, POSE
from bench.solve.field_amplitude import (
    Solved,
    amplitudes_of,
    choose_amplitudes,
    solve_penalised,
)
from bench.solve.field_equations import field_equations
from bench.solve.image_fit import (
    KEEP_DERIVATIVES,
    LEAST_BLUR_PX,
    MOST_BLUR_PX,
    Scene,
    reflectance_at,
    sensitivity_at,
)
from bench.solve.light_fields import LightBasis, fields_at
from bench.solve.weights import Weigher
from bench.typing import Array

# Shares of a step that are tried, where a whole one doesn't help.
SHORTER = (1.0, 0.5, 0.25, 0.125)


@dataclass(frozen=True, eq=False)
class FieldFit:
    """A pose, a blur and two fields of light, and how well they explain a picture.

    Attributes
    ----------
    pose : Pose
        Target to camera.
    blur_px : float
        Standard deviation of the Gaussian blur, pixels.
    basis : LightBasis
        Of the fields.
    rungs : (int, int)
        Of their amplitudes.
    coefficients : (2 size + 1,) float64
        c, then a's and b's in turn.
    amounts : (K,) float64
        Of the scene's kinds, see `bench.solve.imprint`.
    reflectance, response, predicted : (N,) float64
        B, ∂μ/∂B, μ.
    lights : (N, 2) float64
        Light that was added, a, and light on the paint, b.
    """

    pose: Pose
    blur_px: float
    basis: LightBasis
    rungs: tuple[int, int]
    coefficients: Array
    amounts: Array
    reflectance: Array
    response: Array
    predicted: Array
    lights: Array


@dataclass(frozen=True, eq=False)
class Step:
    """A Gauss-Newton step: where it led, by which equations, and where from.

    Attributes
    ----------
    fit : FieldFit
        Where it led.
    solved : Solved
        Its equations.
    square : float
        How far the whole of it goes for B's own parameters, light held: variances.
    sensitivity : (M, H) float64
        Derivatives of B from where it began.
    """

    fit: FieldFit
    solved: Solved
    square: float
    sensitivity: Array

    @property
    def kept(self) -> Array | None:
        """The derivatives, where the step was so small that they will do for the next."""
        return self.sensitivity if self.square < KEEP_DERIVATIVES else None


def step_fields(
    scene: Scene,
    fit: FieldFit,
    weigh: Weigher,
    contrast: float,
    *,
    choose: bool = False,
    walk: bool = True,
    sensitivity: Array | None = None,
) -> Step:
    """Take a step, shorter where a whole one doesn't help.

    Parameters
    ----------
    scene, fit : Scene, FieldFit
        From where. Coefficients that are all zero haven't been fitted: light is solved for.
    weigh : Weigher
        Of the pixels, by what was predicted before.
    contrast : float
        What the amplitudes' ladder is in units of.
    choose : bool
        Whether amplitudes are chosen first.
    walk : bool
        Whether to take it, or to set up its equations alone.
    sensitivity : (M, H) float64, optional
        Derivatives of B from nearby that will do.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        No step leads to a pose with an image, or the equations have no solution.
    """
    if sensitivity is None:
        sensitivity = sensitivity_at(scene, fit.pose, fit.blur_px, fit.amounts)
    weights = weigh(fit.predicted)
    residual = scene.grey - fit.predicted if np.any(fit.coefficients) else scene.grey
    equations = field_equations(
        fit.basis,
        sensitivity,
        fit.reflectance,
        fit.response,
        residual,
        weights,
        fit.coefficients,
    )
    curved, rungs = scene.terms == FREE_LIGHT, fit.rungs
    if choose:
        rungs = choose_amplitudes(fit.basis, equations, contrast, rungs, curved=curved)
    amplitudes = amplitudes_of(rungs, contrast)
    solved = solve_penalised(fit.basis, equations, amplitudes, curved=curved)
    whole = solved.step()
    square = solved.square(whole[: sensitivity.shape[1]])
    at_start = equations.left + roughness(fit, amplitudes)
    for share in SHORTER if walk else ():
        try:
            trial = _moved(scene, fit, share * whole, rungs, sensitivity)
        except (GeometryError, TargetError):
            continue
        left = scene.grey - trial.predicted
        if float(weights @ (left * left)) + roughness(trial, amplitudes) <= at_start:
            return Step(trial, solved, square, sensitivity)
    return Step(fit, solved, square, sensitivity)


def roughness(fit: FieldFit, amplitudes: tuple[float, float]) -> float:
    """Return what the fields' roughness costs, as a χ²."""
    own = fit.coefficients[1:].reshape(-1, 2)
    costs = np.sum(own * (fit.basis.penalty @ own), axis=0)
    return float(costs @ (1.0 / np.square(amplitudes)))


def _moved(
    scene: Scene, fit: FieldFit, step: Array, rungs: tuple[int, int], sensitivity: Array
) -> FieldFit:
    """Return the fit after a step.

    Raises
    ------
    GeometryError
        The target has no image there.
    TargetError
        Its ink would cover, or leave, too much.
    """
    pose = Pose(fit.pose.rotation @ exp_rotvec(step[:3]), fit.pose.translation + step[3:6])
    blur = float(np.clip(fit.blur_px + step[6], LEAST_BLUR_PX, MOST_BLUR_PX))
    first = sensitivity.shape[1]
    amounts = fit.amounts + step[POSE + 1 : first]
    value = reflectance_at(scene, pose, blur, amounts, sensitivity)
    own = fit.coefficients + step[first:]
    lights = fields_at(fit.basis, own[1:].reshape(-1, 2))
    added, multiplied = lights.T
    curved = own[0] * value
    return replace(
        fit,
        pose=pose,
        blur_px=blur,
        rungs=rungs,
        coefficients=own,
        amounts=amounts,
        reflectance=value,
        response=multiplied + 2.0 * curved,
        predicted=added + (multiplied + curved) * value,
        lights=lights,
    )
