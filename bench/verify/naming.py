"""Names for systematic changes that have a usual cause.

Found from the numbers alone, whatever the pipelines are called. A name is a question put to the
reader, not a verdict.
"""

from __future__ import annotations

import math

import numpy as np

from bench.verify.compare import Pairs

# Beyond it a mean shift of corners counts as one: twice what detectors of one convention differ
# by (line fits leave 0.05 px, see `bench.detect.aruco`).
SHIFT_PX = 0.1
# A shift within this of a half or a whole pixel looks like a convention: the rest is the
# detectors' own error, 0.05 px each at most.
NEAR_PX = 0.1
# Farther from the truth no edge is taken for another: a corner is one pixel off at most where the
# outermost pixels are taken, and blurred over some more.
EDGE_PX = 4.0
QUARTER_DEG, QUARTER_NEAR_DEG = 90.0, 10.0
FACTOR = 0.02  # relative change of range beyond which a scale is looked for
# Ratios of range that a mix-up explains.
SCALES = {
    2.0: "half the size taken for the whole one, or the like",
    0.5: "the whole size taken for the half one, or the like",
    1000.0: "millimetres taken for metres",
    0.001: "metres taken for millimetres",
    25.4: "inches taken for millimetres",
    1 / 25.4: "millimetres taken for inches",
}
MIN_CASES = 10


def named_changes(pairs: Pairs) -> tuple[str, ...]:
    """Return a line for each systematic change between old and new, none where there is none."""
    both = np.array([pairs.groups[g] not in pairs.empty for g in pairs.group], dtype=np.bool_)
    found = (_shift(pairs, both), _size(pairs, both), _quarter(pairs, both), _scale(pairs, both))
    return tuple(line for line in found if line)


def _means(pairs: Pairs, both: np.ndarray, column: str) -> tuple[float, float] | None:
    old, new = pairs.old[column], pairs.new[column]
    chosen = both & np.isfinite(old) & np.isfinite(new)
    if np.sum(chosen) < MIN_CASES:
        return None
    # medians: a few corners read wrongly must not hide what all the others do
    return float(np.median(old[chosen])), float(np.median(new[chosen]))


def _shift(pairs: Pairs, both: np.ndarray) -> str:
    across, down = _means(pairs, both, "du_px"), _means(pairs, both, "dv_px")
    if across is None or down is None:
        return ""
    right, below = across[1] - across[0], down[1] - down[0]
    if max(abs(right), abs(below)) < SHIFT_PX:
        return ""
    line = f"corners moved by ({right:+.2f}, {below:+.2f}) px, right and down"
    halves = [0.5 * round(2.0 * x) for x in (right, below)]
    close = all(abs(x - h) <= NEAR_PX for x, h in zip((right, below), halves, strict=True))
    if close and any(halves):
        line += (
            f", near ({halves[0]:+.1f}, {halves[1]:+.1f}): a pixel-origin convention (centre of "
            "the top-left pixel, or its corner)?"
        )
        before, now = math.hypot(across[0], down[0]), math.hypot(across[1], down[1])
        line += f" They lie {before:.2f} px off the truth before, {now:.2f} px now"
    else:
        line += ", no half or whole pixel: rather an edge or a blur than an origin?"
    return line


def _size(pairs: Pairs, both: np.ndarray) -> str:
    out = _means(pairs, both, "out_px")
    if out is None or abs(out[1] - out[0]) < SHIFT_PX:
        return ""
    way = "outward" if out[1] > out[0] else "inward"
    if abs(out[1] - out[0]) > EDGE_PX:
        return (
            f"corners moved {way} by {abs(out[1] - out[0]):.0f} px: given in another order, or "
            "those of another target? `sightbench conform` tells"
        )
    return (
        f"corners moved {way} by {abs(out[1] - out[0]):.2f} px (from {out[0]:+.2f} to "
        f"{out[1]:+.2f} off the truth): pixels of an edge, or the edge itself?"
    )


def _quarter(pairs: Pairs, both: np.ndarray) -> str:
    """Name a turn about the target's normal by whole quarters."""
    roll = pairs.new["rot_z_deg"][both]
    pitch, turn = pairs.new["rot_x_deg"][both], pairs.new["rot_y_deg"][both]
    size = np.sqrt(roll**2 + pitch**2 + turn**2)
    chosen = np.isfinite(roll)
    if np.sum(chosen) < MIN_CASES:
        return ""
    quarters = np.rint(size[chosen] / QUARTER_DEG)
    typical = int(np.median(quarters))
    off = float(np.median(np.abs(size[chosen] - QUARTER_DEG * typical)))
    if typical == 0 or off > QUARTER_NEAR_DEG:
        return ""
    about_normal = float(np.median(np.abs(roll[chosen]))) > QUARTER_DEG * typical - 20.0
    cause = "the order of a marker's corners" if about_normal else "the axes of a frame"
    return f"poses are now off by {90 * typical} deg: {cause}?"


def _scale(pairs: Pairs, both: np.ndarray) -> str:
    """Name a factor between estimated and true range."""
    ranges = pairs.new["range_m"]
    ratio = 1.0 + 1e-3 * pairs.new["along_mm"][both] / ranges[both]
    ratio = ratio[np.isfinite(ratio)]
    if len(ratio) < MIN_CASES:
        return ""
    factor = float(np.median(ratio))
    spread = float(np.median(np.abs(ratio - factor)))
    if factor <= 0.0 or abs(factor - 1.0) < FACTOR or spread > 0.02 * factor:
        return ""
    line = f"ranges are now {factor:.4g} times the truth, at every range alike: a size or a unit?"
    for known, cause in SCALES.items():
        if abs(factor / known - 1.0) < FACTOR:
            line += f" ({cause})"
    return line
