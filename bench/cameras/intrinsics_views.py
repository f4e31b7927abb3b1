"""Views of a calibration judged: those that stand out, and their coverage of the frame."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bench.cameras.adjustment import BoardView
from bench.cameras.intrinsics import Calibration
from bench.typing import Array, IntArray

# Iglewicz and Hoaglin (1993, "How to Detect and Handle Outliers", ASQC): a modified z-score
# above 3.5 marks an outlier.
OUTSTANDING = 3.5
# Scales a median absolute deviation to a standard deviation of a normal distribution: 1/Φ⁻¹(¾).
MAD_TO_SIGMA = 1.4826


def view_scores(calibration: Calibration) -> Array:
    """Return by how much each view's residual exceeds the others', as modified z-scores (V,).

    The residual r is that with intrinsics from the other views (`left_out_rmse_px`): a bad
    view's own is small where it pulls the camera to itself, and it makes the others' large. The
    score is (ln r - median ln r) / s: residuals compare by ratio, hence the logarithm. s is the
    scaled median absolute deviation, but at least what chance alone gives: with ν degrees of
    freedom in a view, ln r of normal errors scatters by 1/sqrt(2ν). A score above `OUTSTANDING`
    marks a view that stands out.
    """
    logs = np.log(np.maximum(calibration.left_out_rmse_px, np.finfo(float).tiny))
    freedom = np.median([r.size for r in calibration.residuals]) - 6.0
    from_median = logs - np.median(logs)
    spread = MAD_TO_SIGMA * np.median(np.abs(from_median))
    scores: Array = from_median / max(spread, 1.0 / np.sqrt(2.0 * freedom))
    return scores


def coverage_counts(
    views: Sequence[BoardView], size: tuple[int, int], cells: tuple[int, int] = (8, 6)
) -> IntArray:
    """Return how many points fall in each cell of the frame, (rows, columns).

    Parameters
    ----------
    views : sequence of BoardView
        Of one camera.
    size : (int, int)
        Width and height of the pictures, pixels.
    cells : (int, int)
        Columns and rows.
    """
    width, height = size
    u, v = np.vstack([view.pixels for view in views]).T
    counts, _, _ = np.histogram2d(
        v, u, bins=(cells[1], cells[0]), range=((-0.5, height - 0.5), (-0.5, width - 0.5))
    )
    whole: IntArray = counts.astype(np.int64)
    return whole


def reach(views: Sequence[BoardView], calibration: Calibration) -> float:
    """Return how far out the points go: 0 at the principal point, 1 at the farthest corner.

    Beyond that radius the distortion is extrapolated.
    """
    camera = calibration.camera
    centre = np.array([camera.cx, camera.cy])
    corners = np.array([[u, v] for u in (0, camera.width - 1) for v in (0, camera.height - 1)])
    points = np.vstack([view.pixels for view in views])
    farthest = np.max(np.linalg.norm(points - centre, axis=1))
    return float(farthest / np.max(np.linalg.norm(corners - centre, axis=1)))
