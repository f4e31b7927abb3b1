"""The steps of `sightbench choose`: run every candidate, say what came of it, draw it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import typer

from bench import provenance
from bench.choice.candidates import Candidate
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar, shifted, stop_on_interrupt
from bench.cli.surveying import setting_words, warn_of_failures
from bench.scene.model import Bay
from bench.survey.executors import Executor
from bench.survey.run import run_survey
from bench.survey.run_file import write_run_file
from bench.survey.store import RunStore
from bench.survey.worker import Job


def run_all(
    out: Path,
    bay: Bay,
    candidates: Sequence[Candidate],
    jobs: Mapping[str, Job],
    executor: Executor,
    workers: int | str,
    chunk: int,
    quiet: bool,
) -> bool:
    """Run each candidate's survey as far as it isn't done; tell whether all are whole."""
    total = sum(job.plan.n_pictures for job in jobs.values())
    before = done = 0
    with stop_on_interrupt() as stop, progress_bar("pictures", quiet) as progress:
        for candidate in candidates:
            if stop():
                break
            job, directory = jobs[candidate.name], out / candidate.folder
            started = provenance.now()
            report = run_survey(
                job,
                RunStore(directory),
                executor,
                chunk,
                shifted(progress, before, total),
                stop,
            )
            write_run_file(
                directory, job.plan, setting_words(job), report, workers, origin_of(started, bay)
            )
            warn_of_failures(report)
            before += job.plan.n_pictures
            done += report.found + report.added
    if done < total:
        typer.echo(
            f"{done} of {total} pictures are done and kept in {out}; the same command goes on "
            "from there.",
            err=True,
        )
    return done == total
