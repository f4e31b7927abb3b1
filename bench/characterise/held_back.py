"""Pictures that were held back, against those that the measured camera would have taken.

Noise by its variance in dark and in bright parts, whether neighbours share it, what a fit with the
lens's own blur leaves on boundaries and on flat parts, the blur itself, and for each pipeline
whether it finds the target and how each component of its pose scatters over repeats, against
rendered repeats of the same view (F test). Scatter doesn't see what is off in every picture alike:
`bench.characterise.bias` does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import scipy

from bench.characterise.checks import Check, State, compare
from bench.characterise.faces import FaceFit, blur_held, flat_parts, free_fit
from bench.characterise.known import KnownCamera, proportional
from bench.characterise.levels import DITHERED_VARIANCE, levels_of
from bench.characterise.stack import LEAST_FRAMES, reduce_stack
from bench.characterise.whiteness import whiteness_of
from bench.detect.observation import Observation
from bench.errors import GeometryError, PictureError, PlugInError
from bench.geometry.pose import Pose
from bench.imaging.picture import Picture
from bench.solve.image_fit import ImageFit, Scene
from bench.solve.pipeline import Pipeline
from bench.survey.score import rotation_error, translation_error
from bench.targets.target import Target
from bench.typing import Array, IntArray

# A standard deviation within a tenth; a blur within 0.05 px, which moves a claim of range by as
# little (reports/photometric); neighbours that widen a mean by less than √(1 + 8 · 0.05) = 1.18.
SPREAD_LIMITS, BLUR_LIMIT_PX, NEIGHBOUR_LIMIT = (0.81, 1.21), 0.05, 0.05
# Whose squared residuals are known to √(2/1000) = 4.5 %, so that an honest camera's lie within
# `SPREAD_LIMITS` less the guard band but for one in thirty; undecided ones of fewer are left out.
DECIDING_PIXELS = 1000
# Frames whose faces are fitted: they differ by noise alone, which a few tell.
FITTED = 4
# Of a false alarm among all components of all pipelines of a series.
ALPHA = 0.005
PERMUTATIONS = 10_000
LEAST_REPEATED = 3
# Of a standard deviation over its prediction, beyond which repeats that can't tell are too few.
ENOUGH_SCATTER = 1.5
RENDERED = 3  # rendered repeats for each that was observed
COMPONENTS = ("pitch", "turn", "roll", "right", "up", "along")

MORE_NOISE = "measure the noise again at the gain and exposure of later use: the sensor's setting"
RAW = "take raw pictures: no gamma, sharpening, denoising, colour interpolation or compression"
REFOCUS = "focus, fix lens and aperture, and measure the blur again where this target stood"
FIXED = "correct fixed pattern (flat field), or print a target of finer grain"
PIPELINE = "compare this pipeline's other settings, or take another one (sightbench map)"


@dataclass(frozen=True, eq=False)
class Held:
    """Repeats that were held back: the same part of each frame, and the target's face there."""

    name: str
    pictures: Sequence[Picture]
    face: FaceFit


def held_of(
    name: str, pictures: Sequence[Picture], start: Pose, known: KnownCamera, target: Target
) -> Held:
    """Return repeats with the target in the first; `PictureError` of one that hardly shows it."""
    try:
        return Held(name, pictures, known.fitted(name, pictures[0], target, start, ()))
    except (GeometryError, np.linalg.LinAlgError) as error:
        raise PictureError(f"{name}: too little of the target's face can be seen") from error


def picture_checks(known: KnownCamera, target: Target, held: Held) -> list[Check]:
    """Return what noise and boundaries of a series say."""
    found = _noise_checks(known, held) if len(held.pictures) >= LEAST_FRAMES else []
    return [*found, *_boundary_checks(known, target, held)]


def _ratio(what: str, ratio: float, pixels: float, known: KnownCamera, remedy: str) -> Check:
    """Return a ratio of variances of so many pixels, judged by what it does to a claim."""
    u = ratio * math.hypot(math.sqrt(2.0 / pixels), known.u_noise)
    return compare(what, ratio, u, SPREAD_LIMITS, "", abs(math.sqrt(ratio) - 1.0), remedy)


def _noise_checks(known: KnownCamera, held: Held) -> list[Check]:
    flat = [proportional(picture, known.sensor.curve) for picture in held.pictures]
    stack = reduce_stack(held.name, np.stack([p.grey for p in flat]), flat[0].full_scale)
    levels, white = levels_of([stack]), whiteness_of([stack])
    expected = known.noise.variance(levels.mean)
    clear = (expected >= DITHERED_VARIANCE) & (levels.mean < 0.96 * stack.full_scale)
    bright = levels.mean > 0.5 * (np.min(levels.mean) + np.max(levels.mean))
    said = known.correlation
    found = []
    for name, part in (("dark", clear & ~bright), ("bright", clear & bright)):
        if np.any(part):
            weight = levels.degrees[part] / np.sum(said**2)
            ratio = float(np.average(levels.variance[part] / expected[part], weights=weight))
            what = f"{held.name}: noise variance in {name} parts over predicted"
            found.append(_ratio(what, ratio, float(np.sum(weight)), known, MORE_NOISE))
    near = white.correlation - said
    worst = float(near.flat[int(np.argmax(np.abs(near)))])
    limits = (-NEIGHBOUR_LIMIT, NEIGHBOUR_LIMIT)
    what = f"{held.name}: correlation of neighbours' noise beyond predicted"
    matters = abs(white.inflation / math.sqrt(max(float(np.sum(said)), 1e-3)) - 1.0)
    return [*found, compare(what, worst, white.u, limits, "", matters, RAW)]


def _fixed_fits(
    known: KnownCamera, target: Target, held: Held
) -> Iterator[tuple[Scene, ImageFit, ImageFit]]:
    """Yield the scene and its fit with the blur free, and held at the lens's own."""
    for picture in held.pictures[:FITTED]:
        with suppress(GeometryError, np.linalg.LinAlgError):
            scene, fit = free_fit(known.seen(picture, target), held.face.pose, known.noise)
            yield scene, fit, blur_held(scene, fit, known.blur_at(held.face.place), known.noise)


def _boundary_checks(known: KnownCamera, target: Target, held: Held) -> list[Check]:
    """Return what is left with the lens's own blur, and how the blur differs."""
    blur = known.blur_at(held.face.place)
    squares: dict[str, list[float]] = {"on boundaries": [], "on flat parts": []}
    count, blurs = {}, []
    for scene, fit, fixed in _fixed_fits(known, target, held):
        flat, strong = flat_parts(scene, fixed)
        square = (scene.grey - fixed.predicted) ** 2 * fixed.weights
        # where rounding hides noise, its own error depends on the level and not on chance
        flat &= 1.0 / fixed.weights >= DITHERED_VARIANCE
        for name, part in zip(squares, (strong, flat), strict=True):
            if np.any(part):
                squares[name].append(float(np.mean(square[part])))
                count[name] = int(np.count_nonzero(part))
        blurs.append(fit.blur_px - blur)
    if not blurs:
        return []
    found = []
    # of shared noise, how many pixels tell as much of a variance as one
    shared = float(np.sum(known.correlation**2))
    # of pictures that were sharpened or denoised, boundaries are no lens's either
    lens = REFOCUS if known.sensor.noise_correlation is None else RAW
    for (name, values), remedy in zip(squares.items(), (lens, FIXED), strict=True):
        if values:  # pattern is the same in all frames: pixels of one count
            what, pixels = f"{held.name}: squared residual {name} over predicted", count[name]
            check = _ratio(what, float(np.mean(values)), pixels / shared, known, remedy)
            if check.state != "undecided" or pixels >= shared * DECIDING_PIXELS:
                found.append(check)
    change = float(np.mean(blurs))
    u = math.hypot(held.face.u_blur_px / math.sqrt(len(blurs)), known.u_blur_px)
    what, limits = f"{held.name}: blur beyond predicted", (-BLUR_LIMIT_PX, BLUR_LIMIT_PX)
    return [*found, compare(what, change, u, limits, " px", abs(change) / blur, lens)]


def residual_map(known: KnownCamera, target: Target, held: Held) -> Array:
    """Return what the measured camera leaves of a face (H, W), in standard deviations.

    Of the mean over a few frames, so that what is the same in all of them stands out; NaN where no
    pixel counts.
    """
    total: dict[tuple[int, int], list[Array]] = {}
    for scene, _, fixed in _fixed_fits(known, target, held):
        image = np.full((scene.pixels.region.height, scene.pixels.region.width), np.nan)
        image.flat[scene.pixels.index] = (scene.grey - fixed.predicted) * np.sqrt(fixed.weights)
        total.setdefault(image.shape, []).append(image)
    alike = max(total.values(), key=len, default=[np.full((1, 1), np.nan)])
    return np.asarray(np.sum(alike, axis=0) / math.sqrt(len(alike)))


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
        count, region = RENDERED * len(held.pictures), held.pictures[0].region
        rendered = list(known.predicted(target, held.face, region, count, seed))
        views.append((held.pictures, rendered))
    level = ALPHA / (len(COMPONENTS) * len(pipelines))
    for pipeline in pipelines:
        scaled: list[list[Array]] = []
        tally = np.zeros((2, 2), dtype=np.int64)
        for both in views:
            poses = [_poses(pipeline, part, known, target) for part in both]
            tally += [[len(p), len(part) - len(p)] for p, part in zip(poses, both, strict=True)]
            if min(len(part) for part in poses) >= LEAST_REPEATED:
                off = [_deviations(part) for part in poses]
                scale = np.maximum(np.sqrt(np.mean(off[1] ** 2, axis=0)), 1e-300)
                scaled.append([one / scale for one in off])
        found.append(detection_check(pipeline.name, tally))
        for k, component in enumerate(COMPONENTS if scaled else ()):
            # a mean of each series is lost
            ours, theirs = (np.concatenate([one[i][:, k] for one in scaled]) for i in (0, 1))
            ratio, low, high = variance_ratio(ours, theirs, level, len(scaled))
            state: State = "inside" if low <= ratio <= high else "outside"
            what = f"{pipeline.name}: variance of {component} over predicted"
            matters = min(abs(math.sqrt(ratio) - 1.0), 2.0)
            found.append(Check(what, ratio, math.nan, low, high, "", state, matters, PIPELINE))
    return found


def _poses(
    pipeline: Pipeline, pictures: Sequence[Picture], known: KnownCamera, target: Target
) -> list[Pose]:
    found: list[Pose | None] = []
    for picture in pictures:
        seen = Observation(picture, known.camera, target, known.sensor)
        with suppress(PlugInError):
            found.append(pipeline.run(seen)[1].T_camera_target_est)
    return [pose for pose in found if pose is not None]


def detection_check(name: str, tally: IntArray) -> Check:
    """Return whether as many are found as predicted; `tally` has found and missed of both."""
    share, predicted = (float(row[0] / max(np.sum(row), 1)) for row in tally)
    n = max(int(np.sum(tally[0])), 1)
    # as many as Fisher's exact test of two rates doesn't tell from the prediction
    alike = [
        k
        for k in range(n + 1)
        if float(scipy.stats.fisher_exact([[k, n - k], tally[1]])[1]) >= ALPHA
    ]
    low, high = alike[0] / n, alike[-1] / n
    state: State = "inside" if low <= share <= high else "outside"
    what = f"{name} finds the target in a share of (predicted {predicted:.2g})"
    return Check(
        what, share, math.nan, low, high, "", state, abs(share - predicted), PIPELINE
    )  # fmt: skip


def repeats_needed(counts: Sequence[int], pipelines: int) -> list[str]:
    """Return what scatter so many repeats tell, and how many would tell one half as large again.

    By the upper end of F: what a pose may scatter beyond its prediction and still pass.
    """
    level, series, each = ALPHA / (len(COMPONENTS) * pipelines), len(counts), max(counts)

    def passes(repeats: int) -> float:
        free = repeats - series, RENDERED * repeats - series
        return math.sqrt(float(scipy.stats.f.isf(0.5 * level, *free))) if free[0] > 0 else math.inf

    most = passes(sum(counts))
    if most <= ENOUGH_SCATTER:
        return []
    while passes(each * series) > ENOUGH_SCATTER:
        each += 1
    return [
        f"{sum(counts)} repeats held back tell poses that scatter {most:.2g} times what is "
        f"predicted; to tell {ENOUGH_SCATTER:g} times, take {3 * each} pictures in each of "
        f"{series} series"
    ]


def variance_ratio(
    observed: Array, predicted: Array, level: float, series: int = 1
) -> tuple[float, float, float]:
    """Return F, the ratio of variances, and its limits at a level of false alarms.

    Limits are the wider of those of a normal distribution and of permutations: corners jump now
    and then, so that few poses scatter far more than most, which F takes for a change. Deviations
    (N,) and (M,) are those of so many series, each from a mean of its own; the level is two-sided.
    """
    n, m = len(observed), len(predicted)
    free = (n - series, m - series)
    both = np.concatenate([observed**2 * (n / free[0]), predicted**2 * (m / free[1])])
    key = np.random.SeedSequence([n, m, PERMUTATIONS])
    order = np.random.default_rng(key).permuted(np.tile(both, (PERMUTATIONS, 1)), axis=1)
    drawn = order[:, :n].mean(axis=1) / np.maximum(order[:, n:].mean(axis=1), 1e-300)
    ends = [0.5 * level, 1.0 - 0.5 * level]
    by_chance, normal = np.quantile(drawn, ends), scipy.stats.f.ppf(ends, *free)
    ratio = float(np.mean(both[:n]) / max(float(np.mean(both[n:])), 1e-300))
    return ratio, float(min(by_chance[0], normal[0])), float(max(by_chance[1], normal[1]))


def _deviations(poses: Sequence[Pose]) -> Array:
    """Return rotations about the target's axes and right, up, along (N, 6) from their mean."""
    first = poses[0]
    rows = [[*rotation_error(first, p), *translation_error(first, p)] for p in poses]
    values: Array = np.array(rows)
    return np.asarray(values - values.mean(axis=0))
