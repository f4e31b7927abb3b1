"""A pose's covariance where the model is wrong: from how far it moves without each line.

A lens, a print or a renderer that isn't what the model says puts an edge in the wrong place, and
not pixel by pixel: the whole edge is off together, and with it all edges on the same line of the
drawing, which share direction, side of the light and, where they run along rows or columns, their
place between pixels. So residuals are taken as dependent within a line and independent between
lines.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from bench.geometry.camera import face_places
from bench.geometry.pose import Pose
from bench.imaging.appearance import POSE, jacobian
from bench.kernel import kernel
from bench.solve.image_fit import MAX_CONDITION, ImageFit, Scene
from bench.targets.drawing import Disc, Drawing
from bench.typing import Array, IntArray

# Edges that are off one line by less than this share of the plate are on it: far above rounding,
# far below what anybody draws.
SAME_LINE = 1e-6
# Cells of a plate, each way, whose nearest edges are listed once; of a distance, what is a tie.
GRID, TIE = 48, 1e-9


def leave_one_out_covariance(scene: Scene, fit: ImageFit) -> Array | None:
    """Return the pose's covariance (6, 6) by the jackknife over the drawing's lines.

    With H = JᵀWJ, g = JᵀWr, and H_k and g_k their parts from line k's pixels, the fit without
    line k lies at -(H - H_k)⁻¹ g_k from that with all, to first order, and of n lines::

        V = (n - 1)/n Σ (H - H_k)⁻¹ g_k g_kᵀ (H - H_k)⁻¹

    It holds whatever the residuals' distribution, as long as those of different lines are
    independent. The plain sandwich H⁻¹ Σ g_k g_kᵀ H⁻¹ (Liang and Zeger 1986,
    doi:10.1093/biomet/73.1.13) is too small where lines are few and some decide much, for a fit
    bends toward them; this one is never too small in expectation where noise is what the weights
    say (Bell and McCaffrey 2002, Survey Methodology 28, 169; CV3 of Cameron and Miller 2015,
    doi:10.3368/jhr.50.2.317, section VI.B).

    Returns
    -------
    (6, 6) float64 or None
        None where there are too few lines, or one without which the pose isn't determined.
    """
    rows = jacobian(fit.sensitivity, fit.reflectance, fit.light, scene.pixels)
    line = line_of_pixels(scene, fit.pose)
    return jackknife(*line_sums(line, rows, fit.weights, scene.grey - fit.predicted))


def jackknife(parts: Array, sums: Array) -> Array | None:
    """Return the covariance of `leave_one_out_covariance` from `line_sums`, pose first."""
    if len(parts) <= parts.shape[1]:
        return None
    whole = np.sum(parts, axis=0)
    scale = np.sqrt(np.diag(whole))
    rest = (whole - parts) / np.outer(scale, scale)
    if np.max(np.linalg.cond(rest)) > MAX_CONDITION:
        return None
    moved = np.linalg.solve(rest, (sums / scale)[:, :, None])[:, :, 0] / scale
    count = len(parts)
    covariance = (count - 1.0) / count * (moved.T @ moved)
    return np.asarray(covariance[:POSE, :POSE])


def line_sums(line: IntArray, rows: Array, weights: Array, residual: Array) -> tuple[Array, Array]:
    """Return each line's part of JᵀWJ (L, P, P) and of JᵀWr (L, P).

    Parameters
    ----------
    line : (N,) int64
        To which line each pixel belongs.
    rows : (N, P) float64
        Derivatives of grey values.
    weights, residual : (N,) float64
        As the fit had and left them.
    """
    parts, sums = _line_sums(line, rows, weights, residual, int(np.max(line)) + 1)
    seen = np.bincount(line, minlength=len(parts)) > 0
    return parts[seen], sums[seen]


@kernel
def _line_sums(
    line: IntArray, rows: Array, weights: Array, residual: Array, lines: int
) -> tuple[Array, Array]:
    count = rows.shape[1]
    parts, sums = np.zeros((lines, count, count)), np.zeros((lines, count))
    for n in range(len(line)):
        k = line[n]
        for q in range(count):
            part = weights[n] * rows[n, q]
            sums[k, q] += part * residual[n]
            for p in range(count):
                parts[k, q, p] += part * rows[n, p]
    return parts, sums


def line_of_pixels(scene: Scene, pose: Pose) -> IntArray:
    """Return the number (N,) of the line, or disc, of the drawing nearest to each pixel."""
    p_target = face_places(scene.pixels.seen, pose, scene.camera)
    drawing = scene.drawing
    return _nearest(
        np.ascontiguousarray(p_target[:, :2]), *_lines(drawing), drawing.width, drawing.height,
        *_candidates_of(drawing),
    )  # fmt: skip


@lru_cache(maxsize=64)
def _lines(drawing: Drawing) -> tuple[Array, Array, IntArray]:
    """Return a face's edges (M, 4), discs (D, 3) and which line each is (M + D,).

    The plate's own edge isn't among them: no pixel near it counts.
    """
    limit = SAME_LINE * max(drawing.width, drawing.height)
    edges, numbers = [np.empty((0, 4))], list[int]()
    lines: list[tuple[Array, Array]] = []
    for shape in drawing.shapes[1:]:
        if isinstance(shape, Disc):
            continue
        for ring in shape.rings:
            for start, end in zip(ring, np.roll(ring, -1, axis=0), strict=True):
                edges.append(np.hstack((start, end))[None])
                numbers.append(_number(start, end, lines, limit))
    discs = [[s.x, s.y, s.radius] for s in drawing.shapes[1:] if isinstance(s, Disc)]
    numbers += range(len(lines), len(lines) + len(discs))
    return (
        np.vstack(edges),
        np.array(discs, dtype=np.float64).reshape(-1, 3),
        np.array(numbers, dtype=np.int64),
    )


def _number(start: Array, end: Array, lines: list[tuple[Array, Array]], limit: float) -> int:
    """Return which of the lines, point and normal, an edge is on; a new one is appended."""
    ends = np.array([start, end])
    for number, (point, normal) in enumerate(lines):
        if np.max(np.abs((ends - point) @ normal)) < limit:
            return number
    way = (end - start) / np.linalg.norm(end - start)
    lines.append((start, np.array([-way[1], way[0]])))
    return len(lines) - 1


@lru_cache(maxsize=64)
def _candidates_of(drawing: Drawing) -> tuple[IntArray, IntArray]:
    """Return the edges, then discs, that may be nearest to a point of each cell of the plate.

    `GRID` cells each way; where each cell's begin, and their numbers.
    """
    return _candidates(*_lines(drawing)[:2], drawing.width, drawing.height)


@kernel
def _away(x: float, y: float, k: int, edges: Array, discs: Array) -> float:
    """Return a point's distance to an edge, or to a disc's, which are numbered after them."""
    if k >= len(edges):
        k -= len(edges)
        return float(abs(np.hypot(x - discs[k, 0], y - discs[k, 1]) - discs[k, 2]))
    dx, dy = edges[k, 2] - edges[k, 0], edges[k, 3] - edges[k, 1]
    px, py = x - edges[k, 0], y - edges[k, 1]
    t = min(1.0, max(0.0, (px * dx + py * dy) / (dx * dx + dy * dy)))
    return float(np.hypot(px - t * dx, py - t * dy))


@kernel
def _candidates(
    edges: Array, discs: Array, width: float, height: float
) -> tuple[IntArray, IntArray]:
    count = len(edges) + len(discs)
    starts, found = np.zeros(GRID * GRID + 1, np.int64), np.empty(GRID * GRID * count, np.int64)
    away, n = np.empty(count), 0
    reach = np.hypot(width, height) / GRID  # twice as far as a cell's corner is from its middle
    for cell in range(GRID * GRID):
        x = ((cell // GRID + 0.5) / GRID - 0.5) * width
        y = ((cell % GRID + 0.5) / GRID - 0.5) * height
        for k in range(count):
            away[k] = _away(x, y, k, edges, discs)
        limit = np.min(away) * (1.0 + TIE) + reach
        for k in range(count):
            if away[k] <= limit:
                found[n] = k
                n += 1
        starts[cell + 1] = n
    return starts, found[:n].copy()


@kernel
def _nearest(
    points: Array, edges: Array, discs: Array, numbers: IntArray, width: float, height: float,
    starts: IntArray, candidates: IntArray,
) -> IntArray:  # fmt: skip
    found = np.zeros(len(points), np.int64)
    for n in range(len(points)):
        x, y, best = points[n, 0], points[n, 1], np.inf
        i = min(GRID - 1, max(0, int((x / width + 0.5) * GRID)))
        j = min(GRID - 1, max(0, int((y / height + 0.5) * GRID)))
        for m in range(starts[i * GRID + j], starts[i * GRID + j + 1]):
            k = candidates[m]
            away = _away(x, y, k, edges, discs)
            # beyond a corner both its edges are as near: the first has it, whatever rounding says
            if away < best * (1.0 - TIE):
                best, found[n] = away, numbers[k]
    return found
