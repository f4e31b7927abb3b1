"""The cases that a change hurt most, and their pictures: before and now, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from bench.errors import GeometryError, RunError
from bench.geometry.camera import project
from bench.imaging.picture import Picture, png
from bench.survey.setting import pattern_points
from bench.typing import Array
from bench.verify.baseline import Baseline
from bench.verify.case import Scene, SuiteCase, observe
from bench.verify.compare import Pairs
from bench.verify.effects import ROTATION
from bench.verify.rows import GOOD, CaseRow, estimated_pose
from bench.verify.suite import Suite

WORST = 6
SIDE_PX = 360  # of a picture as drawn
ARROW_PX = 30.0  # the longest error arrow, about, as drawn
# RGB: the truth white, the estimate orange (Okabe and Ito 2008), which stand apart in grey too.
TRUTH, ESTIMATE = (255, 255, 255), (230, 159, 0)
RgbImage = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Shown:
    """A picture of a case: which, what it shows in words, and the PNG."""

    name: str
    words: str
    png: bytes


@dataclass(frozen=True, eq=False)
class WorstCase:
    """A case, its two rows, and its pictures.

    Attributes
    ----------
    old, new : CaseRow
        Before and now.
    pictures : tuple of Shown
        Before and now, grey values stretched, with the true outline and the estimate's; of a
        miss also as the camera gave it, which may be too dark for a detector and an eye.
    magnified : float
        How many times longer than they are the errors are drawn.
    """

    old: CaseRow
    new: CaseRow
    pictures: tuple[Shown, ...]
    magnified: float


def worst_keys(pairs: Pairs, count: int = WORST) -> list[str]:
    """Return the keys of cases that got worst: newly failed ones, then by growth of the error.

    No more than a third from one group, so that one group's trouble doesn't hide another's.
    """
    old, new = pairs.old, pairs.new
    before, now = (np.sqrt(sum(side[c] ** 2 for c in ROTATION)) for side in (old, new))
    growth = np.where(old.good & new.good, now - before, -np.inf)
    growth = np.where(np.isfinite(growth), growth, -np.inf)
    growth[old.good & ~new.good] = np.inf
    taken: dict[int, int] = {}
    keys: list[str] = []
    for i in np.argsort(-growth, kind="stable"):
        if len(keys) == count or growth[i] <= 0.0:
            break
        group = int(pairs.group[i])
        if taken.get(group, 0) < max(1, count // 3):
            taken[group] = taken.get(group, 0) + 1
            keys.append(pairs.keys[i])
    return keys


def worst_cases(suite: Suite, old: Baseline, new: Baseline, keys: list[str]) -> list[WorstCase]:
    """Return cases with their pictures, taken again."""
    return [_worst(suite, old, new, key) for key in keys]


def _worst(suite: Suite, old: Baseline, new: Baseline, key: str) -> WorstCase:
    case = case_of_key(suite, key)
    observation, scene = observe(case, suite, old.noise)
    rows = (old.rows[key], new.rows[key])
    magnified = _magnification(suite, scene, rows)
    again = observation
    if new.noise != old.noise:
        again, _ = observe(case, suite, new.noise, scene)
    shown = []
    sides = zip(("before", "now"), (observation.picture, again.picture), rows, strict=True)
    for name, picture, row in sides:
        stretch = _stretch(picture)
        words = f"{name}, brightened {stretch:.2g} times" if stretch > 1.05 else name
        shown.append(Shown(name, words, _png(_drawn(suite, scene, picture, row, magnified))))
    if not all(row.outcome in GOOD for row in rows):
        grey = _enlarged(again.picture.grey8, _zoom(scene))
        shown.append(Shown("camera", "as the camera gave it", _png(grey)))
    return WorstCase(rows[0], rows[1], tuple(shown), magnified)


def case_of_key(suite: Suite, key: str) -> SuiteCase:
    """Return a suite's case by key.

    Raises
    ------
    RunError
        The suite has none of that key.
    """
    name, _, index = key.partition("|")
    for group in suite.groups:
        if group.name == name and index.isdecimal() and int(index) < group.cases:
            return SuiteCase(group, int(index))
    raise RunError(f"suite {suite.name} has no case {key}")


def _errors(suite: Suite, scene: Scene, row: CaseRow) -> tuple[Array, Array | None]:
    """Return the pattern's true outline (4, 2), and where the estimate has it."""
    camera, truth = suite.setting.camera, scene.T_camera_target_true
    outline = pattern_points(suite.setting.target)
    if len(outline) > 4:  # a board: the corners of what its points span
        low, high = outline.min(axis=0), outline.max(axis=0)
        (x0, y0, _), (x1, y1, _) = low, high
        outline = np.array([[x0, y1, 0.0], [x1, y1, 0.0], [x1, y0, 0.0], [x0, y0, 0.0]])
    there = project(outline, truth, camera)
    estimate = estimated_pose(row, truth)
    if estimate is None:
        return there, None
    try:
        return there, project(outline, estimate, camera)
    except GeometryError:  # a pose behind the camera has no picture, which is all to be said of it
        return there, None


def _magnification(suite: Suite, scene: Scene, rows: tuple[CaseRow, CaseRow]) -> float:
    longest = 0.0
    for row in rows:
        there, found = _errors(suite, scene, row)
        if found is not None:
            longest = max(longest, float(np.max(np.linalg.norm(found - there, axis=1))))
    if longest <= 0.0:
        return 1.0
    wanted = ARROW_PX / (longest * _zoom(scene))
    steps = [x for x in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0) if x <= wanted]
    return steps[-1] if steps else 1.0


def _zoom(scene: Scene) -> float:
    return SIDE_PX / max(scene.region.width, scene.region.height)


def _drawn(
    suite: Suite, scene: Scene, picture: Picture, row: CaseRow, magnified: float
) -> RgbImage:
    zoom = _zoom(scene)
    grey = np.clip(picture.grey8 * _stretch(picture), 0, 255).astype(np.uint8)
    image = _enlarged(grey, zoom)
    if row.outcome in ("clean", "false_positive"):
        return np.asarray(image, dtype=np.uint8)
    there, found = _errors(suite, scene, row)

    def drawn(pixels: Array) -> npt.NDArray[np.int32]:
        # pixel centres are at whole numbers; 4 bits of fraction for cv2
        moved = (pixels - (picture.u0, picture.v0) + 0.5) * zoom - 0.5
        return np.rint(np.clip(moved, -1e4, 1e4) * 16).astype(np.int32)

    cv2.polylines(image, [drawn(there).reshape(-1, 1, 2)], True, TRUTH, 1, cv2.LINE_AA, 4)
    if found is not None:
        ends = there + magnified * (found - there)
        outline = [drawn(ends).reshape(-1, 1, 2)]
        cv2.polylines(image, outline, True, ESTIMATE, 2, cv2.LINE_AA, 4)
        for start, end in zip(drawn(there), drawn(ends), strict=True):
            cv2.line(image, start.tolist(), end.tolist(), ESTIMATE, 1, cv2.LINE_AA, 4)
    return np.asarray(image, dtype=np.uint8)


def _stretch(picture: Picture) -> float:
    """Return the factor by which a dim picture's grey values fill the scale."""
    return 255.0 / max(float(np.percentile(picture.grey8, 99.5)), 1.0)


def _enlarged(grey: npt.NDArray[np.uint8], zoom: float) -> RgbImage:
    size = (round(grey.shape[1] * zoom), round(grey.shape[0] * zoom))
    how = cv2.INTER_NEAREST if zoom >= 1.0 else cv2.INTER_AREA
    large = cv2.resize(grey, size, interpolation=how)
    return np.asarray(cv2.cvtColor(large, cv2.COLOR_GRAY2RGB), dtype=np.uint8)


def _png(image: RgbImage) -> bytes:
    return png(cv2.cvtColor(image, cv2.COLOR_RGB2BGR))
