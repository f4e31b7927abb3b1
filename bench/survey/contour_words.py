"""A contour's plan and what it spent, in words."""

from __future__ import annotations

from bench.survey.contour import Contour, start_cells
from bench.survey.contour_run import ContourReport
from bench.survey.pace import duration_words, measure_pace
from bench.survey.plan_words import power_words
from bench.survey.statistics import MIN_BOOTSTRAP
from bench.survey.verdicts import UNDECIDED
from bench.survey.worker import Job


def _least_pictures(contour: Contour) -> int:
    return len(start_cells(contour)) * contour.looks[0] * len(contour.plan.positions)


def time_words(job: Job, contour: Contour, workers: int) -> str:
    """Say about how long a contour takes, at least and at most."""
    pace = measure_pace(job)
    least, most = (
        duration_words(pace.picture_s * n / workers)
        for n in (_least_pictures(contour), contour.plan.n_pictures)
    )
    return (
        f"time       about {least} at least, {most} if every cell took all trials, with "
        f"{workers} workers ({1e3 * pace.picture_s:.0f} ms a picture, measured on "
        f"{pace.pictures})"
    )


def plan_words(contour: Contour) -> str:
    """Say what a contour tests, what it can decide, and how many pictures that takes."""
    plan, start = contour.plan, start_cells(contour)
    places = len(plan.positions)
    least = _least_pictures(contour)
    most = contour.looks[-1] * places
    warning = ""
    if contour.looks[-1] < MIN_BOOTSTRAP:
        warning = f"\nnote       an RMS needs {MIN_BOOTSTRAP} usable poses; nothing can hold"
    return (
        f"grid       {len(start)} cells given, {plan.n_cells} after {contour.levels} halvings\n"
        f"looks      after {', '.join(map(str, contour.looks))} trials, each at "
        f"{100 * contour.judged_by.confidence:.4g} % one-sided confidence, which is "
        f"{100 * contour.request.confidence:.4g} % for all together\n"
        f"decides    {power_words(most, contour.judged_by)}\n"
        f"pictures   {least} at least, {plan.n_pictures} if every cell took all trials{warning}"
    )


def spent_words(contour: Contour, report: ContourReport) -> str:
    """Say how many pictures a contour took, and how many it saved."""
    plan, total = contour.plan, contour.plan.n_pictures
    used = report.run.found + report.run.added
    undecided = sum(UNDECIDED in found.values() for found in report.verdicts.values())
    words = (
        f"{len(report.verdicts)} of {plan.n_cells} cells tested, with {used} pictures. The full "
        f"grid, every cell with {contour.looks[-1]} trials, takes {total}: {total - used} or "
        f"{100 * (1 - used / total):.0f} % are saved."
    )
    if undecided:
        words += (
            f" {undecided} of the tested cells are undecided after {contour.looks[-1]} trials; "
            "more --trials, in another --out, may decide them."
        )
    return words
