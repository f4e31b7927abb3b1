"""A contour's plan and what it spent, in words."""

from __future__ import annotations

from bench.survey.contour import Contour, start_cells
from bench.survey.contour_forecast import likely_effort
from bench.survey.contour_run import ContourReport
from bench.survey.looks import chance_held
from bench.survey.pace import duration_words, measure_pace
from bench.survey.plan_words import TRUTHS, chance_words, misses_words
from bench.survey.verdicts import UNDECIDED
from bench.survey.worker import Job


def _least_pictures(contour: Contour) -> int:
    return len(start_cells(contour)) * contour.looks[0] * len(contour.plan.positions)


def time_words(job: Job, contour: Contour, workers: int) -> str:
    """Say about how long a contour takes: likely, at least and at most."""
    pace = measure_pace(job)
    likely = likely_effort(job, contour, pace)
    least, probably, most = (
        duration_words(seconds / workers + pace.cell_s * cells)
        for seconds, cells in (
            (pace.picture_s * _least_pictures(contour), len(start_cells(contour))),
            (likely.seconds, likely.cells),
            (pace.picture_s * contour.plan.n_pictures, contour.plan.n_cells),
        )
    )
    return (
        f"time       likely about {probably}, for {likely.pictures} pictures, with {workers} "
        f"workers ({1e3 * pace.picture_s:.0f} ms a picture with all pipelines, measured on "
        f"{pace.pictures}); {least} at least, {most} if every cell took all trials"
    )


def plan_words(contour: Contour) -> str:
    """Say what a contour tests, what it can decide, and how many pictures that takes."""
    plan, start = contour.plan, start_cells(contour)
    least = _least_pictures(contour)
    looks, request = contour.judged_by, contour.request
    asked = (
        f"{n} pictures "
        + ("can't hold yet" if look.hold < 0 else f"hold with {misses_words(look.hold)}")
        for n, look in zip(looks.pictures, looks.looks, strict=True)
    )
    chances = " and ".join(
        f"a true {100 * truth:.3g} % with a chance of {chance_words(chance_held(looks, truth))}"
        for truth in TRUTHS
        if truth > request.success
    )
    return (
        f"grid       {len(start)} cells given, {plan.n_cells} after {contour.levels} halvings\n"
        f"asked      {request.words}\n"
        f"looks      {'; '.join(asked)}; exact for all looks together\n"
        f"decides    {'shows ' + chances if chances else 'at the tolerance nothing'}\n"
        f"pictures   {least} at least, {plan.n_pictures} if every cell took all trials"
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
            f" {undecided} of the tested cells are undecided after {contour.looks[-1]} trials: "
            "they lie near the tolerance; more --trials, in another --out, may decide them."
        )
    return words
