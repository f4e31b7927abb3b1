"""A run killed at any moment of its end, and two runs at once: no row lost, none twice."""

import os
import shutil
from itertools import count
from pathlib import Path

import numpy as np
import pytest

from bench.errors import RunError
from bench.survey import joining
from bench.survey.cells import NEEDED
from bench.survey.executors import InlineExecutor
from bench.survey.run import run_survey
from bench.survey.store import RunStore, open_cases
from bench.survey.worker import Worker

pytestmark = pytest.mark.slow

# What changes a directory; `unlink` and `replace` of a path end in these too.
CHANGES = [(os, "fsync"), (os, "replace"), (os, "unlink"), (os, "rmdir"), (os, "mkdir")]


class Killed(BaseException):
    """Nothing that the run does comes after this, its clearing up included."""


@pytest.fixture
def kill_at(monkeypatch):
    """What lets the next n changes of a directory happen, and none from then on."""

    def arm(n):
        left = [n]

        def guarded(function):
            def change(*args, **options):
                if left[0] <= 0:
                    raise Killed
                left[0] -= 1
                return function(*args, **options)

            return change

        for module, name in CHANGES:
            monkeypatch.setattr(module, name, guarded(getattr(module, name)))
        for name in ("unlink", "mkdir", "write_bytes"):
            monkeypatch.setattr(Path, name, guarded(getattr(Path, name)))
        monkeypatch.setattr(shutil, "rmtree", guarded(shutil.rmtree))
        return left

    return arm


@pytest.fixture(scope="module")
def job(make_job):
    return make_job()


@pytest.fixture(scope="module")
def ready(job, tmp_path_factory):
    """A run of which all is done but its end: five parts, of four views, a piece each."""
    directory = tmp_path_factory.mktemp("ready")
    store, worker = RunStore(directory), Worker(job)
    store.begin(job.plan)
    for start in range(0, 20, 4):
        store.append(worker.run(range(start, start + 4)))
    return directory


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch):
    monkeypatch.setattr(joining, "PIECE_ROWS", 10)
    monkeypatch.setattr(joining, "RUN_ROWS", 10)


def contents(directory):
    tables = (directory / name for name in ("cases.parquet", "timings.parquet"))
    return {p.name: p.read_bytes() for table in tables for p in table.iterdir()}


def test_a_kill_at_any_moment_of_its_end_loses_nothing(job, ready, tmp_path, kill_at, monkeypatch):
    whole = shutil.copytree(ready, tmp_path / "whole")
    RunStore(whole).finish(job.plan)
    assert len(contents(whole)) == 8
    for n in count():
        directory = shutil.copytree(ready, tmp_path / str(n))
        left = kill_at(n)
        try:
            RunStore(directory).finish(job.plan)
            done = True
        except Killed:
            done = False
        finally:
            monkeypatch.undo()
        monkeypatch.setattr(joining, "PIECE_ROWS", 10)
        monkeypatch.setattr(joining, "RUN_ROWS", 10)
        # never a table that reads as whole and isn't
        try:
            rows = open_cases(directory).height()
        except RunError:
            rows = job.plan.n_rows
        assert rows == job.plan.n_rows, n
        report = run_survey(job, RunStore(directory), InlineExecutor())
        assert (report.found, report.added) == (20, 0), n
        assert contents(directory) == contents(whole), n
        assert not list(directory.glob(".*")), n
        assert not list((directory / "parts").iterdir()), n
        if done and left[0] > 0:
            break
    # files of 8 pieces, directories, two renames, five parts: each was a moment of its own
    assert n > 20


def test_a_run_that_ends_after_another_in_the_same_directory_keeps_its_tables(
    job, ready, tmp_path
):
    # the slower one still had a chunk to write when the quicker one removed the parts
    directory = shutil.copytree(ready, tmp_path / "run")
    store = RunStore(directory)
    store.finish(job.plan)
    before = contents(directory)
    store.append(Worker(job).run([18, 19]))
    store.finish(job.plan)
    assert contents(directory) == before
    assert not list((directory / "parts").iterdir())


def test_cases_done_twice_are_judged_once(job, ready, tmp_path):
    store = RunStore(shutil.copytree(ready, tmp_path / "run"), {"any": "rule"})
    rows = np.arange(2 * len(job.plan.pipelines), 5 * len(job.plan.pipelines))
    once = store.cases_at(rows, NEEDED, store.kept(job.plan), job.plan)
    store.append(Worker(job).run([3, 4, 5]))
    twice = store.cases_at(rows, NEEDED, store.kept(job.plan), job.plan)
    order = ["key", "pipeline"]
    assert once.height == 3 * len(job.plan.pipelines)
    assert twice.sort(order).equals(once.sort(order), null_equal=True)


@pytest.mark.parametrize("gone", [1, 5])
def test_cases_that_went_away_are_not_judged_without(job, ready, tmp_path, gone):
    store = RunStore(shutil.copytree(ready, tmp_path / "run"))
    kept = store.kept(job.plan)
    for path in sorted((store.directory / "parts").iterdir())[:gone]:
        path.unlink()
    with pytest.raises(RunError, match="parts came or went meanwhile"):
        store.cases_at(np.array([2, 9]) * len(job.plan.pipelines), NEEDED, kept, job.plan)


def test_a_rules_table_lacks_none_of_the_cases_it_wants(job, ready, tmp_path):
    directory = shutil.copytree(ready, tmp_path / "run")
    sorted((directory / "parts").iterdir())[0].unlink()
    store, wanted = RunStore(directory, {"any": "rule"}), np.zeros(20, dtype=bool)
    wanted[2:12] = True
    each = len(job.plan.pipelines)
    with pytest.raises(RunError, match="parts came or went meanwhile"):
        store.finish(job.plan, np.repeat(wanted, each))
    assert not (directory / "cases.parquet").exists()
    wanted[:4] = False
    store.finish(job.plan, np.repeat(wanted, each))
    assert open_cases(directory).height() == 16 * each
