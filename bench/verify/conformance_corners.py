"""Checks that corners keep to the conventions: axes, order, origin, lens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np

from bench.geometry.camera import project
from bench.targets.target import Target
from bench.typing import Array
from bench.verify.conformance_check import Check, explain, failed, passed, rms_px, undecided
from bench.verify.conformance_subject import Reading
from bench.verify.conformance_views import Shown
from bench.verify.protocol import point_names

CORNERS = ("top left", "top right", "bottom right", "bottom left")
IDENTITY = (0, 1, 2, 3)
UNIT = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
# Origins differ by half a pixel; whatever is nearer to another origin than to ours has that.
MAX_SHIFT_PX = 0.25
# Corners farther than that from a known convention don't have it: twice what a detector's own
# error leaves in a mean (line fits 0.05 px, see `bench.detect.aruco`).
NEAR_PX = 0.1
# The mean of the views must be known well enough to tell: three standard errors within that.
SIGMAS = 3.0
AXES = {
    "as stated": "",
    "row before column": "give [u, v], column first: you give [row, column]",
    "v upward": "count v downward from the top row: you count from the bottom",
    "fractions": "give pixels: you give fractions of the picture's size",
}

ORIGINS = {
    (0.5, 0.5): "your origin is the corner of the top-left pixel; subtract 0.5",
    (-0.5, -0.5): "half a pixel is taken off that the convention doesn't have; add 0.5",
    (1.0, 1.0): "you count pixels from 1; subtract 1",
}

Seen = Sequence[tuple[Shown, Reading]]


@dataclass(frozen=True)
class CornerRule:
    """How corners are answered, so that later checks can look past what earlier ones found."""

    axes: str = "as stated"
    order: tuple[int, ...] = IDENTITY
    shift_px: tuple[float, float] = (0.0, 0.0)


def check_order(seen: Seen) -> tuple[Check, CornerRule]:
    """Find the axes of pixels and the order of corners that explain what was answered."""
    target = seen[0][0].observation.target
    best: tuple[float, CornerRule] = (np.inf, CornerRule())
    spacing = np.inf
    for axes in AXES:
        for order in permutations(range(4)):
            parts = []
            for shown, reading in seen:
                pixels, p_target = reading.corners
                points = reordered(p_target, target, order)
                if points is None:
                    break
                true = shown.pixels_true(points)
                spacing = min(spacing, _spacing(true))
                parts.append(rms_px(_in_axes(pixels, axes, shown, true), true))
            else:
                rms = float(np.sqrt(np.mean(np.square(parts))))
                if rms < best[0]:
                    best = rms, CornerRule(axes, order)
    rms, rule = best
    # two points exchanged leave an RMS of √(2/N) spacings: half of that is the limit
    n = min(len(r.pixels) for _, r in seen if r.pixels is not None)
    limit = 0.5 * spacing * np.sqrt(2.0 / max(n, 2))
    words = f"corners are {rms:.2f} px (RMS) from where they belong, limit {limit:.1f}"
    if not rms < limit:
        fix = "no order of corners explains them; see which pixel each named point lies at"
        return failed("corner order", words, fix), CornerRule()
    fixes = []
    if rule.axes != "as stated":
        fixes.append(AXES[rule.axes])
    if rule.order != IDENTITY:
        runs = ", ".join(CORNERS[k] for k in rule.order)
        take = [rule.order.index(k) for k in range(4)]
        of = "markers' corners" if target.markers else "the pattern's corners"
        fixes.append(f"{of} run {runs}, not {', '.join(CORNERS)}; take them in order {take}")
    if fixes:
        words = f"corners fit to {rms:.2f} px (RMS) in another order, limit {limit:.1f}"
        if rule.order == IDENTITY:
            words = words.replace("in another order", "along other axes")
        return failed("corner order", words, "; ".join(fixes)), rule
    return passed("corner order", words), rule


def check_origin(seen: Seen, rule: CornerRule) -> tuple[Check, CornerRule]:
    """Measure the mean offset of corners over sub-pixel places."""
    offsets = []
    for shown, reading in seen:
        pixels, true = looked_past(reading, rule, shown)
        offsets.append((pixels - true).mean(axis=0))
    mean = np.mean(offsets, axis=0)
    return judge_origin("corners are", mean, np.array(offsets), rule)


def judge_origin(
    what: str, mean: Array, offsets: Array, rule: CornerRule
) -> tuple[Check, CornerRule]:
    """Judge the mean (2,) of offsets (V, 2), pixels."""
    error = np.std(offsets, axis=0, ddof=1) / np.sqrt(len(offsets)) if len(offsets) > 1 else 0.0
    right, down = np.round(mean, 2) + 0.0  # no minus before a zero
    words = f"{what} ({right:+.2f}, {down:+.2f}) px off, limit {MAX_SHIFT_PX}"
    if np.any(SIGMAS * error > MAX_SHIFT_PX):
        known = float(np.max(SIGMAS * error))
        return undecided("pixel origin", f"{words}, known to {known:.2f} px"), rule
    if np.all(np.abs(mean) <= MAX_SHIFT_PX):
        return passed("pixel origin", words), rule
    near = np.maximum(NEAR_PX, SIGMAS * error)
    fixes = [fix for known, fix in ORIGINS.items() if np.all(np.abs(mean - known) <= near)]
    unlike = (
        f"{float(np.max(np.abs(mean))):.1f} px, unlike any known convention; (0, 0) is the centre "
        "of the top-left pixel: is an edge's pixel taken for the edge, or a blur one-sided?"
    )
    fix = fixes[0] if fixes else unlike
    shifted = replace(rule, shift_px=(float(mean[0]), float(mean[1])))
    return failed("pixel origin", words, fix), shifted


def check_corner_lens(seen: Seen, rule: CornerRule) -> Check:
    """Tell corners of the picture as it is from undistorted ones, and from a part's own."""
    name = "distortion of corners"
    readings, patterns = [], []
    for shown, reading in seen:
        pixels, true = looked_past(reading, rule, shown)
        camera, picture = shown.observation.camera, shown.observation.picture
        points = reordered(reading.corners[1], shown.observation.target, rule.order)
        assert points is not None
        straight = replace(camera, distortion=(0.0, 0.0, 0.0, 0.0, 0.0))
        readings.append(pixels)
        patterns.append(
            {
                "as stated": true,
                "answer corners of the picture as it is: yours are undistorted": project(
                    points, shown.T_camera_target_true, straight
                ),
                "add the region's first column and row (picture.u0, picture.v0)": true
                - (picture.u0, picture.v0),
            }
        )
    expected = {key: np.vstack([p[key] for p in patterns]) for key in patterns[0]}
    best, distances, limit = explain(np.vstack(readings), expected)
    words = f"corners are {distances['as stated']:.2f} px (RMS) off, limit {limit:.1f}"
    if best == "as stated":
        return passed(name, words)
    if best is None:
        return failed(name, words, "nothing known explains it")
    return failed(name, words, best)


def looked_past(reading: Reading, rule: CornerRule, shown: Shown) -> tuple[Array, Array]:
    """Return answered pixels with what a rule explains undone, and the true ones (N, 2)."""
    pixels, p_target = reading.corners
    points = reordered(p_target, shown.observation.target, rule.order)
    assert points is not None
    true = shown.pixels_true(points)
    return _in_axes(pixels, rule.axes, shown, true) - rule.shift_px, true


def reordered(p_target: Array, target: Target, order: Sequence[int]) -> Array | None:
    """Return the points (N, 3) that others stand for when corners come in another order.

    Corners are exchanged within each marker; points of a lattice are turned or mirrored about
    its middle. None where the lattice doesn't map to itself, or the order is no such turn.
    """
    order = tuple(order)
    if order == IDENTITY:
        return p_target
    named = point_names(target)
    places = np.array(list(named.values()))
    names = list(named)
    nearest = [int(np.argmin(np.sum((places - p) ** 2, axis=1))) for p in p_target]
    turn = np.linalg.lstsq(UNIT, UNIT[list(order)], rcond=None)[0]
    is_turn = np.allclose(UNIT @ turn, UNIT[list(order)])
    centre = 0.5 * (target.points.min(0) + target.points.max(0)) if len(target.points) else None
    result = []
    for index in nearest:
        marker, dot, corner = names[index].partition(".")
        if dot:
            result.append(target.markers[int(marker)][order[int(corner)]])
            continue
        if not is_turn or centre is None:
            return None
        moved = (places[index, :2] - centre) @ turn + centre
        gaps = np.linalg.norm(target.points - moved, axis=1)
        if gaps.min() > 1e-6:
            return None
        result.append(target.points[int(np.argmin(gaps))])
    return np.column_stack((np.array(result), np.zeros(len(result))))


def _in_axes(pixels: Array, axes: str, shown: Shown, true: Array) -> Array:
    """Return pixels that were answered along other axes as they are meant.

    Of a part of a frame "from the bottom" may mean the part's or the frame's: whichever comes
    nearer to the truth, so that one mistake isn't named twice.
    """
    picture = shown.observation.picture
    height, width = picture.grey.shape
    if axes == "row before column":
        return pixels[:, ::-1]
    if axes == "v upward":
        of_frame = shown.observation.camera.height - 1
        bottoms = (height - 1, 2 * picture.v0 + height - 1, of_frame)
        ways = [np.column_stack((pixels[:, 0], bottom - pixels[:, 1])) for bottom in bottoms]
        return min(ways, key=lambda meant: rms_px(meant, true))
    if axes == "fractions":
        return pixels * (width, height)
    return pixels


def _spacing(pixels: Array) -> float:
    """Return the smallest distance of two of the pixels (N, 2)."""
    gaps = np.linalg.norm(pixels[:, None] - pixels[None], axis=2)
    return float(gaps[~np.eye(len(pixels), dtype=bool)].min()) if len(pixels) > 1 else np.inf


def is_judged(reading: Reading) -> bool:
    """Tell whether a reading has finite corners."""
    return reading.pixels is not None and bool(np.all(np.isfinite(reading.pixels)))
