"""Covariance: of least-squares estimates, of means, and what follows from them.

The general functions are those of JCGM 100:2008 (GUM) and JCGM 102:2011; the pose functions
are the same, applied to the camera's analytic Jacobian.
"""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri

from bench.errors import ConfigError
from bench.geometry.camera import Camera, pose_jacobian
from bench.geometry.pose import Pose
from bench.geometry.uncertain import axes_change
from bench.geometry.viewing import facing_rotation
from bench.typing import Array

# Of the column-scaled Jacobian. Beyond it a parameter's uncertainty is a hundred million times
# that of the same parameter with all others known: nothing is known of it.
MAX_CONDITION = 1e8
# A claimed noise is overruled where residuals as large would come up less often than this.
IMPLAUSIBLE = 0.05
# Of an eigenvalue of a small matrix scaled to ones: a few units of its sixteenth digit, with room.
ROUNDING = 1e-12
# Variances of a file, radians and metres squared: beyond, nothing was measured.
LARGEST = 1e6


def least_squares_covariance(jacobian: Array, sigma: float | Array) -> Array:
    """Return the covariance (P, P) of a least-squares estimate: (Jᵀ V⁻¹ J)⁻¹.

    Parameters
    ----------
    jacobian : (M, P) float64
        Of the M observations with respect to the P parameters.
    sigma : float, (M,) or (M, M) float64
        Standard deviation of every observation, or of each, or their covariance V.

    Raises
    ------
    numpy.linalg.LinAlgError
        The observations don't determine the parameters.

    Notes
    -----
    Gauss-Markov (Aitken 1935); JCGM 100:2008, H.3 is its case of a straight line.
    """
    jacobian = np.asarray(jacobian, dtype=np.float64)
    sigma = np.asarray(sigma, dtype=np.float64)
    if sigma.ndim == 2:
        whitened = np.linalg.solve(np.linalg.cholesky(sigma), jacobian)
    else:
        whitened = jacobian / sigma.reshape(-1, 1)
    scale = np.sqrt(np.sum(whitened * whitened, axis=0))
    if not np.all(np.isfinite(scale)) or not np.all(scale > 0.0):
        raise np.linalg.LinAlgError("an observation isn't finite or a parameter has no effect")
    _, singular, vt = np.linalg.svd(whitened / scale, full_matrices=False)
    if len(singular) < len(scale) or singular[0] > MAX_CONDITION * singular[-1]:
        raise np.linalg.LinAlgError("the observations don't determine the parameters")
    root = vt / singular[:, None] / scale
    covariance: Array = root.T @ root
    return covariance


def propagate(jacobian: Array, covariance: Array) -> Array:
    """Return the covariance (Q, Q) of y(x): J Σ Jᵀ, J (Q, P) of dy/dx, Σ (P, P) of x.

    The law of propagation of uncertainty (JCGM 100:2008, 5.2.2; JCGM 102:2011, 6.2).
    """
    return np.asarray(jacobian @ covariance @ jacobian.T, dtype=np.float64)


def correlation(covariance: Array) -> Array:
    """Return the correlation coefficients (P, P) of a covariance with non-zero diagonal."""
    sigma = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(sigma, sigma), dtype=np.float64)


def noise_variance(sse_px2: float, n_points: int, sigma_px: float) -> float:
    """Return the variance of a pixel coordinate, px², from claim and residuals.

    The claimed variance stands unless the residuals refute it; then the least variance that
    they don't refute takes its place::

        max(sigma_px², SSE / χ²(ν, 95 %)),   ν = 2 N - 6

    The mean square SSE/ν alone won't do: four corners leave two degrees of freedom, where it
    scatters by 100 %, and the larger of claim and mean square would overstate a right claim by
    37 %. This rule overstates it by 2 % there, and tends to max(sigma_px², SSE/ν) for many
    points. What is wrong with a claim is mended in part with four points (a sigma_px three
    times too small comes back 1.7 times too small), nearly all with a grid.

    Parameters
    ----------
    sse_px2 : float
        Sum of squared residuals of the fitted pose, px².
    n_points : int
        Points, 4 or more.
    sigma_px : float
        Standard deviation that the detector claims.
    """
    refuted = float(chdtri(2 * n_points - 6, IMPLAUSIBLE))
    return max(sigma_px**2, sse_px2 / refuted)


def pose_covariance(
    p_target: Array, T_camera_target: Pose, camera: Camera, sigma_px: float
) -> Array:
    """Return the covariance (6, 6) of a least-squares pose from corner noise.

    Parameters
    ----------
    p_target : (N, 3) float64
        Points, metres.
    T_camera_target : Pose
        Where to linearise.
    camera : Camera
        Intrinsics.
    sigma_px : float
        Standard deviation of each pixel coordinate, independent.

    Returns
    -------
    (6, 6) float64
        Of (ω, τ): rotation about the target's axes, radians; translation in the camera frame,
        metres. See `bench.geometry.camera.pose_jacobian`.

    Raises
    ------
    numpy.linalg.LinAlgError
        The points don't determine the pose.
    """
    jacobian = pose_jacobian(p_target, T_camera_target, camera).reshape(-1, 6)
    return least_squares_covariance(jacobian, sigma_px)


def claimed_pose_covariance(
    p_target: Array,
    T_camera_target: Pose,
    camera: Camera,
    variance_px2: Array,
    shared: Array,
) -> Array:
    """Return the covariance (6, 6) of a pose that weighs all points alike, whatever they claim.

    Least squares with equal weights takes pixel errors e to G e, G = (JᵀJ)⁻¹Jᵀ; errors with
    the covariance V leave G V Gᵀ (JCGM 102:2011, 6.2).

    Parameters
    ----------
    p_target : (N, 3) float64
        Points, metres.
    T_camera_target, camera : Pose, Camera
        Where to linearise.
    variance_px2 : (N,) float64
        Of each point's coordinates, independent, px².
    shared : (K, N, 2) float64
        Patterns of one standard deviation each that points follow together, pixels.

    Raises
    ------
    numpy.linalg.LinAlgError
        The points don't determine the pose.
    """
    jacobian = pose_jacobian(p_target, T_camera_target, camera).reshape(-1, 6)
    gain = least_squares_covariance(jacobian, 1.0) @ jacobian.T
    together = gain @ shared.reshape(len(shared), gain.shape[1]).T
    return np.asarray((gain * np.repeat(variance_px2, 2)) @ gain.T + together @ together.T)


def in_facing_frame(covariance: Array, T_camera_target: Pose) -> Array:
    """Return a pose covariance (6, 6) with its translation split as errors are.

    The last three parameters become right, up and along the line of sight, away from the
    camera; rotation stays about the target's axes.

    Raises
    ------
    GeometryError
        The target is straight above or below the camera.
    """
    axes = facing_rotation(T_camera_target.translation) * (1.0, 1.0, -1.0)
    return propagate(axes_change(np.eye(3), axes.T), covariance)


def covariance_of_rows(
    rows: list[list[float]], n: int, name: str, singular: bool = False
) -> Array:
    """Return rows as a covariance (n, n).

    Parameters
    ----------
    rows : list of lists of float
        As a file holds it.
    n : int
        Its size.
    name : str
        For messages.
    singular : bool
        Whether something may be known exactly, as the turn of a direction about itself is.

    Raises
    ------
    ConfigError
        It isn't symmetric and positive definite, or semidefinite if it may be `singular`; names
        it.
    """
    try:
        found = np.array(rows, dtype=np.float64)
        whole = found.shape == (n, n) and bool(np.all(np.abs(found) <= LARGEST))
        whole = whole and bool(np.allclose(found, found.T, rtol=1e-9))
        if whole:
            # columns scaled to one: variances of radians and of metres may lie far apart
            variances = np.diag(found)
            scale = np.sqrt(np.where(variances > 0.0, variances, 1.0))
            least = float(np.linalg.eigvalsh(found / np.outer(scale, scale))[0])
            whole = least >= -ROUNDING if singular else least > 0.0 and bool(np.all(variances > 0))
    except (ValueError, TypeError, np.linalg.LinAlgError):
        whole = False
    if not whole:
        raise ConfigError(f"{name} must be a covariance, {n} by {n}, symmetric and positive")
    return found
