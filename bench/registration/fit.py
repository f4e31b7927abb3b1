"""Registration of two towers: the transform between their cameras, from a bar's poses.

The fit minimises the whitened residuals of all sights at once (maximum likelihood for Gaussian
noise), by scipy's trust-region least squares with the analytic sparse Jacobian and Huber's loss,
then by Gauss-Newton steps to rounding. See `bench.registration.model` for the unknowns.

Errors of cameras and sizes don't enter the estimate, lest it answer to others than those that the
same cameras make when they measure wheels; they widen what residuals are judged by, and the
covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.registration.model import Model, Unknowns
from bench.registration.rank import Direction, directions, shared_rows
from bench.registration.sights import Cameras, Step
from bench.registration.start import check_steps, starts
from bench.registration.systematic import Causes
from bench.solve.covariance import IMPLAUSIBLE, least_squares_covariance
from bench.typing import Array

# Huber's loss is quadratic up to here, in standard deviations: 99.7 % of Gaussian residuals, so
# that their estimate is within 0.1 % of least squares' efficiency, and a slip can't pull all.
HUBER = 3.0
# Radius of the first trust region, in standard deviations of a parameter with all others known:
# a start from each sight's own pose is some tens to a thousand of them away.
FIRST_RADIUS = 1e3
NO_CAUSES = Causes()
POLISH = 20  # Gauss-Newton steps at most; 2 to 4 are usual
# Stop when a step is below this fraction of every parameter's standard uncertainty.
SETTLED = 1e-8


@dataclass(frozen=True, eq=False)
class Registration:
    """Two towers tied together, and what is known of the quality.

    Attributes
    ----------
    unknowns : Unknowns
        T_left_right, T_a_b and the bar poses, as estimated.
    covariance : (P, P) float64
        Of all unknowns in `Model`'s order, from the claimed noise times `variance_factor`.
    residuals : (M,) float64
        In standard deviations of the noise, in the order of the model's sights.
    chi_square, degrees : float, int
        Sum of their squares over what noise, and errors of cameras and sizes, allow together;
        its degrees of freedom.
    variance_factor : float
        By which residuals overrule the claimed noise's variances: 1 unless they are refuted.
    directions : tuple of Direction
        Principal directions of T_left_right and T_a_b, the least determined first.
    model : Model
        Linearised at the estimate.
    causes : Causes
        Errors that stay the same through all steps.
    shifts : (M, K) float64
        What each does to whitened observations, by one standard deviation.
    """

    unknowns: Unknowns
    covariance: Array
    residuals: Array
    chi_square: float
    degrees: int
    variance_factor: float
    directions: tuple[Direction, ...]
    model: Model
    causes: Causes
    shifts: Array

    @property
    def T_left_right(self) -> Pose:
        """The right tower's camera in the left one's frame."""
        return self.unknowns.T_left_right

    @property
    def T_a_b(self) -> Pose | None:
        """Target B in A's frame; None where only one target was seen."""
        return self.unknowns.T_a_b if self.model.two_ends else None

    @property
    def covariance_left_right(self) -> Array:
        """Of (ω, τ) of T_left_right, (6, 6): about the right camera's axes; in the left frame."""
        return np.asarray(self.covariance[:6, :6])

    @property
    def covariance_a_b(self) -> Array | None:
        """Of (ω, τ) of T_a_b, (6, 6)."""
        return np.asarray(self.covariance[6:12, 6:12]) if self.model.two_ends else None

    @cached_property
    def answer(self) -> Array:
        """Change (P, K) of all unknowns by one standard deviation of each cause."""
        jacobian = self.model.jacobian(np.zeros(self.model.n_parameters)).toarray()
        cofactor = self.covariance / self.variance_factor
        return np.asarray(-cofactor @ (jacobian.T @ self.shifts))

    @property
    def systematic(self) -> Array:
        """Covariance (6, 6) of T_left_right from its causes, which comes on top of noise."""
        return np.asarray(self.answer[:6] @ self.answer[:6].T)

    @property
    def p_value(self) -> float:
        """Chance of a chi-square as large if the claimed noise is right; 1 without freedom."""
        return (
            float(scipy.stats.chi2.sf(self.chi_square, self.degrees)) if self.degrees > 0 else 1.0
        )

    @property
    def length(self) -> tuple[float, float] | None:
        """Distance of the bar's targets as estimated, and its standard uncertainty, metres."""
        covariance = self.covariance_a_b
        if covariance is None:
            return None
        t = self.unknowns.T_a_b.translation
        length = float(np.linalg.norm(t))
        return length, float(np.sqrt(t @ covariance[3:, 3:] @ t) / length)


def register(
    steps: Sequence[Step],
    cameras: Cameras,
    nominal_T_a_b: Pose,
    length: tuple[float, float] | None = None,
    start: Unknowns | None = None,
    causes: Causes = NO_CAUSES,
) -> Registration:
    """Return the registration that fits all steps.

    Parameters
    ----------
    steps : sequence of Step
        Three or more when each tower sees its own target.
    cameras : Cameras
        Intrinsics, for sights in pixels.
    nominal_T_a_b : Pose
        The bar as drawn; only a start.
    length : (float, float), optional
        Calibrated distance of the bar's targets and its standard uncertainty, metres, as a
        further observation.
    start : Unknowns, optional
        Where to start instead of the closed form.
    causes : Causes
        Errors that residuals may show beyond noise; none by default.

    Raises
    ------
    GeometryError
        Too few steps, a step without a sight from each tower, or steps that leave a direction
        undetermined, which is named.
    """
    check_steps(steps)
    candidates = [start] if start is not None else starts(steps, cameras, nominal_T_a_b)
    models = [Model(steps, cameras, unknowns, length) for unknowns in candidates]
    model = min(models, key=_cost)
    found, allowed = _fit(model, causes)
    rows = shared_rows(found)
    principal = directions(rows, found.start)
    unknown = [direction.words for direction in principal if direction.is_open]
    if unknown:
        listed = "; ".join(f"({i + 1}) {words}" for i, words in enumerate(unknown))
        raise GeometryError(
            f"the {len(steps)} bar poses leave {len(unknown)} direction"
            f"{'s' if len(unknown) > 1 else ''} undetermined: {listed}"
        )
    residuals, jacobian = _linear(found)
    weights = huber_weights(residuals / allowed)
    try:
        cofactor = least_squares_covariance(jacobian * np.sqrt(weights)[:, None], 1.0)
    except np.linalg.LinAlgError:
        raise GeometryError(
            f"the {len(steps)} bar poses hardly determine one direction: {principal[0].words}"
        ) from None
    shifts = causes.shifts(found)
    chi_square = _chi_square(residuals, jacobian, shifts)
    degrees = len(residuals) - found.n_parameters
    # the rule of `bench.solve.covariance.noise_variance`
    factor = chi_square / float(scipy.stats.chi2.isf(IMPLAUSIBLE, degrees)) if degrees > 0 else 1.0
    factor = max(1.0, factor)
    return Registration(
        found.start,
        factor * cofactor,
        residuals,
        chi_square,
        degrees,
        factor,
        principal,
        found,
        causes,
        shifts,
    )


def _beyond(columns: Array, jacobian: Array) -> Array:
    """Return the part of columns (M, K) that the fit can't take up."""
    basis, _ = np.linalg.qr(jacobian / np.linalg.norm(jacobian, axis=0))
    return np.asarray(columns - basis @ (basis.T @ columns))


def _allowed(model: Model, shifts: Array) -> Array:
    """Return each residual's standard deviation (M,) from noise and causes, in that of noise.

    What noise alone would make an outlier may be what a camera's error does.
    """
    if not shifts.shape[1]:
        return np.ones(model.n_residuals)
    _, jacobian = _linear(model)
    return np.asarray(np.sqrt(1.0 + np.sum(_beyond(shifts, jacobian) ** 2, axis=1)))


def _chi_square(residuals: Array, jacobian: Array, shifts: Array) -> float:
    """Return rᵀ (I + S Sᵀ)⁻¹ r, with S what the fit leaves of causes (Woodbury's identity)."""
    if not shifts.shape[1]:
        return float(residuals @ residuals)
    r, left = _beyond(residuals, jacobian), _beyond(shifts, jacobian)
    by = left.T @ r
    inner = np.eye(len(by)) + left.T @ left
    return float(r @ r - by @ np.linalg.solve(inner, by))


def huber_weights(residuals: Array) -> Array:
    """Return each residual's weight (M,) under Huber's loss (Huber 1964)."""
    return np.asarray(HUBER / np.maximum(np.abs(residuals), HUBER))


def _cost(model: Model, allowed: Array | float = 1.0) -> float:
    try:
        size = np.abs(model.residuals(np.zeros(model.n_parameters)))
    except GeometryError:
        return np.inf
    limit = HUBER * allowed
    return float(np.sum(np.where(size <= limit, size**2, limit * (2.0 * size - limit))))


def _linear(model: Model) -> tuple[Array, Array]:
    """Return residuals and dense Jacobian where increments are zero."""
    x = np.zeros(model.n_parameters)
    return model.residuals(x), model.jacobian(x).toarray()


def _fit(model: Model, causes: Causes) -> tuple[Model, Array]:
    """Return the model about its minimum, and what its residuals are allowed, see `_allowed`."""

    def residuals(x: Array) -> Array:
        try:
            return model.residuals(x)
        except GeometryError:  # a trial step too far; scipy.optimize.least_squares shortens it
            return np.full(size, np.inf)

    x = np.zeros(model.n_parameters)
    try:
        size = len(model.residuals(x))
    except GeometryError as error:
        raise GeometryError(f"no start fits the sights: {error}") from error
    allowed = _allowed(model, causes.shifts(model))

    def huber(z: Array) -> Array:
        # scipy's own is the same for all residuals; z is the squared residual
        limit = HUBER * allowed
        root = np.sqrt(z)
        inside = root <= limit
        root = np.maximum(root, limit)
        return np.stack(
            (
                np.where(inside, z, limit * (2.0 * root - limit)),
                np.where(inside, 1.0, limit / root),
                np.where(inside, 0.0, -0.5 * limit / root**3),
            )
        )

    # scipy's first trust region is a ball of radius 1 in scaled parameters
    norms = np.sqrt(np.asarray(model.jacobian(x).power(2).sum(axis=0))).reshape(-1)
    scale = FIRST_RADIUS / np.where(norms > 0.0, norms, 1.0)
    solution = scipy.optimize.least_squares(
        residuals,
        x,
        jac=model.jacobian,
        x_scale=scale,
        loss=huber,
        tr_solver="lsmr",
        # scipy's own limits leave lsmr far short of its solution for a bar, whose unknowns
        # hang together closely; what remains then is for the last steps
        tr_options={"atol": 1e-12, "btol": 1e-12, "maxiter": 20 * len(x)},
        ftol=1e-3,
        max_nfev=100,
    )
    model = replace(model, start=model.start.moved(solution.x, model.two_ends))
    allowed = _allowed(model, causes.shifts(model))
    for _ in range(POLISH):
        r, jacobian = _linear(model)
        root = np.sqrt(huber_weights(r / allowed))
        scale = np.linalg.norm(jacobian, axis=0)
        scale[scale == 0.0] = 1.0
        # least norm where a direction is open: it stays where it is
        step, *_ = np.linalg.lstsq(root[:, None] * jacobian / scale, -root * r, rcond=1e-9)
        moved = replace(model, start=model.start.moved(step / scale, model.two_ends))
        if not _cost(moved, allowed) <= _cost(model, allowed):
            break
        model = moved
        if np.max(np.abs(step)) < SETTLED:
            break
    return model, allowed
