"""run.json: the envelope of a survey's run, with each start of it; its tables stand beside."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from bench import provenance
from bench.envelope import Kind, Origin, Result, read_result, write_result
from bench.errors import BenchError
from bench.scene.parts import tower_parts
from bench.strict import Section
from bench.survey.plan import Plan
from bench.survey.run import RunReport

RUN_FILE = "run.json"


class SurveyRun(Section):
    """What was run, and when and where each part of it."""

    target: str
    camera: str
    plan: dict[str, Any]
    plan_digest: str
    pictures: int
    rows: int
    complete: bool
    starts: list[dict[str, Any]]


SURVEY = Kind("survey", RUN_FILE, "map", SurveyRun)


def write_run_file(
    directory: Path,
    plan: Plan,
    words: dict[str, str],
    report: RunReport,
    workers: int | str,
    origin: Origin,
) -> None:
    """Write run.json; each start of a resumed run adds to those before.

    Parameters
    ----------
    directory : Path
        The run's.
    plan : Plan
        What was run.
    words : dict
        ``target`` and ``camera``, for captions.
    report : RunReport
        What this start did.
    workers : int or str
        Processes, or the address of a scheduler.
    origin : Origin
        Of this start; camera, imaging and target are taken from the plan.

    Raises
    ------
    RunError
        It can't be written.
    """
    path = directory / RUN_FILE
    this = {
        "command": origin.command,
        "started": origin.started,
        "ended": provenance.now(),
        "workers": workers,
        "versions": dict(plan.versions) | provenance.other_versions(),
        "host": provenance.host_facts(),
        "report": asdict(report),
    }
    value = {
        **words,
        "plan": plan.as_dict(),
        "plan_digest": plan.digest,
        "pictures": plan.n_pictures,
        "rows": plan.n_rows,
        "complete": report.complete,
        "starts": [*_earlier_starts(path), this],
    }
    parts = {"target": plan.target, **tower_parts(plan.tower, plan.camera, plan.imaging)}
    write_result(path, SURVEY, value, replace(origin, parts=parts, seed=plan.seed))


def read_run_file(directory: Path) -> Result[SurveyRun]:
    """Return a run's envelope.

    Raises
    ------
    ConfigError
        There is none, or it is damaged, see `bench.envelope.read_result`.
    """
    return read_result(directory / RUN_FILE, SURVEY)


def _earlier_starts(path: Path) -> list[dict[str, Any]]:
    try:
        return read_run_file(path.parent).value.starts
    except BenchError:
        return []  # the first start, or a file that this one makes again
