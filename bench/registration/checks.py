"""Judgement of a registration's residuals: the step, target or fault that stands out.

A group of residuals is tested by what the others predict of it; a fault by how much the fit
would gain if it were allowed for (the score test: Rao 1948, Mathematical Proceedings of the
Cambridge Philosophical Society 44, p. 50). All are exact for a linear model with the claimed
noise; where the rest of the residuals refutes that noise, it is raised first, as
`bench.solve.covariance.noise_variance` does. Errors of cameras and sizes that a registration was
given as causes count as unknowns that are observed, zero to within one: what they can explain
isn't held against a step, target or fault.

No residual shows a bar that wasn't moved where it should have been, since bar poses are free,
nor a common scale of both targets: the first is for a plan, the second for the bar's length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import scipy

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import skew
from bench.registration.fit import Registration, register
from bench.registration.model import Model
from bench.registration.systematic import size_shift
from bench.solve.covariance import IMPLAUSIBLE
from bench.typing import Array, IntArray

# Of a residual's own share that the fit leaves it; below, nothing can be said of it.
LEAST_SHARE = 1e-6
# Deviation of the bar's length in standard uncertainties that is refused: 3 in 1,000 by chance.
MAX_LENGTH_DEVIATION = 3.0
# Chance of a false alarm in one registration, shared out over all checks (Bonferroni).
FALSE_ALARM = 0.01


@dataclass(frozen=True, eq=False)
class Check:
    """One test.

    Attributes
    ----------
    name : str
        What is tested, such as ``"step 3"`` or ``"a target slipped before step 4"``.
    statistic, degrees : float, int
        Chi-square and its degrees of freedom.
    p_value : float
        Chance of as much if all is well.
    estimate : (K,) float64
        Of a fault's parameters, where it has any: their best values.
    """

    name: str
    statistic: float
    degrees: int
    p_value: float
    estimate: Array


def checks(registration: Registration) -> tuple[Check, ...]:
    """Return every test of a registration: of steps, targets, slips, sizes and bending."""
    found = _Linear(registration)
    return tuple(
        check
        for check in (
            *_groups(found),
            *(_slip(found, step) for step in range(1, len(found.model.steps))),
            _size(found),
            _bend(found),
        )
        if check is not None
    )


def failing(found: Sequence[Check]) -> tuple[Check, ...]:
    """Return the checks that fail, the worst first, at `FALSE_ALARM` for all together."""
    limit = FALSE_ALARM / max(len(found), 1)
    return tuple(sorted((c for c in found if c.p_value < limit), key=lambda c: c.p_value))


def alarms(registration: Registration) -> tuple[Check, ...]:
    """Return the checks of a registration that fail, the worst first."""
    return failing(checks(registration))


def _without(registration: Registration, out: Sequence[int]) -> Registration | None:
    """Return the fit without some steps, or None where they are needed."""
    model = registration.model
    others = [step for index, step in enumerate(model.steps) if index not in out]
    try:
        return register(
            others, model.cameras, model.start.T_a_b, model.length, causes=registration.causes
        )
    except GeometryError:
        return None


def length_deviation(registration: Registration) -> float | None:
    """Return by how many standard uncertainties the calibrated length misses the others' answer.

    None without a calibrated length, or where only it determines the bar.
    """
    if not registration.model.has_length:
        return None
    found = _Linear(registration)
    last = found.model.n_residuals - 1
    row = found.basis[last]
    share = 1.0 - float(row @ row)
    return None if share < LEAST_SHARE else float(found.residuals[last] / np.sqrt(share))


def refuse_length(registration: Registration) -> None:
    """Refuse a bar whose calibrated length the data contradict.

    Raises
    ------
    GeometryError
        By more than `MAX_LENGTH_DEVIATION` standard uncertainties.
    """
    deviation, length = length_deviation(registration), registration.model.length
    if deviation is None or length is None or abs(deviation) <= MAX_LENGTH_DEVIATION:
        return
    free = register(
        registration.model.steps, registration.model.cameras, registration.unknowns.T_a_b
    )
    seen, u = free.length or (np.nan, np.nan)
    raise GeometryError(
        f"the bar's length of {1e3 * length[0]:.2f} mm (standard uncertainty "
        f"{1e3 * length[1]:.2g} mm) disagrees with the {1e3 * seen:.2f} mm (standard uncertainty "
        f"{1e3 * u:.2g} mm) that the sights give, by {abs(deviation):.1f} standard uncertainties, "
        f"more than {MAX_LENGTH_DEVIATION:g}: {_cause(registration)}"
    )


def _cause(registration: Registration) -> str:
    """Say which one or two steps the bar's length suffers from, if it does from so few."""
    model = registration.model
    for few in (1, 2):
        for out in combinations(range(len(model.steps)), few):
            less = _without(registration, out)
            if less is None:
                continue
            deviation = length_deviation(less)
            fits = deviation is not None and abs(deviation) <= MAX_LENGTH_DEVIATION
            if fits and not alarms(less):
                names = " and ".join(model.steps[i].name for i in out)
                return (
                    f"without {names} all agrees. Do the two pictures of "
                    f"{'it' if few == 1 else 'each'} show one bar pose, with targets named right? "
                    "Take it again, or leave it out"
                )
    return "is it this bar, and are target sizes and cameras right?"


def off_plan(
    registration: Registration, planned: Sequence[Pose], tolerance: float
) -> tuple[str, ...]:
    """Return, in words, where the bar's ends moved otherwise than planned between steps.

    The fit can't tell: it takes the bar where it is.

    Parameters
    ----------
    registration : Registration
        Found.
    planned : sequence of Pose
        T_left_a planned for each step.
    tolerance : float
        How far an end's move may be off, metres.
    """
    bar = registration.unknowns.T_a_b
    found = registration.unknowns.T_left_a
    words = []
    for i in range(1, len(found)):
        for end, offset in (("A", np.zeros(3)), ("B", bar.translation)):
            moved, wanted = (
                float(np.linalg.norm(T[i] @ offset - T[i - 1] @ offset)) for T in (found, planned)
            )
            if abs(moved - wanted) > tolerance:
                words.append(
                    f"from {registration.model.steps[i - 1].name} to "
                    f"{registration.model.steps[i].name}, end {end} moved {1e3 * moved:.0f} mm; "
                    f"the plan has {1e3 * wanted:.0f} mm"
                )
    return tuple(words)


def on_the_right(registration: Registration) -> tuple[bool, ...]:
    """Tell for each step whether target A stands to the right of B as vehicles face.

    The left camera looks at the vehicle, so its picture's right is the vehicle's left.
    """
    bar = registration.unknowns.T_a_b.translation
    return tuple(bool((T @ bar)[0] > T.translation[0]) for T in registration.unknowns.T_left_a)


def fitted_basis(jacobian: Array, shifts: Array) -> Array:
    """Return an orthonormal basis (M + K, P + K) of what a fit and its causes can take up.

    Causes are observed too, zero to within one: they have a row each. Projections by it are good
    to rounding, where the normal matrix would square the condition number.

    Parameters
    ----------
    jacobian : (M, P) float64
        Of whitened residuals.
    shifts : (M, K) float64
        What each cause does to them, by one standard deviation.
    """
    causes = shifts.shape[1]
    observed = np.hstack((np.zeros((causes, jacobian.shape[1])), np.eye(causes)))
    whole = np.vstack((np.hstack((jacobian, shifts)), observed))
    basis, _ = np.linalg.qr(whole / np.linalg.norm(whole, axis=0))
    return np.asarray(basis)


class _Linear:
    """A registration's residuals, Jacobian and cofactor, and tests that share them."""

    def __init__(self, registration: Registration) -> None:
        self.model: Model = registration.model
        self.chi_square, self.degrees = registration.chi_square, registration.degrees
        x = np.zeros(self.model.n_parameters)
        self.jacobian: Array = self.model.jacobian(x).toarray()
        shifts = registration.shifts
        self.basis = fitted_basis(self.jacobian, shifts)
        residuals = np.concatenate((registration.residuals, np.zeros(shifts.shape[1])))
        self.residuals: Array = residuals - self.basis @ (self.basis.T @ residuals)

    def judge(self, name: str, statistic: float, degrees: int, estimate: Array) -> Check | None:
        """Return a check, its noise raised where the rest of the residuals wants it."""
        if degrees == 0:
            return None
        rest, left = max(self.chi_square - statistic, 0.0), self.degrees - degrees
        factor = (
            max(1.0, rest / float(scipy.stats.chi2.isf(IMPLAUSIBLE, left))) if left > 0 else 1.0
        )
        p = float(scipy.stats.chi2.sf(statistic / factor, degrees))
        return Check(name, statistic, degrees, p, estimate)

    def group(self, name: str, rows: IntArray) -> Check | None:
        """Test some residuals against what the others predict."""
        own = self.basis[rows]
        values, vectors = np.linalg.eigh(np.eye(len(rows)) - own @ own.T)
        kept = values > LEAST_SHARE
        parts = vectors.T @ self.residuals[rows]
        statistic = float(np.sum(parts[kept] ** 2 / values[kept]))
        return self.judge(name, statistic, int(kept.sum()), np.empty(0))

    def added(self, name: str, columns: Array) -> Check | None:
        """Test whether parameters with these derivatives (M, K) of residuals are missing."""
        columns = np.vstack(
            (columns, np.zeros((len(self.residuals) - len(columns), columns.shape[1])))
        )
        beyond = columns - self.basis @ (self.basis.T @ columns)
        scale = np.linalg.norm(columns, axis=0)
        scale[scale == 0.0] = 1.0
        u, singular, vt = np.linalg.svd(beyond / scale, full_matrices=False)
        kept = singular > LEAST_SHARE
        parts = u.T[kept] @ self.residuals
        estimate = -(vt[kept].T @ (parts / singular[kept])) / scale
        return self.judge(name, float(parts @ parts), int(kept.sum()), estimate)


def _groups(found: _Linear) -> list[Check | None]:
    steps = [
        found.group(step.name, rows)
        for step, rows in zip(found.model.steps, found.model.rows, strict=True)
    ]
    if not found.model.two_ends:
        return steps
    targets = [
        found.group(
            f"target {end}",
            np.concatenate([rows for _, s, rows in found.model.sights if s.end == end]),
        )
        for end in "AB"
    ]
    return [*steps, *targets]


def _slip(found: _Linear, step: int) -> Check | None:
    """Test for T_a_b that differs from `step` on; which of the two slipped, sights can't tell."""
    if not found.model.two_ends:
        return None
    columns = np.zeros((found.model.n_residuals, 6))
    rows = np.concatenate(found.model.rows[step:])
    columns[rows] = found.jacobian[rows, 6:12]
    return found.added(f"a target slipped before {found.model.steps[step].name}", columns)


def _size(found: _Linear) -> Check | None:
    """Test for a target A whose size is off by another factor than B's."""
    if not found.model.two_ends:
        return None
    columns = -size_shift(found.model, "A")[:, None]
    return found.added("the targets' sizes don't go together", columns)


def _bend(found: _Linear) -> Check | None:
    """Test for a bar that sags in one direction of the bay, whichever way it is turned.

    A turn of B against A about axes square to the bar, fixed in the left camera's frame; half
    of it tilts A, so that B's centre seems shifted too.
    """
    if not found.model.two_ends:
        return None
    return found.added("the bar bends", bend_columns(found.model, found.jacobian))


def bend_columns(model: Model, jacobian: Array) -> Array:
    """Return the residuals' derivative (M, 3) by a turn of B against A, as `_bend` tests it."""
    columns = np.zeros((model.n_residuals, 3))
    Y = model.start.T_a_b
    for rows, L in zip(model.rows, model.start.T_left_a, strict=True):
        long = L.rotation @ Y.translation
        long = long / np.linalg.norm(long)
        in_a = L.rotation.T @ skew(long)
        change = np.vstack((Y.rotation.T @ in_a, -0.5 * skew(Y.translation) @ in_a))
        columns[rows] = jacobian[rows, 6:12] @ change
    return columns
