"""Pictures that were held back, against those that the measured camera would have taken.

Noise by its variance in dark and in bright parts, whether neighbours share it, what a fit with the
lens's own blur leaves on boundaries and on flat parts, the blur itself, and for each pipeline
whether it finds the target and how each component of its pose scatters over repeats, against
rendered repeats of the same view (F test). Scatter doesn't see what is off in every picture alike:
`bench.characterise.rigid` does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from bench.characterise.checks import Check, State, compare
from bench.characterise.faces import (
    FaceFit,
    blur_held,
    fit_face,
    flat_parts,
    free_fit,
    looked_at,
)
from bench.characterise.known import KnownCamera
from bench.characterise.levels import DITHERED_VARIANCE, levels_of
from bench.characterise.stack import LEAST_FRAMES, LEAST_PIXELS, reduce_stack
from bench.characterise.whiteness import REACH, whiteness_of
from bench.errors import GeometryError, PlugInError
from bench.geometry.pose import Pose
from bench.imaging.picture import Picture
from bench.solve.pipeline import Pipeline
from bench.survey.score import rotation_error, translation_error
from bench.targets.target import Target
from bench.typing import Array, IntArray

# A standard deviation within a tenth; a blur within 0.05 px, which moves a claim of range by as
# little (reports/photometric); neighbours that widen a mean by less than √(1 + 8 · 0.05) = 1.18.
SPREAD_LIMITS, BLUR_LIMIT_PX, NEIGHBOUR_LIMIT = (0.81, 1.21), 0.05, 0.05
# Frames whose faces are fitted: they differ by noise alone, which a few tell.
FITTED = 4
# Of a false alarm among all components of all pipelines of a series.
ALPHA = 0.005
PERMUTATIONS = 10_000
LEAST_REPEATED = 3
RENDERED = 3  # rendered repeats for each that was observed
COMPONENTS = ("pitch", "turn", "roll", "right", "up", "along")

MORE_NOISE = "measure the noise again at the gain and exposure of later use: the sensor's setting"
RAW = "take raw pictures: no gamma, sharpening, denoising, colour interpolation or compression"
REFOCUS = "focus, fix lens and aperture, and measure the blur again where this target stood"
FIXED = "correct fixed pattern (flat field), or print a target of finer grain"
PIPELINE = "compare this pipeline's other settings, or take another one (sightbench map)"


@dataclass(frozen=True, eq=False)
class Held:
    """Repeats that were held back.

    Attributes
    ----------
    name : str
        Of the series.
    pictures : sequence of Picture
        The same part of each frame.
    face : FaceFit
        The target there.
    """

    name: str
    pictures: Sequence[Picture]
    face: FaceFit


def held_of(
    name: str, pictures: Sequence[Picture], start: Pose, known: KnownCamera, target: Target
) -> Held:
    """Return repeats with the target in the first of them.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        As `bench.characterise.faces.fit_face`.
    """
    first = looked_at(pictures[0], known.camera, target, known.sensor)
    return Held(name, pictures, fit_face(name, first, start, known.noise, ()))


def picture_checks(known: KnownCamera, target: Target, held: Held) -> list[Check]:
    """Return what noise and boundaries of a series say."""
    return [*_noise_checks(known, held), *_boundary_checks(known, target, held)]


def _noise_checks(known: KnownCamera, held: Held) -> list[Check]:
    if len(held.pictures) < LEAST_FRAMES:
        return []
    grey = np.stack([p.grey for p in held.pictures])
    stack = reduce_stack(held.name, grey, held.pictures[0].full_scale)
    levels = levels_of([stack])
    expected = known.noise.variance(levels.mean)
    clear = (expected >= DITHERED_VARIANCE) & (levels.mean < 0.96 * stack.full_scale)
    bright = levels.mean > 0.5 * (np.min(levels.mean) + np.max(levels.mean))
    found = []
    for name, part in (("dark", clear & ~bright), ("bright", clear & bright)):
        if not np.any(part):
            continue
        weight = levels.degrees[part]
        ratio = float(np.average(levels.variance[part] / expected[part], weights=weight))
        u = math.hypot(ratio * math.sqrt(2.0 / float(np.sum(weight))), ratio * known.u_noise)
        what = f"{held.name}: noise variance in {name} parts over predicted"
        matters = abs(math.sqrt(ratio) - 1.0)
        found.append(compare(what, ratio, u, SPREAD_LIMITS, "", matters, MORE_NOISE))
    white = whiteness_of([stack])
    near = white.correlation.copy()
    near[REACH, REACH] = 0.0
    worst = float(near.flat[int(np.argmax(np.abs(near)))])
    limits = (-NEIGHBOUR_LIMIT, NEIGHBOUR_LIMIT)
    what = f"{held.name}: correlation of neighbours' noise"
    matters = abs(white.inflation - 1.0)
    found.append(compare(what, worst, white.u, limits, "", matters, RAW))
    return found


def _boundary_checks(known: KnownCamera, target: Target, held: Held) -> list[Check]:
    """Return what is left with the lens's own blur, and how the blur differs."""
    edges, flats, blurs, errors = [], [], [], []
    for picture in held.pictures[:FITTED]:
        seen = looked_at(picture, known.camera, target, known.sensor)
        try:
            scene, fit = free_fit(seen, held.face.pose, known.noise)
            plain = fit_face(held.name, seen, fit.pose, known.noise, ())
            fixed = blur_held(scene, fit, known.blur_at(plain.place), known.noise)
        except (GeometryError, np.linalg.LinAlgError):
            continue
        flat, strong = flat_parts(scene, fixed)
        square = (scene.grey - fixed.predicted) ** 2 * fixed.weights
        edges.append((float(np.mean(square[strong])), int(np.count_nonzero(strong))))
        # where rounding hides noise, its own error depends on the level and not on chance
        flat &= 1.0 / fixed.weights >= DITHERED_VARIANCE
        if np.count_nonzero(flat) >= LEAST_PIXELS:
            flats.append((float(np.mean(square[flat])), int(np.count_nonzero(flat))))
        blurs.append(plain.blur_px - known.blur_at(plain.place))
        errors.append(plain.u_blur_px)
    if not blurs:
        return []
    found = []
    for name, parts, remedy in (
        ("on boundaries", edges, REFOCUS),
        ("on flat parts", flats, FIXED),
    ):
        if not parts:
            continue
        ratio = float(np.mean([value for value, _ in parts]))
        # pattern is the same in all frames: pixels of one count
        u = ratio * math.hypot(math.sqrt(2.0 / max(parts[0][1], 1)), known.u_noise)
        what = f"{held.name}: squared residual {name} over predicted"
        matters = abs(math.sqrt(ratio) - 1.0)
        found.append(compare(what, ratio, u, SPREAD_LIMITS, "", matters, remedy))
    change = float(np.mean(blurs))
    u = math.hypot(float(np.mean(errors)) / math.sqrt(len(blurs)), known.u_blur_px)
    what, limits = f"{held.name}: blur beyond predicted", (-BLUR_LIMIT_PX, BLUR_LIMIT_PX)
    matters = abs(change) / known.blur_at(held.face.place)
    found.append(compare(what, change, u, limits, " px", matters, REFOCUS))
    return found


def residual_map(known: KnownCamera, target: Target, held: Held) -> Array:
    """Return what the measured camera leaves of a face (H, W), in standard deviations.

    Of the mean over a few frames, so that what is the same in all of them stands out; NaN where no
    pixel counts.
    """
    total = np.full((1, 1), np.nan)
    count = 0
    for picture in held.pictures[:FITTED]:
        seen = looked_at(picture, known.camera, target, known.sensor)
        try:
            scene, fit = free_fit(seen, held.face.pose, known.noise)
            fixed = blur_held(scene, fit, known.blur_at(held.face.place), known.noise)
        except (GeometryError, np.linalg.LinAlgError):
            continue
        region = scene.pixels.region
        image = np.full((region.height, region.width), np.nan)
        image.flat[scene.pixels.index] = (scene.grey - fixed.predicted) * np.sqrt(fixed.weights)
        if count and image.shape != total.shape:
            continue
        total = image if count == 0 else total + image
        count += 1
    return np.asarray(total / math.sqrt(max(count, 1)))


def pipeline_checks(
    known: KnownCamera,
    target: Target,
    series: Sequence[Held],
    pipelines: Sequence[Pipeline],
    seed: int,
) -> list[Check]:
    """Return how pipelines find the target and how their poses scatter, against rendered ones.

    Deviations are pooled over series, each over the scatter that is predicted of its own view.
    """
    found: list[Check] = []
    views = []
    for held in series:
        count = RENDERED * len(held.pictures)
        region = held.pictures[0].region
        views.append((held, list(known.predicted(target, held.face, region, count, seed))))
    for pipeline in pipelines:
        seen: list[Array] = []
        expected: list[Array] = []
        tally = np.zeros((2, 2), dtype=np.int64)
        for held, rendered in views:
            poses = [_poses(pipeline, part, known, target) for part in (held.pictures, rendered)]
            for row, part, tried in zip(tally, poses, (held.pictures, rendered), strict=True):
                row += [len(part), len(tried) - len(part)]
            if min(len(part) for part in poses) >= LEAST_REPEATED:
                off = [_deviations(part) for part in poses]
                scale = np.maximum(np.sqrt(np.mean(off[1] ** 2, axis=0)), 1e-300)
                seen.append(off[0] / scale)
                expected.append(off[1] / scale)
        found.append(detection_check(pipeline.name, tally))
        if seen:
            found += _scatter_checks(pipeline.name, seen, expected, len(pipelines))
    return found


def _poses(
    pipeline: Pipeline, pictures: Sequence[Picture], known: KnownCamera, target: Target
) -> list[Pose]:
    found = []
    for picture in pictures:
        try:
            _, estimate = pipeline.run(looked_at(picture, known.camera, target, known.sensor))
        except PlugInError:
            continue
        if estimate.T_camera_target_est is not None:
            found.append(estimate.T_camera_target_est)
    return found


def detection_check(name: str, tally: IntArray) -> Check:
    """Return whether as many are found as predicted; `tally` has found and missed of both."""
    share, predicted = (float(row[0] / max(np.sum(row), 1)) for row in tally)
    n = max(int(np.sum(tally[0])), 1)
    # as many as Fisher's exact test of two rates doesn't tell from the prediction
    alike = [
        k for k in range(n + 1) if float(stats.fisher_exact([[k, n - k], tally[1]])[1]) >= ALPHA
    ]
    low, high = alike[0] / n, alike[-1] / n
    state: State = "inside" if low <= share <= high else "outside"
    what = f"{name} finds the target in a share of (predicted {predicted:.2g})"
    matters = abs(share - predicted)
    return Check(what, share, math.nan, low, high, "", state, matters, PIPELINE)


def _scatter_checks(
    name: str, seen: Sequence[Array], expected: Sequence[Array], pipelines: int
) -> list[Check]:
    level = ALPHA / (len(COMPONENTS) * pipelines)
    lost = len(seen)  # a mean of each series
    found = []
    for k, component in enumerate(COMPONENTS):
        ours, theirs = (np.concatenate([one[:, k] for one in g]) for g in (seen, expected))
        ratio, low, high = variance_ratio(ours, theirs, level, lost)
        state: State = "inside" if low <= ratio <= high else "outside"
        what = f"{name}: variance of {component} over predicted"
        matters = min(abs(math.sqrt(ratio) - 1.0), 2.0)
        found.append(Check(what, ratio, math.nan, low, high, "", state, matters, PIPELINE))
    return found


def variance_ratio(
    observed: Array, predicted: Array, level: float, series: int = 1
) -> tuple[float, float, float]:
    """Return F, the ratio of variances, and its limits at a level of false alarms.

    Limits are the wider of those of a normal distribution and of permutations: corners jump now
    and then, so that few poses scatter far more than most, which F takes for a change.

    Parameters
    ----------
    observed, predicted : (N,), (M,) float64
        Deviations from their means.
    level : float
        Two-sided.
    series : int
        How many series, each about a mean of its own.
    """
    n, m = len(observed), len(predicted)
    free = (n - series, m - series)
    wider = [observed * math.sqrt(n / free[0]), predicted * math.sqrt(m / free[1])]
    both = np.concatenate(wider) ** 2
    key = np.random.SeedSequence([n, m, PERMUTATIONS])
    order = np.random.default_rng(key).permuted(np.tile(both, (PERMUTATIONS, 1)), axis=1)
    first, second = order[:, :n].mean(axis=1), order[:, n:].mean(axis=1)
    drawn = first / np.maximum(second, 1e-300)
    ends = [0.5 * level, 1.0 - 0.5 * level]
    by_chance, normal = np.quantile(drawn, ends), stats.f.ppf(ends, *free)
    ratio = float(np.mean(both[:n]) / max(float(np.mean(both[n:])), 1e-300))
    return ratio, float(min(by_chance[0], normal[0])), float(max(by_chance[1], normal[1]))


def _deviations(poses: Sequence[Pose]) -> Array:
    """Return rotations about the target's axes and right, up, along (N, 6) from their mean."""
    first = poses[0]
    rows = [[*rotation_error(first, p), *translation_error(first, p)] for p in poses]
    values: Array = np.array(rows)
    return np.asarray(values - values.mean(axis=0))
