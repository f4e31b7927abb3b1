"""Survey of the pytest plug-in: small, seeded, of one pipeline, judged with bounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import polars as pl

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import ConfigError, PlugInError
from bench.geometry.viewing import pose_of_view
from bench.scene.load import load_bay
from bench.solve.estimate import Estimate, Outcome
from bench.solve.pipeline import pipeline_from_name
from bench.survey.columns import CASE_COLUMNS, schema
from bench.survey.grid_phase import roll_words
from bench.survey.plan import Plan, number, view_of_case
from bench.survey.score import Row, score
from bench.survey.setting import Setting, check_plan
from bench.survey.truth import truth_columns
from bench.survey.verdicts import HOLDS, Request, judge_cells
from bench.survey.worker import Job, picture_of_case
from bench.targets.spec import target_from_spec
from bench.targets.target import Target
from bench.verify.external import ExternalPipeline
from bench.verify.rows import AnyPipeline

# 95 % at 95 % confidence takes 59 pictures without a miss (Wilks 1941): 0.95^59 < 0.05.
TRIALS = 60
SUCCESS = 0.95


@dataclass(frozen=True, eq=False)
class Result:
    """What came of a measurement.

    Attributes
    ----------
    holds : bool
        Whether every view is shown to be inside the tolerance.
    words : str
        All verdicts, a line each, with their numbers.
    cases : polars.DataFrame
        A row for each picture, `bench.survey.columns.CASE_COLUMNS`.
    verdicts : polars.DataFrame
        A row for each view, `bench.survey.verdicts.VERDICT_SCHEMA`.
    """

    holds: bool
    words: str
    cases: pl.DataFrame
    verdicts: pl.DataFrame


def measure(
    pipeline: str | AnyPipeline,
    *,
    within_deg: float = 0.1,
    success: float = SUCCESS,
    trials: int = TRIALS,
    ranges_m: Sequence[float] = (3.0,),
    turns_deg: Sequence[float] = (20.0, 45.0),
    pitches_deg: Sequence[float] = (0.0,),
    target: str | Target | None = None,
    bay: str | Path | None = None,
    seed: int = 1,
    confidence: float = 0.95,
    roll_spread_deg: float = 15.0,
) -> Result:
    """Take pictures of a target in some views, run a pipeline on them and judge it.

    Parameters
    ----------
    pipeline : str or pipeline
        "detector/solver", or an object with `run(observation)`.
    within_deg : float
        Largest angle of a picture's rotation error, degrees.
    success : float
        Least rate of pictures that are usable and within it, 0 to 1.
    trials : int
        Pictures of each view.
    ranges_m, turns_deg, pitches_deg : sequence of float
        Their combinations are the views; each is judged on its own.
    target : str or Target, optional
        Such as ``"marker:36h11:7:160 mm"``; by default the bay's.
    bay : str or Path, optional
        Bay file, whose first tower's camera looks; by default the one that ships.
    seed : int
        Of the pictures: the same seed gives the same.
    confidence : float
        With which that rate is shown, one-sided.
    roll_spread_deg : float
        Half width of the roll's variation in a view, degrees.

    Raises
    ------
    BenchError
        An argument is out of its limits, or a name is unknown.
    """
    subject = pipeline_from_name(pipeline) if isinstance(pipeline, str) else pipeline
    scene = load_bay(None if bay is None else Path(bay))
    tower = scene.towers[0]
    looked_for = target_from_spec(target) if isinstance(target, str) else target
    setting = Setting(tower.camera, tower.imaging, looked_for or scene.target)
    supports = getattr(subject, "supports", None)
    if supports is not None and not supports(setting.target.kind):
        raise ConfigError(f"pipeline {subject.name} can't look for a {setting.target.kind}")
    plan = Plan(
        ranges_m=tuple(ranges_m),
        turns_deg=tuple(turns_deg),
        pitches_deg=tuple(pitches_deg),
        pipelines=(subject.name,),
        trials=trials,
        seed=seed,
        roll_spread_deg=roll_spread_deg,
    )
    check_plan(plan, setting)
    request = Request(within_deg, success, confidence)
    cases, faults = _run(subject, Job(plan, setting))
    verdicts = judge_cells(cases, request)
    holds = bool((verdicts["verdict"] == HOLDS).all())
    return Result(
        holds, _words(subject.name, setting, plan, cases, verdicts, faults), cases, verdicts
    )


def _run(pipeline: AnyPipeline, job: Job) -> tuple[pl.DataFrame, list[str]]:
    """Return the table of cases, and what the pipeline's plug-ins raised."""
    rows: list[Row] = []
    faults: list[str] = []
    camera, setting = job.setting.camera, job.setting
    for case in job.plan.cases():
        view = view_of_case(case, job.plan, camera)
        T_camera_target_true = pose_of_view(view, camera)
        picture = picture_of_case(case, job)
        try:
            detection, estimate = pipeline.run(
                Observation(picture, camera, setting.target, setting.imaging.sensor)
            )
        except PlugInError as error:
            faults.append(f"{error} (case {case.key})")
            detection, estimate = Detection(Found.MISSED), Estimate(Outcome.NOT_FINITE)
        row: Row = {"pipeline": pipeline.name}
        row |= truth_columns(case, view, T_camera_target_true, setting)
        rows.append(row | score(T_camera_target_true, detection, estimate))
    return pl.DataFrame(rows, schema=schema(CASE_COLUMNS)).sort("key"), faults


def _words(
    name: str,
    setting: Setting,
    plan: Plan,
    cases: pl.DataFrame,
    verdicts: pl.DataFrame,
    faults: list[str],
) -> str:
    """Say what each view came to, and what to look at first."""
    lines = [
        f"pose pipeline {name}: {setting.target.name}, {plan.trials} pictures a view, "
        f"{roll_words(plan.roll_deg, plan.roll_spread_deg)}, seed {plan.seed}"
    ]
    for row in verdicts.iter_rows(named=True):
        view = f"{number(row['range_m'])} m, turn {number(row['turn_deg'])} deg"
        if row["pitch_deg"]:
            view += f", pitch {number(row['pitch_deg'])} deg"
        lines.append(f"  {view}: {row['verdict']}: {row['words']}")
    counts = cases["outcome"].value_counts(sort=True).rows()
    lines.append("  outcomes: " + ", ".join(f"{count} {outcome}" for outcome, count in counts))
    usable = cases.filter(pl.col("outcome") == "ok").sort("err_rot_deg", descending=True)
    if len(usable):
        key, error = usable["key"][0], usable["err_rot_deg"][0]
        lines.append(f"  the worst usable pose: {error:.3g} deg off ({key})")
    if faults:
        lines.append(f"  {len(faults)} failed, first: {faults[0]}")
    return "\n".join(lines)


class PosePipelineBench:
    """The fixture's object: measures pipelines, and ends external ones with the test."""

    def __init__(self) -> None:
        self._opened: list[ExternalPipeline] = []

    def check(self, pipeline: str | AnyPipeline, **options: Any) -> Result:
        """Fail the test unless a pipeline holds a tolerance; parameters as `measure`."""
        __tracebackhide__ = True
        result = measure(pipeline, **options)
        if not result.holds:
            raise AssertionError(result.words)
        return result

    def external(self, command: str | Sequence[str], **options: Any) -> ExternalPipeline:
        """Return an external command as a pipeline; parameters as `ExternalPipeline`."""
        self._opened.append(ExternalPipeline(command, **options))
        return self._opened[-1]

    def __enter__(self) -> PosePipelineBench:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        for pipeline in self._opened:
            pipeline.close()
