"""Work on a chunk of cases: render, detect, solve, score, pack."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import perf_counter
from typing import Any, TypeVar

import cv2
import polars as pl
from threadpoolctl import threadpool_limits

from bench.built.draws import draw_moment
from bench.built.picture import built_picture
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import PlugInError
from bench.geometry.pose import Pose
from bench.geometry.viewing import pose_of_view
from bench.imaging.picture import Picture
from bench.render.planar import render_target
from bench.solve.estimate import Estimate, Outcome
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.survey.bound import corner_bound_columns, image_bound_columns, light_of_cell
from bench.survey.cell_bounds import CellBounds
from bench.survey.columns import CASE_COLUMNS, TIMING_COLUMNS, schema
from bench.survey.pieces import packed
from bench.survey.plan import Case, Plan, noise_rng, view_of_case
from bench.survey.score import Row, score
from bench.survey.setting import Setting
from bench.survey.truth import bay_of_case, parts_columns, truth_columns
from bench.typing import Array

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
class Some:
    """Cases, by their indices, by some of a plan's pipelines alone."""

    indices: tuple[int, ...]
    pipelines: tuple[str, ...]


Chunk = Sequence[int] | Some


@dataclass(frozen=True)
class ChunkResult:
    """What came of a chunk.

    Attributes
    ----------
    indices : tuple of int
        Of its cases.
    part : bytes
        Its rows, a Parquet file.
    failures : dict of str to str
        For each pipeline whose plug-in failed: the first failure, with the case's key.
    """

    indices: tuple[int, ...]
    part: bytes
    failures: dict[str, str] = field(default_factory=dict)

    @property
    def pictures(self) -> int:
        """How many."""
        return len(self.indices)


def picture_of_case(case: Case, job: Job) -> Picture:
    """Return the picture of one case: the same for the same key, whoever asks."""
    camera = job.setting.camera
    return _picture(case, pose_of_view(view_of_case(case, job.plan, camera), camera), job)


def _picture(case: Case, T_camera_target: Pose, job: Job) -> Picture:
    setting, plan = job.setting, job.plan
    camera, imaging, sizes = setting.camera, setting.imaging, setting.built
    rng = noise_rng(case, plan.seed)
    if sizes is None:
        return render_target(setting.target, T_camera_target, camera, imaging, rng)
    drawing = setting.target.drawing
    moment = draw_moment(sizes, plan.seed, case.key, drawing)
    bay = bay_of_case(case, plan, sizes)
    return built_picture(drawing, T_camera_target, camera, imaging, sizes, bay, moment, rng)


def case_of_row(row: dict[str, Any], plan: Plan) -> Case:
    """Return the case that a row of the table of cases tells of."""
    by_name = {
        plan.case(i).position_name: plan.case(i).position for i in range(len(plan.positions))
    }
    return Case(
        index=-1,  # no number depends on it
        range_m=row["range_m"],
        turn_deg=row["turn_deg"],
        pitch_deg=row["pitch_deg"],
        position=by_name[row["position"]],
        trial=row["trial"],
    )


class Worker:
    """Runs chunks of one job; building it loads the pipelines, and holds libraries to a thread."""

    def __init__(self, job: Job) -> None:
        # small matrices are quicker by one thread, and processes share the cores
        cv2.setNumThreads(1)
        threadpool_limits(1)
        self.job = job
        self.bounds = CellBounds(job.plan, job.setting)
        self.pipelines = [(name, pipeline_from_name(name)) for name in job.plan.pipelines]

    def run(self, chunk: Chunk) -> ChunkResult:
        """Run the cases with these indices, by all pipelines or by some."""
        some = chunk if isinstance(chunk, Some) else Some(tuple(chunk), self.job.plan.pipelines)
        rows: list[Row] = []
        failures: dict[str, str] = {}
        for index in some.indices:
            rows += self.run_case(self.job.plan.case(index), failures, some.pipelines)
        part = packed(pl.DataFrame(rows, schema=PART_SCHEMA))
        return ChunkResult(some.indices, part, failures)

    def light(self, case: Case) -> Array | None:
        """Return what light adds to the bound in a case's cell: computed once."""
        cell = (case.range_m, case.turn_deg, case.pitch_deg, self.job.plan.roll_deg)
        return light_of_cell(*cell, self.job.setting)

    def run_case(
        self, case: Case, failures: dict[str, str], asked: Sequence[str] | None = None
    ) -> list[Row]:
        """Run pipelines, all or those asked, on a case's picture.

        `failures` collects first exceptions.
        """
        plan, setting = self.job.plan, self.job.setting
        camera = setting.camera
        start = perf_counter()
        view = view_of_case(case, plan, camera)
        T_camera_target_true = pose_of_view(view, camera)
        picture = _picture(case, T_camera_target_true, self.job)
        observation = Observation(picture, camera, setting.target, setting.imaging.sensor)
        render_ms = 1e3 * (perf_counter() - start)
        truth = truth_columns(case, view, T_camera_target_true, setting, picture.region)
        start = perf_counter()
        parts, response = parts_columns(case, T_camera_target_true, plan, setting)
        truth |= parts
        truth |= image_bound_columns(
            lambda: self.bounds.covariance(case, view, T_camera_target_true, picture.region),
            T_camera_target_true,
            setting,
            response,
            self.light(case),
        )
        bound_ms = 1e3 * (perf_counter() - start)
        detections: dict[str, tuple[Detection | PlugInError, float]] = {}
        rows: list[Row] = []
        for name, pipeline in self.pipelines:
            if asked is not None and name not in asked:
                continue
            detector = pipeline.detector.name
            if detector not in detections:
                detections[detector] = _timed(_detect, pipeline, observation)
            detection, detect_ms = detections[detector]
            estimate, solve_ms = _timed(_solve, pipeline, detection, observation)
            if isinstance(estimate, PlugInError):
                failures.setdefault(name, f"{estimate} (case {case.key})")
                estimate = Estimate(Outcome.NOT_FINITE)
            if isinstance(detection, PlugInError):
                detection = Detection(Found.MISSED)
            start = perf_counter()
            scored = score(T_camera_target_true, detection, estimate)
            scored |= corner_bound_columns(T_camera_target_true, detection, camera)
            row: Row = {INDEX: case.index, "pipeline": name, **truth, **scored}
            row |= {"render_ms": render_ms, "detect_ms": detect_ms, "solve_ms": solve_ms}
            row["bound_ms"] = bound_ms
            row["score_ms"] = 1e3 * (perf_counter() - start)
            rows.append(row)
        return rows


def _timed(function: Callable[..., Result], *args: Any) -> tuple[Result, float]:
    """Return what a function returns, and the time it took, ms."""
    start = perf_counter()
    result = function(*args)
    return result, 1e3 * (perf_counter() - start)


# A plug-in's failure is an outcome, counted as not finite; the survey goes on.


def _detect(pipeline: Pipeline, observation: Observation) -> Detection | PlugInError:
    try:
        return pipeline.detect(observation)
    except PlugInError as error:
        return error


def _solve(
    pipeline: Pipeline, detection: Detection | PlugInError, observation: Observation
) -> Estimate | PlugInError:
    if isinstance(detection, PlugInError):
        return detection
    try:
        return pipeline.solve(detection, observation)
    except PlugInError as error:
        return error
