"""Words for a calibrated camera: what was found, claimed and left out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from bench.cameras.calibration import CalibrationRun, Sighting, shape_rows
from bench.cameras.intrinsics import (
    Calibration,
)
from bench.cameras.intrinsics_views import coverage_counts, reach
from bench.cameras.model_choice import (
    SHAPE_WORDS,
)
from bench.cameras.projection_uncertainty import projection_map, projection_words
from bench.geometry.viewing import tilt_of_pose


def summary(run: CalibrationRun, board: str) -> list[str]:
    """Return what the calibration says, a line each."""
    calibration, camera = run.calibration, run.calibration.camera
    points = sum(len(view.pixels) for view in run.views)
    tilts = [math.degrees(tilt_of_pose(pose)) for pose in calibration.poses]
    counts = coverage_counts(run.views, (camera.width, camera.height))
    by_name = dict(zip(calibration.names, _with_uncertainty(calibration), strict=True))
    lines = [
        f"{board}: {len(run.views)} of {len(run.sightings)} views used, "
        f"{points} points, tilts {min(tilts):.0f} to {max(tilts):.0f} deg",
        f"focal length fx {by_name['fx']}, fy {by_name['fy']} px; "
        f"principal point {by_name['cx']}, {by_name['cy']} px",
        f"residual {calibration.rmse_px:.3f} px RMS a point, {calibration.sigma_px:.3f} px a "
        f"coordinate; points lie in {np.count_nonzero(counts)} of {counts.size} parts of the "
        f"frame and reach {100 * reach(run.views, calibration):.0f} % of the way to its corners",
    ]
    return [
        *lines,
        *search_words(run.sightings),
        *run.choice.words,
        *_claims(run),
        *_outstanding(run),
    ]


def _claims(run: CalibrationRun) -> list[str]:
    """Return what is claimed of the board's shape and of projected points, and how widened."""
    calibration, lines = run.calibration, []
    if len(calibration.shape):
        sizes = ", ".join(
            f"{name.replace('_', ' ')} {1e3 * value:+.3f} ± {1e3 * u:.3f} mm"
            for name, value, u, _ in shape_rows(run)
        )
        lines.append(f"the board is {SHAPE_WORDS[len(calibration.shape)]}: {sizes} at its corners")
    lens, board = calibration.widening, calibration.shape_widening
    if max(lens, board) > 1.0:
        shape = f", the board's shape's by {board:.2f}" if len(calibration.shape) else ""
        lines.append(
            "errors within a view aren't independent: leaving views out one at a time widens the "
            f"lens's standard uncertainties by {lens:.2f}{shape}"
        )
    lines.append(projection_words(projection_map(calibration, columns=12)))
    if run.wide is not None:
        lines.append(run.wide.words)
    return lines


def search_words(sightings: Sequence[Sighting]) -> list[str]:
    """Return in which ways the board was read, and why it wasn't in the pictures without."""
    lines = []
    for how in dict.fromkeys(s.how for s in sightings if s.how):
        own = [s.view.name for s in sightings if s.how == how]
        lines.append(f"{len(own)} of {len(sightings)} pictures were read as {how}")
    for sighting in sightings:
        if not sighting.used:
            why = f": {sighting.reason}" if sighting.reason else ""
            outcome = sighting.outcome.replace("_", " ")
            lines.append(f"{sighting.view.name}: not used, {outcome}{why}")
    return lines


def _with_uncertainty(calibration: Calibration) -> list[str]:
    pairs = zip(calibration.values, calibration.standard_uncertainties, strict=True)
    return [f"{value:.2f} ± {u:.2f}" if u > 0.0 else f"{value:.2f} (held)" for value, u in pairs]


def _outstanding(run: CalibrationRun) -> list[str]:
    if not run.outstanding:
        return ["no view stands out"]
    rmse = run.calibration.view_rmse_px
    worst = ", ".join(f"{run.views[i].name} ({rmse[i]:.2f} px)" for i in run.outstanding)
    line = f"stands out: {worst}, where the median is {np.median(rmse):.2f} px"
    if run.trimmed is None:
        return [line]
    moved = run.trimmed.values - run.calibration.values
    claimed = run.calibration.standard_uncertainties
    shift = max(
        (m / u, name)
        for m, u, name in zip(abs(moved), claimed, run.calibration.names, strict=True)
        if u > 0.0
    )
    focal = run.trimmed.camera.fy
    return [
        f"{line}; without it fy is {focal:.2f} px, the residual {run.trimmed.rmse_px:.3f} px, and "
        f"{shift[1]} moves by {shift[0]:.1f} of its standard uncertainties"
    ]
