"""A wheel's spin axis and centre from poses of the target on it: run-out compensation.

The target is never square on the wheel, nor centred. While the vehicle is pushed, the wheel
turns about its axis and moves along; on a lift it turns in place. The axis comes from the
rotations alone (`bench.solve.turning`), so that it doesn't matter which. The centre follows from
the places: with t_k and R_k the target's pose, q its centre's foot on the axis as the target has
it, and c the wheel's centre at the reading of rest::

    t_k + R_k q = c + (φ_k - φ_rest) (s_1 d_1 + s_2 d_2)

d_1 and d_2 span the floor, since a vehicle need not be pushed along the bay; both s are 0 for a
wheel that turns in place. Where along its axis the wheel's middle lies no turning tells: the
mount's drawing does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import skew
from bench.geometry.uncertain import point_response
from bench.solve.covariance import propagate
from bench.solve.turning import Turning, fit_turning, frame_about
from bench.typing import Array

# Of the target's centre across the axis, each way, metres, where the readings don't tell the
# wheel's centre and the mount's drawing stands for it.
CENTRING_SIGMA = 1e-3
# Readings that a rolling wheel's centre needs: two leave the rolling radius open.
ROLLING_READINGS = 3


@dataclass(frozen=True, eq=False)
class WheelAxis:
    """A wheel as its target's poses tell it.

    Attributes
    ----------
    turning : Turning
        The axis, outward, with the angles that the wheel had rolled through.
    centre : (3,) float64
        The wheel's centre at the reading of rest, metres, in the frame of measurement.
    covariance : (6, 6) float64
        Of (δ, centre): the axis turned by the rotation vector δ about the frame's axes, radians,
        and the centre, metres.
    centre_source : {"turning", "mount"}
        Whether the readings told the centre or the mount's drawing.
    run_out : float
        Angle between the target's normal and the axis, radians, where the target should be
        square; with a mount that turns the target on purpose it includes that turn.
    place_p_value : float
        How often places fit a rolling wheel as badly by the stated noise alone; 1 where they
        aren't more than the unknowns.
    """

    turning: Turning
    centre: Array
    covariance: Array
    centre_source: str
    run_out: float
    place_p_value: float = 1.0

    @property
    def axis(self) -> Array:
        """Outward unit vector (3,)."""
        return self.turning.axis


def wheel_axis(
    poses: Sequence[Pose],
    covariances: Sequence[Array],
    outward: Array,
    outboard: float,
    floor: Array | None = None,
    play: float = 0.0,
    rest: int = -1,
) -> WheelAxis:
    """Return a wheel's axis and centre.

    Parameters
    ----------
    poses : sequence of N Pose
        T_frame_target of each reading; two at least.
    covariances : sequence of N (6, 6) float64
        Of each one's (ω, τ): rotation about the target's axes, radians; translation, metres.
    outward : (3,) float64
        Roughly the outward direction.
    outboard : float
        How far the target's centre lies outward of the wheel's middle along the axis, metres.
    floor : (3,) float64, optional
        Upward normal of the floor that the vehicle was pushed along; None for a wheel that
        turned in place.
    play : float
        Standard deviation of the spin axis from reading to reading, radians.
    rest : int
        The reading that the centre belongs to.

    Raises
    ------
    GeometryError
        Fewer than two readings, or the wheel rolled too little.
    """
    turning = fit_turning(
        [p.rotation for p in poses], [np.asarray(c)[:3, :3] for c in covariances], outward, play
    )
    noise = np.zeros((6 * len(poses), 6 * len(poses)))
    for k, covariance in enumerate(covariances):
        noise[6 * k : 6 * k + 6, 6 * k : 6 * k + 6] = covariance
    to_axis = _axis_gain(turning, len(poses))
    tell = floor is None or len(poses) >= ROLLING_READINGS
    place_p = 1.0
    if tell:
        foot, to_foot, place_p = _centre(poses, noise, turning, floor, rest, play)
    else:
        foot = np.array(poses[rest].translation)
        to_foot = np.zeros((3, len(noise)))
        at = 6 * (rest % len(poses))
        to_foot[:, at + 3 : at + 6] = np.eye(3)
    axis = turning.axis
    # δ x axis is how the axis moves, and the centre with it by the mount's offset
    gain = np.vstack((to_axis, to_foot + outboard * skew(axis) @ to_axis))
    covariance = propagate(gain, noise)
    # the body's own wobble: scatters α by its share of the weights, on top of the readings'
    covariance[:3, :3] += _play_share(turning, play)
    if not tell:
        covariance[3:, 3:] += CENTRING_SIGMA**2 * (np.eye(3) - np.outer(axis, axis))
    normal = turning.axis_target[2]
    return WheelAxis(
        turning,
        foot - outboard * axis,
        covariance,
        "turning" if tell else "mount",
        math.acos(min(1.0, abs(float(normal)))),
        place_p,
    )


def _axis_gain(turning: Turning, n: int) -> Array:
    """Return dδ/d(all readings' ω and τ), (3, 6 N)."""
    gain = np.zeros((3, 6 * n))
    by_rotation = turning.A[:, :2] @ turning.gain[:2]
    for k in range(n):
        gain[:, 6 * k : 6 * k + 3] = by_rotation[:, 3 * k : 3 * k + 3]
    return gain


def _play_share(turning: Turning, play: float) -> Array:
    """Return the covariance (3, 3) of δ that play alone gives."""
    if play == 0.0:
        return np.zeros((3, 3))
    # play enters as ω does, square to the axis; ω along the axis has no gain at all
    share = turning.A[:, :2] @ turning.gain[:2]
    return np.asarray(play**2 * share @ share.T)


def _centre(
    poses: Sequence[Pose],
    noise: Array,
    turning: Turning,
    floor: Array | None,
    rest: int,
    play: float,
) -> tuple[Array, Array, float]:
    """Return the axis's foot (3,) at rest, its derivative (3, 6 N) by the readings, and p.

    p is that of the places' residuals.
    """
    n = len(poses)
    rolled = turning.angles - turning.angles[rest]
    across = turning.B[:, :2]
    ways = np.zeros((3, 0))
    if floor is not None:
        ways = frame_about(floor)[:, :2]
    columns = 5 + ways.shape[1]
    design, place = np.zeros((3 * n, columns)), np.zeros(3 * n)
    for k, pose in enumerate(poses):
        rows = slice(3 * k, 3 * k + 3)
        design[rows, :2] = pose.rotation @ across
        design[rows, 2:5] = -np.eye(3)
        design[rows, 5:] = -rolled[k] * ways
        place[rows] = -pose.translation
    scale = np.linalg.norm(design, axis=0)
    if not np.all(scale > 0.0) or np.linalg.cond(design / scale) > 1e8:
        raise GeometryError("the readings don't tell the wheel's centre: turn the wheel farther")
    x = np.linalg.lstsq(design, place, rcond=None)[0]
    for _ in range(2):  # weights depend on the foot, known to millimetres after the first pass
        by_reading = _errors(poses, turning, across @ x[:2], ways @ x[5:], rest)
        weight = np.linalg.pinv(propagate(by_reading, noise), hermitian=True)
        normal = design.T @ weight @ design
        gain = np.linalg.solve(normal, design.T @ weight)
        x = gain @ place
    residual = place - design @ x
    # play turns the wheel about its centre, which the target's arm carries to its place
    spare = int(np.linalg.matrix_rank(weight)) - columns
    fits = play > 0.0 or spare <= 0
    p = 1.0 if fits else float(chdtrc(spare, residual @ weight @ residual))
    return np.asarray(x[2:5]), -gain[2:5] @ by_reading, p


def _errors(
    poses: Sequence[Pose], turning: Turning, foot: Array, speed: Array, rest: int
) -> Array:
    """Return d(t_k + R_k q - (φ_k - φ_rest) v)/d(ω, τ), (3 N, 6 N)."""
    n = len(poses)
    found = np.zeros((3 * n, 6 * n))
    at = 6 * (rest % n)
    for k, pose in enumerate(poses):
        rows = slice(3 * k, 3 * k + 3)
        found[rows, 6 * k : 6 * k + 6] = point_response(pose, foot)
        found[rows, 6 * k : 6 * k + 3] -= np.outer(speed, turning.axis_target)
        found[rows, at : at + 3] += np.outer(speed, turning.axis_target)
    return found
