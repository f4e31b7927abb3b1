"""The axis that a body turns about, from measured poses of a target fixed to it.

The target sits on the body at an unknown tilt, so its own normal tells nothing of the axis.
Model: a direction a that stays in the frame of measurement and a direction b that stays in the
target's are the same axis at every reading k, where the body has turned by an unknown φ_k::

    R_k = A R_z(φ_k) Bᵀ,    A e_z = a,    B e_z = b

With A → A exp(α), B → B exp(β) and the target's measured rotation R_k exp(ω_k), each reading
gives two equations, ``(Bᵀ ω_k)_xy = R_2(-φ_k) α - β``, and one that φ_k takes up. Least squares,
weighted by the readings' covariances; start: the direction b that Σ|R_k b - mean(R b)|² keeps
stillest. Two readings are the least: then a is the axis of their relative rotation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from scipy.special import chdtrc

from bench.errors import GeometryError
from bench.geometry.rotation import exp_rotvec
from bench.typing import Array

MAX_STEPS = 20
# Of a step in α and β, radians: a hundredth of a microradian is under any uncertainty here.
STEP_ATOL = 1e-8
# Standard uncertainty of the axis, radians, beyond which the readings are refused: the linear
# covariance is then wrong by its own second order, σ/2, a tenth of a standard deviation.
MAX_SIGMA = 0.2


@dataclass(frozen=True, eq=False)
class Turning:
    """An axis of turning and what the readings leave open.

    Attributes
    ----------
    A, B : (3, 3) float64
        Frames whose z is the axis: in the frame of measurement, in the target's.
    angles : (N,) float64
        How far the body had turned at each reading, radians, right-handed about the axis; the
        first one is 0.
    covariance : (4, 4) float64
        Of (α, β), rotations about x and y of A and of B, radians².
    gain : (4, 3 N) float64
        d(α, β)/d(ω), ω the readings' rotation errors about the target's axes.
    chi2 : float
        Weighted sum of squared residuals.
    dof : int
        2 N - 4; no residual with two readings.
    wobble : float
        Root mean square of the residual about each axis, radians; 0 with two readings.
    """

    A: Array
    B: Array
    angles: Array
    covariance: Array
    gain: Array
    chi2: float
    dof: int
    wobble: float

    @property
    def axis(self) -> Array:
        """The axis (3,), a unit vector in the frame of measurement."""
        return self.A[:, 2]

    @property
    def axis_target(self) -> Array:
        """The axis (3,) in the target's frame."""
        return self.B[:, 2]

    @property
    def turn_covariance(self) -> Array:
        """Covariance (3, 3) of the small rotation δ about the frame's axes: exp(δ) axis."""
        across = self.A[:, :2]
        return np.asarray(across @ self.covariance[:2, :2] @ across.T)

    @property
    def p_value(self) -> float:
        """How often residuals as large come up by the stated noise alone; 1 with none."""
        return float(chdtrc(self.dof, self.chi2)) if self.dof else 1.0


def fit_turning(
    rotations: Sequence[Array],
    covariances: Sequence[Array],
    towards: Array,
    play: float = 0.0,
) -> Turning:
    """Return the axis that a body turned about between readings.

    Parameters
    ----------
    rotations : sequence of N (3, 3) float64
        R_frame_target of each reading.
    covariances : sequence of N (3, 3) float64
        Of each one's rotation error about the target's axes, radians².
    towards : (3,) float64
        Direction in the frame that the axis shall point along, roughly.
    play : float
        Standard deviation of the body's own axis from reading to reading, each way, radians:
        a bearing's play.

    Raises
    ------
    GeometryError
        Fewer than two readings, or it turned too little for an axis to be found.
    """
    n = len(rotations)
    if n < 2:
        raise GeometryError(f"an axis of turning needs two readings or more, got {n}")
    stack = np.stack([np.asarray(r, dtype=np.float64) for r in rotations])
    A, B = _start(stack, np.asarray(towards, dtype=np.float64))
    weights = np.stack([np.asarray(c, dtype=np.float64) for c in covariances])
    for _ in range(MAX_STEPS):
        angles = _angles(stack, A, B)
        jacobian, precision = _system(weights, angles, B, play)
        residual = _residuals(stack, A, B, angles)
        normal = np.einsum("kji,kjl,klm->im", jacobian, precision, jacobian)
        spread = _spread_of(normal)
        if not spread < MAX_SIGMA:
            raise GeometryError(_too_little(angles, spread))
        step = np.linalg.solve(
            normal, np.einsum("kji,kjl,kl->i", jacobian, precision, residual[:, :2])
        )
        A = A @ exp_rotvec(np.array([step[0], step[1], 0.0]))
        B = B @ exp_rotvec(np.array([step[2], step[3], 0.0]))
        if np.max(np.abs(step)) < STEP_ATOL:
            break
    angles = _angles(stack, A, B)
    jacobian, precision = _system(weights, angles, B, play)
    left = _residuals(stack, A, B, angles)[:, :2]
    covariance = np.linalg.inv(np.einsum("kji,kjl,klm->im", jacobian, precision, jacobian))
    by_reading = np.einsum("im,kjm,kjl->kil", covariance, jacobian, precision) @ B.T[:2]
    dof = 2 * n - 4
    return Turning(
        A=A,
        B=B,
        angles=np.unwrap(angles - angles[0]),
        covariance=covariance,
        gain=np.concatenate(list(by_reading), axis=1),
        chi2=float(np.einsum("ki,kij,kj->", left, precision, left)),
        dof=dof,
        wobble=math.sqrt(float(np.sum(left * left)) / dof) if dof else 0.0,
    )


def axis_sigma(sigma: float, roll_angles: Sequence[float]) -> float:
    """Return the standard uncertainty, radians, of the axis about each direction square to it.

    For readings of the same isotropic rotation noise `sigma`: with m the mean of exp(-iφ_k),
    ``σ / √(N (1 - |m|²))``, which for two readings apart by φ is ``√2 σ / (2 sin(φ/2))``.
    """
    angles = np.asarray(roll_angles, dtype=np.float64)
    mean = np.mean(np.exp(-1j * angles))
    left = len(angles) * (1.0 - abs(mean) ** 2)
    return sigma / math.sqrt(left) if left > 0.0 else math.inf


def frame_about(axis: Array) -> Array:
    """Return the frame (3, 3) whose z is `axis`, its x square to that axis it is nearest to least.

    x is the direction of the frame's own x, y or z that lies farthest from `axis`, made square.
    """
    z = np.asarray(axis, dtype=np.float64) / np.linalg.norm(axis)
    x = np.eye(3)[int(np.argmin(np.abs(z)))]
    x = x - (x @ z) * z
    x = x / np.linalg.norm(x)
    return np.column_stack((x, np.cross(z, x), z))


def _start(stack: Array, towards: Array) -> tuple[Array, Array]:
    apart = stack - stack.mean(axis=0)
    still = np.linalg.eigh(np.einsum("kji,kjl->il", apart, apart))[1][:, 0]
    mean = np.mean(stack @ still, axis=0)
    sign = 1.0 if mean @ towards > 0.0 else -1.0
    return frame_about(sign * mean), frame_about(sign * still)


def _angles(stack: Array, A: Array, B: Array) -> Array:
    m = A.T @ stack @ B
    return np.arctan2(m[:, 1, 0] - m[:, 0, 1], m[:, 0, 0] + m[:, 1, 1])


def _residuals(stack: Array, A: Array, B: Array, angles: Array) -> Array:
    """Return Bᵀ log(R_modelᵀ R_k), (N, 3)."""
    c, s = np.cos(angles), np.sin(angles)
    turns = np.zeros((len(angles), 3, 3))
    turns[:, 0, 0] = turns[:, 1, 1] = c
    turns[:, 1, 0], turns[:, 0, 1], turns[:, 2, 2] = s, -s, 1.0
    model = A @ turns @ B.T
    apart = np.swapaxes(model, 1, 2) @ stack
    return np.asarray(scipy.spatial.transform.Rotation.from_matrix(apart).as_rotvec() @ B)


def _system(weights: Array, angles: Array, B: Array, play: float) -> tuple[Array, Array]:
    """Return J (N, 2, 4) of (α, β) and the weights (N, 2, 2) of the two equations."""
    n = len(angles)
    jacobian = np.zeros((n, 2, 4))
    c, s = np.cos(angles), np.sin(angles)
    jacobian[:, 0, 0] = jacobian[:, 1, 1] = c
    jacobian[:, 0, 1], jacobian[:, 1, 0] = s, -s
    jacobian[:, 0, 2] = jacobian[:, 1, 3] = -1.0
    # φ_k is free, so that the third equation goes and takes its correlation with it
    noise = (B.T @ weights @ B)[:, :2, :2] + play**2 * np.eye(2)
    return jacobian, np.asarray(np.linalg.inv(noise))


def _spread_of(normal: Array) -> float:
    """Return the largest standard uncertainty of α; infinite where the system is singular."""
    if np.linalg.cond(normal) > 1e14:
        return math.inf
    return math.sqrt(float(np.max(np.linalg.eigvalsh(np.linalg.inv(normal)[:2, :2]))))


def _too_little(angles: Array, spread: float) -> str:
    turned = math.degrees(float(np.ptp(np.unwrap(angles))))
    found = (
        "no axis can be found"
        if not math.isfinite(spread)
        else f"its axis would be uncertain by {math.degrees(spread):.0f} deg"
    )
    return f"it turned by {turned:.2f} deg only between the readings: {found}; turn it farther"
