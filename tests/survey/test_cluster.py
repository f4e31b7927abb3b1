"""A real scheduler and real worker processes, over TCP on the loopback address."""

import os
import signal
from dataclasses import replace

import pytest

from bench.errors import ConfigError, RunError
from bench.survey.cluster import ClusterExecutor
from bench.survey.executors import InlineExecutor
from bench.survey.run import run_survey
from bench.survey.store import RunStore, read_cases

distributed = pytest.importorskip("distributed")


@pytest.fixture
def job(make_job):
    return make_job(trials=10)  # 40 pictures, 20 chunks of 2


@pytest.fixture
def reference(job, tmp_path):
    run_survey(job, RunStore(tmp_path / "reference"), InlineExecutor())
    return read_cases(tmp_path / "reference")


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_and_one_that_joins_change_no_bit(
    cluster, job, reference, tmp_path
):
    workers = [cluster.worker("first"), cluster.worker("second")]
    killed = []

    def progress(done, total):
        if done >= total // 4 and not killed:
            os.kill(workers[0].pid, signal.SIGKILL)
            killed.append(done)
            cluster.worker("third")

    out = tmp_path / "run"
    report = run_survey(job, RunStore(out), ClusterExecutor(cluster.address), 2, progress)
    assert report.complete
    assert killed
    assert killed[0] < report.total
    assert workers[0].wait(60) == -signal.SIGKILL
    assert read_cases(out).equals(reference, null_equal=True)


@pytest.mark.slow
def test_a_stopped_client_keeps_what_is_done_and_resumes(cluster, job, reference, tmp_path):
    cluster.worker("only")
    executor, seen = ClusterExecutor(cluster.address), []
    store = RunStore(tmp_path / "run")
    report = run_survey(
        job, store, executor, 2, lambda done, _: seen.append(done), lambda: max(seen) >= 6
    )
    # what was handed out before the stop is done too: two chunks of two at one worker's thread
    assert 6 <= report.added <= 6 + 2 * 2
    assert not report.complete
    assert run_survey(job, store, executor, 2).complete
    assert read_cases(store.directory).equals(reference, null_equal=True)


@pytest.mark.slow
def test_a_survey_that_begins_without_a_worker_says_so_and_waits(
    cluster, make_job, tmp_path, monkeypatch
):
    monkeypatch.setattr("bench.survey.cluster.PATIENCE_S", 0.5)
    said = []

    def notice(words):
        said.append(words)
        if len(said) == 1:
            cluster.worker("late")

    job = make_job(trials=1)
    report = run_survey(job, RunStore(tmp_path), ClusterExecutor(cluster.address, notice))
    assert report.complete
    assert said == ["the scheduler has no worker, waiting for one", "a worker has come, going on"]


@pytest.mark.slow
def test_workers_with_other_versions_are_refused(cluster, make_job, tmp_path):
    cluster.worker("old")
    job = make_job(trials=1)
    versions = tuple((n, "0.1" if n == "numpy" else v) for n, v in job.plan.versions)
    job = replace(job, plan=replace(job.plan, versions=versions))
    with pytest.raises(RunError, match=r"worker tcp://127\S+ has numpy \S+ instead of 0\.1"):
        run_survey(job, RunStore(tmp_path), ClusterExecutor(cluster.address))


@pytest.mark.slow
def test_a_scheduler_that_goes_away_leaves_what_is_finished(cluster, job, reference, tmp_path):
    cluster.worker("only")
    store = RunStore(tmp_path / "run")

    def progress(done, total):
        if done >= total // 4 and cluster.scheduler.poll() is None:
            cluster.scheduler.kill()
            cluster.scheduler.wait()

    with pytest.raises(RunError, match="scheduler went away"):
        run_survey(job, store, ClusterExecutor(cluster.address), 2, progress)
    kept = int(store.done(job.plan).sum())
    assert job.plan.n_pictures // 4 <= kept < job.plan.n_pictures
    assert run_survey(job, store, InlineExecutor()).found == kept
    assert read_cases(store.directory).equals(reference, null_equal=True)


def test_where_no_scheduler_answers_one_line_says_so(make_job, tmp_path, monkeypatch):
    monkeypatch.setattr("bench.survey.cluster.CONNECT_S", 0.5)
    with pytest.raises(RunError, match=r"--scheduler tcp://127\.0\.0\.1:9: no Dask scheduler"):
        run_survey(make_job(), RunStore(tmp_path), ClusterExecutor("tcp://127.0.0.1:9"))


@pytest.mark.parametrize("address", ["nonsense://host:1", "tcp://127.0.0.1:port"])
def test_an_address_that_is_none_is_refused(make_job, tmp_path, address):
    with pytest.raises(ConfigError, match=f"--scheduler {address}: "):
        run_survey(make_job(), RunStore(tmp_path), ClusterExecutor(address))
