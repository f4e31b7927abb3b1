"""Resampling of a calibration's views: its predictions of those left out, and its claims.

Points of one view share motion, focus and what the model lacks of the board, so that their errors
aren't independent, and the covariance of least squares claims too little. Views are independent:
leaving one out at a time (Efron and Stein 1981, doi:10.1214/aos/1176345462) shows what the
parameters really scatter by.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bench.typing import Array


def left_out(jacobians: Sequence[Array], residuals: Sequence[Array]) -> tuple[Array, Array]:
    """Return how parameters move as each view is left out, and its residual then, to first order.

    With J the view's pose-free Jacobian, N the normal matrix of all views and e the view's
    residual, leaving it out moves the parameters by -(N - JᵀJ)⁻¹ Jᵀe, so that its residual
    becomes e + J (N - JᵀJ)⁻¹ Jᵀe. The pose is the view's own either way.

    Parameters
    ----------
    jacobians : sequence of (2 N, F) float64
        Of the views, pose-free.
    residuals : sequence of (N, 2) float64
        Found minus predicted, pixels.

    Returns
    -------
    moves : (V, F) float64
        Of the parameters.
    rmse_px : (V,) float64
        Root mean square residual distance of each view, predicted by the others.
    """
    scale = np.linalg.norm(np.vstack(jacobians), axis=0)
    scaled = [jacobian / scale for jacobian in jacobians]
    normal = sum((j.T @ j for j in scaled), np.zeros((len(scale), len(scale))))
    moves, rmse = [], []
    for jacobian, residual in zip(scaled, residuals, strict=True):
        others = normal - jacobian.T @ jacobian
        e = residual.reshape(-1)
        # least squares: the others alone may leave a direction open, where nothing is moved
        moved, *_ = np.linalg.lstsq(others, jacobian.T @ e, rcond=1e-12)
        rmse.append(np.sqrt(2.0 * np.mean((e + jacobian @ moved) ** 2)))
        moves.append(-moved / scale)
    return np.array(moves), np.array(rmse)


def jackknife(moves: Array) -> Array:
    """Return the covariance (F, F) that leaving out one view at a time gives."""
    n = len(moves)
    about = moves - moves.mean(axis=0)
    return np.asarray((n - 1) / n * about.T @ about)


def widening(moves: Array, covariance: Array) -> float:
    """Return by how much standard uncertainties are too small, 1 or more.

    The squared factor is the jackknife's variance over that of independent errors, averaged over
    the directions in which the latter is round: tr(C⁻¹ C_jackknife) / F; 1 of no parameters.
    """
    if not len(covariance):
        return 1.0
    scale = np.sqrt(np.diag(covariance))
    whole = covariance / np.outer(scale, scale)
    resampled = jackknife(moves / scale)
    ratio = float(np.trace(np.linalg.solve(whole, resampled))) / len(scale)
    return float(np.sqrt(max(1.0, ratio)))


def paired_excess(squares: Array, others: Array, counts: Array) -> tuple[float, float]:
    """Return how much larger mean squared distances are than others, and its standard error.

    Parameters
    ----------
    squares, others : (V,) float64
        Of each view, its points' mean squared distance from their predictions, pixels².
    counts : (V,) float64
        Points of each view.
    """
    differences = (squares - others) * counts / counts.mean()
    error = np.std(differences, ddof=1) / np.sqrt(len(differences))
    return float(np.mean(differences)), float(error)
