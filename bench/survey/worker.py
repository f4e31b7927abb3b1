"""What a worker does with a chunk of cases: render, detect, solve, score, pack."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import perf_counter
from typing import Any, TypeVar

import polars as pl

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.viewing import pose_of_view
from bench.imaging.picture import Picture
from bench.render.planar import render_target
from bench.solve.estimate import Estimate, Outcome
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.survey.columns import CASE_COLUMNS, TIMING_COLUMNS, schema
from bench.survey.plan import Case, Plan, noise_rng, view_of_case
from bench.survey.score import Row, score
from bench.survey.setting import Setting
from bench.survey.truth import truth_columns

# A part holds the columns of cases and of timings, and the case's place in the plan, which
# tells a resumed run what is done; the final tables leave it out.
INDEX = "index"
PART_SCHEMA: dict[str, type[pl.DataType]] = {
    INDEX: pl.Int64,
    **schema(CASE_COLUMNS),
    **schema(TIMING_COLUMNS),
}

Result = TypeVar("Result")


@dataclass(frozen=True)
class Job:
    """What every worker of a survey needs to know."""

    plan: Plan
    setting: Setting


@dataclass(frozen=True)
class ChunkResult:
    """What came of a chunk.

    Attributes
    ----------
    first : int
        Index of its first case.
    pictures : int
        Pictures in it.
    part : bytes
        Its rows, a Parquet file.
    failures : dict of str to str
        For each pipeline that raised an exception: the first one, with the case's key.
    """

    first: int
    pictures: int
    part: bytes
    failures: dict[str, str] = field(default_factory=dict)


def picture_of_case(case: Case, job: Job) -> Picture:
    """Return the picture of one case: the same for the same key, whoever asks."""
    setting = job.setting
    T_camera_target = pose_of_view(view_of_case(case, job.plan, setting.camera), setting.camera)
    rng = noise_rng(case, job.plan.seed)
    return render_target(setting.target, T_camera_target, setting.camera, setting.imaging, rng)


class Worker:
    """Runs chunks of one job; building it loads the pipelines once."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.pipelines = [(name, pipeline_from_name(name)) for name in job.plan.pipelines]

    def run(self, indices: Sequence[int]) -> ChunkResult:
        """Run the cases with these indices."""
        rows: list[Row] = []
        failures: dict[str, str] = {}
        for index in indices:
            rows += self.run_case(self.job.plan.case(index), failures)
        buffer = io.BytesIO()
        pl.DataFrame(rows, schema=PART_SCHEMA).write_parquet(buffer)
        return ChunkResult(indices[0], len(indices), buffer.getvalue(), failures)

    def run_case(self, case: Case, failures: dict[str, str]) -> list[Row]:
        """Run all pipelines on one case's picture; `failures` collects first exceptions."""
        plan, setting = self.job.plan, self.job.setting
        camera = setting.camera
        start = perf_counter()
        view = view_of_case(case, plan, camera)
        T_camera_target_true = pose_of_view(view, camera)
        picture = render_target(
            setting.target, T_camera_target_true, camera, setting.imaging, noise_rng(case, plan.seed)
        )
        observation = Observation(picture, camera, setting.target)
        render_ms = 1e3 * (perf_counter() - start)
        truth = truth_columns(case, view, T_camera_target_true, setting)
        detections: dict[str, tuple[Detection | None, float]] = {}
        rows: list[Row] = []
        for name, pipeline in self.pipelines:
            attempt = _Attempt(name, case.key, failures)
            detector = pipeline.detector.name
            if detector not in detections:
                detections[detector] = _detect(pipeline, observation, attempt)
            detection, detect_ms = detections[detector]
            estimate, solve_ms = _solve(pipeline, detection, observation, attempt)
            start = perf_counter()
            scored = score(T_camera_target_true, detection or Detection(Found.MISSED), estimate)
            row: Row = {INDEX: case.index, "pipeline": name, **truth, **scored}
            row |= {"render_ms": render_ms, "detect_ms": detect_ms, "solve_ms": solve_ms}
            row["score_ms"] = 1e3 * (perf_counter() - start)
            rows.append(row)
        return rows


@dataclass(frozen=True)
class _Attempt:
    """Runs a plug-in's code, of which anything may be expected."""

    pipeline: str
    key: str
    failures: dict[str, str]

    def call(self, kind: type[Result], function: Callable[..., Any], *args: Any) -> Result | None:
        """Return the function's result, or None after noting an exception or a wrong type."""
        try:
            result = function(*args)
        except Exception as error:  # a plug-in's failure is an outcome, the survey goes on
            text = f"{type(error).__name__}: {error}"
        else:
            if isinstance(result, kind):
                return result
            text = f"returned {type(result).__name__}, not {kind.__name__}"
        line = " ".join(text.split())
        self.failures.setdefault(self.pipeline, f"{line} (case {self.key})")
        return None


def _detect(
    pipeline: Pipeline, observation: Observation, attempt: _Attempt
) -> tuple[Detection | None, float]:
    """Return the detection, None where the detector failed, and the time it took, ms."""
    start = perf_counter()
    detection = attempt.call(Detection, pipeline.detector.detect, observation)
    return detection, 1e3 * (perf_counter() - start)


def _solve(
    pipeline: Pipeline,
    detection: Detection | None,
    observation: Observation,
    attempt: _Attempt,
) -> tuple[Estimate, float]:
    """Return the estimate, NOT_FINITE where a plug-in failed, and the time it took, ms."""
    start = perf_counter()
    estimate = None
    if detection is not None:
        estimate = attempt.call(Estimate, pipeline.solver.solve, detection, observation)
    return estimate or Estimate(Outcome.NOT_FINITE), 1e3 * (perf_counter() - start)
