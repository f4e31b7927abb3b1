"""Drawings that compete for one plate: what each is, who reads it, and the survey it gets."""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from bench.errors import BenchError, ConfigError
from bench.scene.model import Bay
from bench.solve.default_pipeline import PHOTOMETRIC, detector_of
from bench.solve.pipeline import pipeline_from_name
from bench.survey.run import check_pipelines
from bench.survey.setting import check_plan
from bench.survey.setup import job_of_bay
from bench.survey.statistics import trials_for_misses
from bench.survey.verdicts import Request
from bench.survey.worker import Job
from bench.targets.design import build_target
from bench.targets.fill import Plate, design_on_plate
from bench.targets.target import Target

DEFAULT_SPECS = (
    "marker:36h11:0",
    "grid:36h11:2x2",
    "grid:36h11:4x4",
    "charuco:4x4_50:5x5",
    "circles:5x5:symmetric",
)
# Stands for the bay's own target as it is.
OWN = "bay"
# A solver from corners alone, and one from all pixels, both from the same detection.
SOLVERS = ("ippe-lm", PHOTOMETRIC)


@dataclass(frozen=True, eq=False)
class Candidate:
    """One drawing on the plate.

    Attributes
    ----------
    spec : str
        The line that describes it, or `OWN`.
    target : Target
        The drawing.
    pipelines : tuple of str
        Who reads it.
    """

    spec: str
    target: Target
    pipelines: tuple[str, ...]

    @property
    def name(self) -> str:
        """The target's name, which tells candidates apart."""
        return self.target.name

    @property
    def folder(self) -> str:
        """Name of its run's directory."""
        return re.sub(r"[^a-z0-9_]+", "-", self.spec.lower()).strip("-")


def pipelines_of(target: Target, asked: Sequence[str] = ()) -> tuple[str, ...]:
    """Return those of the pipelines asked for that look for such a target.

    By default both of `SOLVERS` on `detector_of`.

    Raises
    ------
    ConfigError
        None of them does.
    PlugInError
        A pipeline is unknown.
    """
    if not asked:
        return tuple(f"{detector_of(target)}/{solver}" for solver in SOLVERS)
    refusals = {name: pipeline_from_name(name).refusal(target) for name in asked}
    found = tuple(name for name, reason in refusals.items() if reason is None)
    if not found:
        raise ConfigError("; ".join(filter(None, refusals.values())))
    return found


def read_candidates(
    specs: Sequence[str], own: Target, plate: Plate, pipelines: Sequence[str] = ()
) -> tuple[Candidate, ...]:
    """Return the candidates that lines describe, see `bench.targets.fill.design_on_plate`.

    Parameters
    ----------
    specs : sequence of str
        Lines, or `OWN` for the bay's own target; `DEFAULT_SPECS` where empty.
    own : Target
        The bay's.
    plate : Plate
        That all are drawn on.
    pipelines : sequence of str
        See `pipelines_of`.

    Raises
    ------
    ConfigError
        A line can't be read, a drawing doesn't fit or comes twice, or a pipeline and a drawing
        stand alone.
    PlugInError
        A pipeline is unknown.
    """
    found = []
    for spec in specs or DEFAULT_SPECS:
        target = _own(own, plate) if spec == OWN else build_target(design_on_plate(spec, plate))
        try:
            found.append(Candidate(spec, target, pipelines_of(target, pipelines)))
        except ConfigError as error:
            raise ConfigError(f"candidate {spec}: {error}") from error
    for twice in (Counter(c.name for c in found), Counter(c.folder for c in found)):
        for name, count in twice.items():
            if count > 1:
                raise ConfigError(f"candidate {name}: is given {count} times")
    for name in pipelines:
        if not any(name in c.pipelines for c in found):
            raise ConfigError(f"pipeline {name}: looks for none of the candidates")
    return tuple(found)


def _own(own: Target, plate: Plate) -> Target:
    if Plate.of(own).size != plate.size:
        raise ConfigError(
            f"candidate {OWN}: the bay's own target is on a plate of {Plate.of(own).name}, the "
            f"others on one of {plate.name}"
        )
    return own


def jobs_of(
    candidates: Sequence[Candidate], bay: Bay, tower: str | None, **changes: Any
) -> dict[str, Job]:
    """Return each candidate's survey by its name: same views, same seed, so that they pair.

    `changes` are as for `bench.survey.setup.job_of_bay`.

    Raises
    ------
    ConfigError, PlugInError
        As `bench.survey.run.run_survey`, for any of them.
    """
    jobs = {}
    for candidate in candidates:
        its_bay = dataclasses.replace(bay, target=candidate.target)
        job = job_of_bay(its_bay, tower, pipelines=candidate.pipelines, **changes)
        try:
            check_plan(job.plan, job.setting)
            check_pipelines(job)
        except BenchError as error:
            raise type(error)(f"candidate {candidate.spec}: {error}") from error
        jobs[candidate.name] = job
    return jobs


def default_trials(request: Request) -> int:
    """Return the pictures a cell that show what is asked with one miss.

    The fewest, without any, would leave a drawing that misses once in a hundred undecided in
    every second cell.
    """
    return trials_for_misses(1, request.success, request.confidence)
