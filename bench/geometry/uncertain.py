"""Errors of poses through inversion, chaining and changes of axes, to first order.

A pose T = (R, t) errs as R exp(ω) and t + τ: ω about the axes of the frame that it comes from,
radians, τ along those of the frame that it goes to, metres; an element of SO(3) × R³ with
increments on the right. Jacobians are those of Solà, Deray and Atchuthan 2018, arXiv:1812.01537
(section on SO(3); from memory), with the lever arms that translations add. A covariance (6, 6) of
(ω, τ) goes through a Jacobian J as J Σ Jᵀ (JCGM 102:2011, 6.2). A camera known to 1 mrad misplaces
what stands 2 m ahead by 2 mm:

>>> from bench.geometry.pose import Pose
>>> J = point_response(Pose.identity(), np.array([0.0, 0.0, 2.0]))
>>> (J @ [0.001, 0.0, 0.0, 0.0, 0.0, 0.0]).tolist()
[0.0, -0.002, 0.0]
"""

from __future__ import annotations

import numpy as np

from bench.geometry.pose import Pose
from bench.geometry.rotation import skew
from bench.typing import Array


def axes_change(of_turn: Array, of_shift: Array) -> Array:
    """Return the matrix (6, 6) that takes ω and τ to other axes, by rotations (3, 3) of each."""
    change = np.zeros((6, 6))
    change[:3, :3], change[3:, 3:] = of_turn, of_shift
    return change


def point_response(T_a_b: Pose, p_b: Array) -> Array:
    """Return d(T p)/d(ω, τ), (..., 3, 6): of points p (..., 3) of frame b, in frame a.

    R exp(ω) p + t + τ moves by -R [p]× ω + τ.
    """
    by_turn = -T_a_b.rotation @ skew(p_b)
    return np.concatenate((by_turn, np.broadcast_to(np.eye(3), by_turn.shape)), axis=-1)


def inverse_response(T_a_b: Pose) -> Array:
    """Return d(ω, τ) of T_b_a by that of T_a_b, (6, 6).

    (R exp(ω))ᵀ is Rᵀ exp(-R ω), and the origin c = -Rᵀ t moves by c × ω - Rᵀ τ.
    """
    origin = -T_a_b.rotation.T @ T_a_b.translation
    response = axes_change(-T_a_b.rotation, -T_a_b.rotation.T)
    response[3:, :3] = skew(origin)
    return response


def first_response(T_a_b: Pose, T_b_c: Pose) -> Array:
    """Return d(ω, τ) of T_a_b T_b_c by that of T_a_b, (6, 6).

    R_a_b exp(ω) R_b_c is R_a_c exp(R_b_cᵀ ω); T_b_c's origin moves as a point does.
    """
    response = axes_change(T_b_c.rotation.T, np.eye(3))
    response[3:, :3] = -T_a_b.rotation @ skew(T_b_c.translation)
    return response


def second_response(T_a_b: Pose) -> Array:
    """Return d(ω, τ) of T_a_b T_b_c by that of T_b_c, (6, 6): shifts turn, turns stay."""
    return axes_change(np.eye(3), T_a_b.rotation)
