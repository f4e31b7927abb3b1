"""Rows of a baseline: a case's outcome, errors and claims, in columns with their units."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import BenchError, GeometryError, PlugInError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import facing_rotation
from bench.solve.estimate import Estimate, Outcome
from bench.survey.score import rotation_error, score
from bench.survey.setting import pattern_points
from bench.verify.case import SuiteCase, observe
from bench.verify.suite import Suite

# Outcomes of an empty picture, and of any that the pipeline failed at, whatever it shows; the
# others are those of `bench.solve.estimate.Outcome`.
CLEAN, FALSE_POSITIVE, NO_ANSWER = "clean", "false_positive", "no_answer"
OUTCOMES = (*(str(outcome) for outcome in Outcome), CLEAN, FALSE_POSITIVE, NO_ANSWER)
GOOD = ("ok", CLEAN)
UNDETECTED = ("missed", "wrong_id", NO_ANSWER)

COLUMNS: dict[str, str] = {
    "points": "points that the detector gave",
    "du_px": "mean shift of the points from the truth, to the right",
    "dv_px": "mean shift of the points from the truth, downwards",
    "out_px": "mean shift of the points from the truth, away from their centre",
    "rot_x_deg": "rotation error about the target's x (pitch)",
    "rot_y_deg": "rotation error about the target's y (turn)",
    "rot_z_deg": "rotation error about the target's z (roll)",
    "right_mm": "error of the position to the right, as the picture has it",
    "up_mm": "error of the position upwards, as the picture has it",
    "along_mm": "error of the distance along the line of sight, + is too far",
    "range_m": "true range",
    "sigma_rot_deg": "claimed standard uncertainty of the rotation, its axes' root sum of squares",
    "sigma_along_mm": "claimed standard uncertainty along the line of sight",
    "nees": "squared error of the pose in units of its claimed covariance, 6 degrees of freedom",
}
NAMES = tuple(COLUMNS)
# Significant digits kept: an error of 1e-5 of itself is far below any effect that a comparison
# can show, and the file stays small.
DIGITS = 6


@dataclass(frozen=True)
class CaseRow:
    """A case's outcome and numbers, in the order of `NAMES`; NaN where there is none."""

    key: str
    outcome: str
    values: tuple[float, ...]

    def __getitem__(self, name: str) -> float:
        return self.values[NAMES.index(name)]


class AnyPipeline(Protocol):
    """What a pipeline must do: the bench's own, a plug-in or an external command."""

    @property
    def name(self) -> str:
        """As baselines call it."""
        ...

    def run(self, observation: Observation) -> tuple[Detection, Estimate]:
        """Detect, then solve."""
        ...


PipelineFactory = Callable[[], AnyPipeline]


def run_case(
    case: SuiteCase, suite: Suite, pipeline: AnyPipeline, noise: int
) -> tuple[CaseRow, str | None]:
    """Run a pipeline on a case's picture and score it; also return what failed, if anything did.

    A failure of foreign code is an outcome, and the rest goes on.
    """
    observation, scene = observe(case, suite, noise)
    truth = scene.T_camera_target_true
    try:
        detection, estimate = pipeline.run(observation)
    except PlugInError as error:
        return _unanswered(case, truth), str(error)
    if case.group.empty:
        found = detection.found is Found.FOUND or estimate.T_camera_target_est is not None
        outcome = FALSE_POSITIVE if found else CLEAN
        return CaseRow(case.key, outcome, _numbers({"points": len(detection.pixels)})), None
    try:
        with np.errstate(over="raise", invalid="ignore"):
            return CaseRow(case.key, *_score(truth, detection, estimate, observation)), None
    except (ArithmeticError, ValueError, BenchError) as error:  # no case is worth the others
        words = f"{pipeline.name}: its answer can't be scored: {error}"
        return _unanswered(case, truth), words


def _unanswered(case: SuiteCase, T_camera_target_true: Pose) -> CaseRow:
    known = {"points": 0.0}
    if not case.group.empty:
        known["range_m"] = float(np.linalg.norm(T_camera_target_true.translation))
    return CaseRow(case.key, NO_ANSWER, _numbers(known))


def _score(
    T_camera_target_true: Pose, detection: Detection, estimate: Estimate, observation: Observation
) -> tuple[str, tuple[float, ...]]:
    row: dict[str, Any] = dict(score(T_camera_target_true, detection, estimate))
    found = {name: row.get(f"err_{name}") for name in NAMES}
    found["points"] = row["n_points"]
    found["range_m"] = float(np.linalg.norm(T_camera_target_true.translation))
    found["sigma_along_mm"] = row.get("sigma_along_mm")
    claims = [row.get(f"sigma_rot_{axis}_deg") for axis in "xyz"]
    if all(claim is not None for claim in claims):
        found["sigma_rot_deg"] = math.hypot(*(claim or 0.0 for claim in claims))
    found["nees"] = _nees(T_camera_target_true, estimate)
    shift = _shift(T_camera_target_true, detection, estimate, observation)
    found |= dict(zip(("du_px", "dv_px", "out_px"), shift, strict=True))
    return str(row["outcome"]), _numbers(found)


def _numbers(found: dict[str, Any]) -> tuple[float, ...]:
    values = (found.get(name) for name in NAMES)
    return tuple(math.nan if v is None else float(f"{v:.{DIGITS}g}") for v in values)


def _nees(T_camera_target_true: Pose, estimate: Estimate) -> float:
    """Return eᵀ Σ⁻¹ e, or NaN without a covariance that has an inverse."""
    T_est = estimate.T_camera_target_est
    if estimate.covariance is None or T_est is None:
        return math.nan
    turn = rotation_error(T_camera_target_true, T_est)
    error = np.concatenate((turn, T_est.translation - T_camera_target_true.translation))
    try:
        return float(error @ np.linalg.solve(np.asarray(estimate.covariance), error))
    except np.linalg.LinAlgError:
        return math.nan


def _shift(
    T_camera_target_true: Pose, detection: Detection, estimate: Estimate, observation: Observation
) -> tuple[float, float, float]:
    """Return how the points lie from the truth: right, down and outward, pixels.

    The points are the detector's; of a pipeline that gives a pose alone, the pattern's as that
    pose has them.
    """
    camera, target = observation.camera, observation.target
    try:
        if detection.found is Found.FOUND and len(detection.pixels):
            pixels, p_target = detection.pixels, detection.p_target
        elif estimate.T_camera_target_est is not None:
            p_target = pattern_points(target)
            pixels = project(p_target, estimate.T_camera_target_est, camera)
        else:
            return math.nan, math.nan, math.nan
        there = project(p_target, T_camera_target_true, camera)
    except GeometryError:
        return math.nan, math.nan, math.nan
    offset = pixels - there
    outward = there - there.mean(axis=0)
    norm = np.linalg.norm(outward, axis=1)
    out = float(np.mean(np.sum(offset * outward, axis=1)[norm > 0] / norm[norm > 0]))
    du, dv = offset.mean(axis=0)
    return float(du), float(dv), out


def estimated_pose(row: CaseRow, T_camera_target_true: Pose) -> Pose | None:
    """Return the pose that a row's errors stand for, or None where there was none."""
    rotvec = np.radians([row[f"rot_{axis}_deg"] for axis in "xyz"])
    error = 1e-3 * np.array([row["right_mm"], row["up_mm"], row["along_mm"]])
    if not (np.all(np.isfinite(rotvec)) and np.all(np.isfinite(error))):
        return None
    axes = facing_rotation(T_camera_target_true.translation) * (1.0, 1.0, -1.0)
    return Pose(
        T_camera_target_true.rotation @ exp_rotvec(rotvec),
        T_camera_target_true.translation + axes @ error,
    )
