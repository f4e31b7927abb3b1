"""From a solver's candidate poses to an estimate: checks, ambiguity, covariance.

All solvers end here, so that outcomes mean the same for each.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from bench.detect.detection import Detection, Found
from bench.errors import GeometryError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.solve.ambiguity import compare_modes, mirrored_fit, spread_over_modes
from bench.solve.covariance import claimed_pose_covariance, noise_variance
from bench.solve.estimate import Estimate, Outcome
from bench.solve.points import PlanarPoints
from bench.solve.refine import Fit, refine
from bench.typing import Array

# RMS residual over RMS distance of the points from their mean, above which no pose explains
# the points. Any order of a square's corners but the right one and its three rotations shows
# the target's back, or leaves 0.17 or more (worst of 300 poses of all 24 orders, tilts to 80
# degrees); corner noise of half a pixel on a marker of 8 px leaves 0.06.
MAX_MISFIT = 0.10
# Minima with normals nearer than this, radians, are one: 0.006 degrees is well above what the
# refinement leaves of a distance, and under what anybody would call two poses.
SAME_NORMAL = 1e-4

NOT_FINITE = Estimate(Outcome.NOT_FINITE)


def not_found(detection: Detection) -> Estimate | None:
    """Return the estimate of a detection without points, or None if it has some."""
    if detection.found is Found.FOUND:
        return None
    missed = detection.found is Found.MISSED
    return Estimate(Outcome.MISSED if missed else Outcome.WRONG_ID)


def conclude(
    candidates: Sequence[Fit],
    points: PlanarPoints,
    camera: Camera,
    sigma_px: float,
    *,
    judged: bool = True,
) -> Estimate:
    """Judge candidate poses and return the estimate.

    Parameters
    ----------
    candidates : sequence of Fit
        One or two poses, the solver's favourite first. With one, or with the second not
        visible, the runner-up is the minimum reached from the favourite's mirror image.
    points : PlanarPoints
        What was seen.
    camera : Camera
        Intrinsics.
    sigma_px : float
        Noise of a pixel coordinate that the detector claims.
    judged : bool
        Whether the two minima are compared; without, any pose is OK.

    Returns
    -------
    Estimate
        NOT_FINITE where no candidate shows the target's front to the camera with all points
        before it, where the best leaves residuals that no noise explains (`MAX_MISFIT`: corners
        in the wrong order), or where the points don't determine a pose. Otherwise the first
        visible candidate as the solver gave it, OK or AMBIGUOUS (`bench.solve.ambiguity`,
        judged at the minima that candidate and runner-up lead to).

    Notes
    -----
    The covariance is that of least squares at the pose, from σ² of `noise_variance`, or a
    point's own where that is more, and from what the points may be off by together: what a
    solver that isn't least squares claims, not what it attains. Where both minima lie in one
    basin it spans them (`spread_over_modes`). Odds between the two are asked of the same errors.
    """
    visible = [fit for fit in candidates if is_visible(fit)]
    if not visible or misfit(visible[0], points) > MAX_MISFIT:
        return NOT_FINITE
    favourite = visible[0]
    first = refine(favourite.rotation, favourite.translation, points, camera)
    if len(visible) > 1:
        runner_up = visible[1]
        second = refine(runner_up.rotation, runner_up.translation, points, camera)
    else:
        runner_up = second = mirrored_fit(first, points, camera)
    n = len(points.p_target)
    variance = noise_variance(min(first.sse_px2, second.sse_px2), n, sigma_px)
    try:
        pose = Pose(favourite.rotation, favourite.translation)
        own, shared = _errors(points, variance, sigma_px)
        covariance = claimed_pose_covariance(points.p_target, pose, camera, own, shared)
    except (GeometryError, np.linalg.LinAlgError):
        return NOT_FINITE
    rmse_px = math.sqrt(favourite.sse_px2 / n)
    if not is_visible(second) or same_normal(first, second):
        return Estimate(Outcome.OK, pose, covariance, rmse_px)
    outcome = Outcome.OK
    if judged:
        patterns = shared.reshape(len(shared), 2 * n)
        whole = np.diag(np.repeat(own, 2)) + patterns.T @ patterns
        modes = compare_modes(first, second, points, camera, whole)
        if not modes.separate:
            covariance = spread_over_modes(covariance, favourite, second, modes.second_weight)
        outcome = Outcome.AMBIGUOUS if modes.ambiguous else Outcome.OK
    return Estimate(
        outcome,
        pose,
        covariance,
        rmse_px,
        runner_up=Pose(runner_up.rotation, runner_up.translation),
        runner_up_rmse_px=math.sqrt(runner_up.sse_px2 / n),
    )


def is_visible(fit: Fit) -> bool:
    """Tell whether all points are before the camera and see its front: finite, too."""
    return math.isfinite(fit.sse_px2) and bool(fit.rotation[:, 2] @ fit.translation < 0.0)


def misfit(fit: Fit, points: PlanarPoints) -> float:
    """Return RMS residual over RMS distance of the points from their mean."""
    offset = points.pixels - points.pixels.mean(axis=0)
    return math.sqrt(fit.sse_px2 / float(np.sum(offset * offset)))


def same_normal(first: Fit, second: Fit) -> bool:
    """Tell whether two minima have one normal, within `SAME_NORMAL`."""
    chord = first.rotation[:, 2] - second.rotation[:, 2]
    return bool(chord @ chord < SAME_NORMAL**2)


def _errors(points: PlanarPoints, variance: float, sigma_px: float) -> tuple[Array, Array]:
    """Return each point's own variance (N,), px², and what they share (K, N, 2), pixels."""
    count = len(points.p_target)
    own = sigma_px**2 + points.more_px**2 if len(points.more_px) else np.zeros(count)
    shared = points.shared if len(points.shared) else np.empty((0, count, 2))
    return np.maximum(own, variance), shared
