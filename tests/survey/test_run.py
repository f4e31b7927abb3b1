import errno
import json
import math
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose

from bench.detect.detection import Detection, Found
from bench.errors import ConfigError, PlugInError, RunError
from bench.geometry.viewing import pose_of_view
from bench.processes import QUEUED_CHUNKS
from bench.solve.estimate import Estimate, Outcome
from bench.solve.pipeline import Pipeline
from bench.survey.columns import CASE_COLUMNS, TIMING_COLUMNS, names
from bench.survey.executors import InlineExecutor, ProcessExecutor
from bench.survey.plan import view_of_case
from bench.survey.run import check_pipelines, chunks_of, left, never, run_survey
from bench.survey.store import RunStore, read_cases
from bench.survey.worker import Worker, picture_of_case
from bench.targets.design import MarkerDesign, build_target


def run(job, directory, **options):
    options.setdefault("executor", InlineExecutor())
    return run_survey(job, RunStore(directory), **options)


@pytest.fixture(scope="module")
def reference(make_job, tmp_path_factory):
    directory = tmp_path_factory.mktemp("reference")
    run(make_job(), directory)
    return directory


def test_a_finished_run_has_a_row_for_each_picture_and_pipeline(make_job, reference):
    cases = read_cases(reference)
    plan = make_job().plan
    assert cases.height == plan.n_rows == 2 * 2 * 5 * 2
    assert cases.columns == names(CASE_COLUMNS)
    assert cases.equals(cases.sort("key", "pipeline"))
    timings = pl.read_parquet(reference / "timings.parquet")
    assert timings.columns == names(TIMING_COLUMNS)
    assert timings.select("key", "pipeline").equals(cases.select("key", "pipeline"))
    for name in names(TIMING_COLUMNS)[2:]:
        assert (timings[name] > 0).all(), name
    assert list((reference / "parts").iterdir()) == []


def test_truth_columns_are_the_views_that_were_rendered(make_job, reference):
    job = make_job()
    cases = read_cases(reference).filter(pl.col("pipeline") == "aruco-none/ippe")
    by_key = {row["key"]: row for row in cases.iter_rows(named=True)}
    for case in job.plan.cases():
        view = view_of_case(case, job.plan, job.setting.camera)
        row = by_key[case.key]
        assert_allclose(
            [row["range_true_m"], row["turn_true_deg"], row["u_true_px"]],
            [view.range_m, math.degrees(view.turn), view.pixel[0]],
            rtol=1e-14,
        )
        # cos tilt = cos turn cos pitch
        cosine = math.cos(view.turn) * math.cos(view.pitch)
        assert_allclose(row["tilt_true_deg"], math.degrees(math.acos(cosine)), atol=1e-6)
        assert_allclose(row["size_px"], 900 * 0.2 / view.range_m, rtol=1e-12)


def test_near_and_tilted_targets_are_measured_well(reference):
    # 120 px, tilt 30: corner noise of 0.1 px gives σ_Z/Z of order 0.1/120 and angles of order
    # 0.1/120/sin 30 = 0.1 deg; ten times that would be a wrong frame or sign, not noise
    cases = read_cases(reference).filter(
        (pl.col("pipeline") == "aruco-subpix/ippe-lm")
        & (pl.col("range_m") == 1.5)
        & (pl.col("turn_deg") == 30)
    )
    assert (cases["outcome"] == "ok").all()
    assert (cases["err_rot_deg"] < 1.0).all()
    assert (cases["err_along_mm"].abs() < 15.0).all()


@pytest.mark.parametrize("chunk", [1, 7, 1000])
def test_any_chunk_size_gives_the_same_tables(make_job, reference, tmp_path, chunk):
    run(make_job(), tmp_path, chunk=chunk)
    assert read_cases(tmp_path).equals(read_cases(reference), null_equal=True)


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_any_number_of_workers_gives_the_same_tables(make_job, reference, tmp_path, workers):
    run(make_job(), tmp_path, executor=ProcessExecutor(workers), chunk=3)
    assert read_cases(tmp_path).equals(read_cases(reference), null_equal=True)


def test_more_trials_keep_the_numbers_of_the_trials_before(make_job, reference, tmp_path):
    run(make_job(trials=6), tmp_path)
    kept = read_cases(tmp_path).filter(pl.col("trial") < 5)
    assert kept.equals(read_cases(reference))


def test_a_subset_of_pipelines_and_cells_has_the_same_numbers(make_job, reference, tmp_path):
    run(make_job(ranges_m=(3.0,), pipelines=("aruco-none/ippe",)), tmp_path)
    same = read_cases(reference).filter(
        (pl.col("range_m") == 3.0) & (pl.col("pipeline") == "aruco-none/ippe")
    )
    assert read_cases(tmp_path).equals(same)


def test_another_seed_gives_other_numbers(make_job, reference, tmp_path):
    run(make_job(seed=2), tmp_path)
    mine, theirs = read_cases(tmp_path), read_cases(reference)
    assert mine["key"].equals(theirs["key"])
    assert not mine["range_true_m"].equals(theirs["range_true_m"])


def test_a_stopped_run_is_resumed_to_the_same_tables(make_job, reference, tmp_path):
    job, seen = make_job(), []
    report = run(
        job, tmp_path, chunk=4, progress=lambda done, _: seen.append(done), stop=lambda: 8 in seen
    )
    assert (report.added, report.complete) == (8, False)
    assert not (tmp_path / "cases.parquet").exists()
    report = run(job, tmp_path, chunk=5)
    assert (report.found, report.added, report.complete) == (8, 12, True)
    assert read_cases(tmp_path).equals(read_cases(reference))


def test_a_finished_run_is_not_done_again(make_job, tmp_path):
    job = make_job(trials=1)
    run(job, tmp_path)
    before = (tmp_path / "cases.parquet").stat().st_mtime_ns  # reading it changes its atime
    report = run(job, tmp_path)
    assert (report.found, report.added, report.complete) == (4, 0, True)
    assert (tmp_path / "cases.parquet").stat().st_mtime_ns == before


@pytest.mark.parametrize("damage", ["cut short", "one bit", "empty"])
def test_a_damaged_part_is_done_again(make_job, recorded, reference, tmp_path, damage):
    job, seen = make_job(), []
    options = {"chunk": 4, "executor": recorded(job)}
    run(
        job,
        tmp_path,
        progress=lambda done, _: seen.append(done),
        stop=lambda: 8 in seen,
        **options,
    )
    part = sorted((tmp_path / "parts").iterdir())[0]
    content = bytearray(part.read_bytes())
    if damage == "one bit":
        content[len(content) // 3] ^= 1
    part.write_bytes(
        {"cut short": content[: len(content) // 2], "one bit": content, "empty": b""}[damage]
    )
    report = run(job, tmp_path, **options)
    assert (report.found, report.added) == (4, 16)
    assert read_cases(tmp_path).equals(read_cases(reference))


@pytest.mark.parametrize("damage", ["cut short", "missing", "somebody's"])
def test_a_damaged_final_table_is_done_again(make_job, recorded, reference, tmp_path, damage):
    job = make_job()
    run(job, tmp_path, executor=recorded(job))
    _, path = sorted((tmp_path / "cases.parquet").iterdir())
    if damage == "cut short":
        path.write_bytes(path.read_bytes()[:-50])
    elif damage == "missing":
        path.unlink()
    else:
        path.with_name("mine.parquet").write_bytes(path.read_bytes())
    assert run(job, tmp_path, executor=recorded(job)).added == 20
    assert read_cases(tmp_path).equals(read_cases(reference))


def test_a_run_of_another_plan_is_refused_and_untouched(make_job, tmp_path):
    run(make_job(trials=1), tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()}
    with pytest.raises(RunError) as caught:
        run(make_job(trials=2), tmp_path)
    assert "trials is 1 there, 2 is asked for" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert before == {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()}


def test_results_without_a_plan_are_not_overwritten(make_job, tmp_path):
    (tmp_path / "cases.parquet").write_bytes(b"somebody's")
    with pytest.raises(RunError, match=r"results without their plan\.json"):
        run(make_job(), tmp_path)
    assert (tmp_path / "cases.parquet").read_bytes() == b"somebody's"


def test_an_unreadable_plan_is_named(make_job, tmp_path):
    (tmp_path / "plan.json").write_text("{")
    with pytest.raises(RunError, match=r"plan\.json: can't be read as a plan"):
        run(make_job(), tmp_path)


def test_a_full_disk_is_one_line_and_loses_nothing(
    make_job, recorded, reference, tmp_path, monkeypatch
):
    job, real = make_job(), os.fsync
    options = {"chunk": 4, "executor": recorded(job)}
    calls = []

    def fsync(descriptor):
        calls.append(descriptor)
        if len(calls) > 3:  # the plan and two parts fit
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(RunError) as caught:
        run(job, tmp_path, **options)
    assert "can't be written: No space left on device" in str(caught.value)
    assert len(list((tmp_path / "parts").iterdir())) == 2
    monkeypatch.undo()
    report = run(job, tmp_path, **options)
    assert (report.found, report.complete) == (8, True)
    assert read_cases(tmp_path).equals(read_cases(reference))


def test_a_disk_that_fills_while_tables_are_joined_loses_nothing(
    make_job, recorded, reference, tmp_path, monkeypatch
):
    job, real = make_job(), pl.DataFrame.write_parquet
    executor = recorded(job)

    def write(frame, target, **options):
        if isinstance(target, Path):  # workers pack their parts in memory
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(frame, target, **options)

    monkeypatch.setattr(pl.DataFrame, "write_parquet", write)
    with pytest.raises(RunError, match=r"can't be written: No space left on device; what was"):
        run(job, tmp_path, executor=executor)
    monkeypatch.undo()
    assert run(job, tmp_path, executor=executor).found == 20
    assert read_cases(tmp_path).equals(read_cases(reference))
    assert not list(tmp_path.glob(".*.tmp"))


def test_parts_that_go_missing_meanwhile_are_noticed(make_job, recorded, tmp_path):
    # as when another process works in the same directory and finishes first
    job, store = make_job(), RunStore(tmp_path)
    run(
        job,
        tmp_path,
        chunk=4,
        executor=recorded(job),
        stop=lambda: len(list(tmp_path.glob("parts/*"))) == 4,
    )
    with pytest.raises(RunError, match="parts came or went meanwhile"):
        store.finish(job.plan)
    assert not (tmp_path / "cases.parquet").exists()
    assert len(list((tmp_path / "parts").iterdir())) == 4


def test_a_case_done_twice_counts_once(make_job, reference, tmp_path):
    # two processes in one directory may do the same chunk; here, chunks cut otherwise
    job, store = make_job(), RunStore(tmp_path)
    store.begin(job.plan)
    worker = Worker(job)
    for indices in (range(12), range(8, 20)):
        store.append(worker.run(list(indices)))
    store.finish(job.plan)
    assert read_cases(tmp_path).equals(read_cases(reference))


def test_a_killed_runs_scraps_are_swept_up(make_job, tmp_path):
    job = make_job(trials=1)
    run(job, tmp_path, stop=lambda: True)
    (tmp_path / "parts" / ".000000000-00.parquet.1.tmp").write_bytes(b"half")
    for scraps in (".sort-1.tmp", ".cases.parquet.1.tmp"):
        (tmp_path / scraps).mkdir()
        (tmp_path / scraps / "0").write_bytes(b"half")
    run(job, tmp_path)
    assert list((tmp_path / "parts").iterdir()) == []
    assert not list(tmp_path.glob(".*"))


def test_a_picture_can_be_taken_again_by_its_key(make_job):
    job = make_job()
    case = job.plan.case(7)
    first, again = picture_of_case(case, job), picture_of_case(case, job)
    assert np.array_equal(first.grey, again.grey)
    assert (first.u0, first.v0) == (again.u0, again.v0)


class Stub:
    """A detector and solver under a test's control."""

    name = "stub"

    def __init__(self, detection=None, estimate=None):
        self.answers = {"detect": detection, "solve": estimate}
        self.calls = {"detect": 0, "solve": 0}

    def supports(self, kind):
        return kind == "marker"

    def detect(self, observation):
        return self._answer("detect", observation)

    def solve(self, detection, observation):
        return self._answer("solve", observation)

    def _answer(self, what, observation):
        self.calls[what] += 1
        answer = self.answers[what]
        return answer(observation) if callable(answer) else answer


FOUND = Detection(Found.FOUND, np.full((4, 2), 9.0), np.zeros((4, 3)))


def use(monkeypatch, pipelines):
    for module in ("worker", "run"):
        monkeypatch.setattr(f"bench.survey.{module}.pipeline_from_name", pipelines.__getitem__)


def broken(_):
    raise ValueError("three\nlines\nof trouble")


@pytest.mark.parametrize(
    ("stub", "words"),
    [
        (Stub(detection=broken), "detector stub raised ValueError: three lines of trouble"),
        (Stub(FOUND, broken), "solver stub raised ValueError: three lines of trouble"),
        (Stub(FOUND, "a pose"), "solve must return an Estimate, got str"),
    ],
)
def test_a_plug_in_that_fails_is_counted_and_the_run_goes_on(
    make_job, tmp_path, monkeypatch, stub, words
):
    use(monkeypatch, {"bad": Pipeline(stub, stub)})
    report = run(make_job(pipelines=("bad",), trials=1), tmp_path)
    assert report.complete
    assert read_cases(tmp_path)["outcome"].to_list() == ["not_finite"] * 4
    assert words in report.failures["bad"]
    assert "case r=1.5|turn=0|pitch=0|pos=axis|trial=0" in report.failures["bad"]


def test_pipelines_with_one_detector_share_its_detection(make_job, monkeypatch):
    stub = Stub(FOUND, Estimate(Outcome.NOT_FINITE))
    use(monkeypatch, {"a": Pipeline(stub, stub), "b": Pipeline(stub, stub)})
    Worker(make_job(pipelines=("a", "b"))).run([0, 1])
    assert stub.calls == {"detect": 2, "solve": 4}


def test_pipelines_never_see_the_truth(make_job, monkeypatch):
    seen = []
    stub = Stub(
        lambda observation: seen.append(observation) or Detection(Found.MISSED),
        Estimate(Outcome.MISSED),
    )
    use(monkeypatch, {"a": Pipeline(stub, stub)})
    job = make_job(pipelines=("a",))
    Worker(job).run([0])
    assert vars(seen[0]).keys() == {"picture", "camera", "target", "sensor"}
    assert seen[0].target is job.setting.target


def test_a_pose_that_equals_the_truth_scores_zero_through_the_whole_chain(
    make_job, tmp_path, monkeypatch
):
    job = make_job(pipelines=("a",), trials=2)
    truths = iter(
        pose_of_view(view_of_case(c, job.plan, job.setting.camera), job.setting.camera)
        for c in job.plan.cases()
    )
    stub = Stub(FOUND, lambda _: Estimate(Outcome.OK, next(truths)))
    use(monkeypatch, {"a": Pipeline(stub, stub)})
    run(job, tmp_path)
    cases = read_cases(tmp_path)
    for name in ("err_rot_deg", "err_right_mm", "err_up_mm", "err_along_mm"):
        assert_allclose(cases[name].to_numpy(), 0.0, atol=1e-9)
    assert_allclose(cases["roll_est_deg"], cases["roll_true_deg"], atol=1e-9)


def test_an_unknown_pipeline_is_refused_before_anything_is_written(make_job, tmp_path):
    with pytest.raises(PlugInError):
        run(make_job(pipelines=("aruco-subpx/ippe",)), tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_pipeline_for_another_kind_of_target_is_refused(make_job, tmp_path):
    with pytest.raises(PlugInError, match="targets of kind 'marker'"):
        run(make_job(pipelines=("circles/ippe",)), tmp_path)


def test_a_pipeline_that_cannot_read_the_dictionary_is_refused(make_job, tmp_path):
    job = make_job(pipelines=("aruco-subpix/ippe", "apriltag/ippe"))
    other = build_target(MarkerDesign("DICT_4X4_50", 7))
    with pytest.raises(PlugInError, match=r"apriltag/ippe: .* doesn't read DICT_4X4_50"):
        check_pipelines(replace(job, setting=replace(job.setting, target=other)))
    check_pipelines(job)


def test_a_plan_that_does_not_fit_the_setting_is_refused(make_job, tmp_path):
    with pytest.raises(ConfigError, match="too short"):
        run(make_job(ranges_m=(0.01,)), tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "holds no run: there is no cases.parquet"),
        (b"", "can't be read as a table of cases"),
        (b"PAR1 nonsense PAR1", "can't be read as a table of cases"),
    ],
)
def test_a_directory_without_a_run_is_named(tmp_path, content, words):
    if content is not None:
        (tmp_path / "cases.parquet").write_bytes(content)
    with pytest.raises(RunError) as caught:
        read_cases(tmp_path)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_table_that_is_no_cases_table_is_named(tmp_path):
    pl.DataFrame({"key": ["a"]}).write_parquet(tmp_path / "cases.parquet")
    with pytest.raises(RunError, match="it lacks pipeline, range_m"):
        read_cases(tmp_path)


def test_an_unfinished_run_is_told_apart_from_none(make_job, tmp_path):
    run(make_job(), tmp_path, chunk=4, stop=lambda: True)
    with pytest.raises(RunError, match="holds an unfinished run"):
        read_cases(tmp_path)


def test_the_stored_plan_is_readable(make_job, reference):
    plan = json.loads((reference / "plan.json").read_text())
    assert plan["ranges_m"] == [1.5, 3.0]
    assert plan["versions"]["sightbench"]
    assert plan["target"] == make_job().plan.target


def test_what_is_left_of_a_plan_is_found_over_any_stretch(monkeypatch):
    monkeypatch.setattr("bench.survey.run.LOOK", 4)
    done = np.array([1, 0, 1, 1, 1, 1, 1, 1, 0, 1], dtype=bool)
    assert list(left(done)) == [1, 8]
    assert list(chunks_of(left(~done), 3)) == [[0, 2, 3], [4, 5, 6], [7, 9]]


@pytest.mark.slow
@pytest.mark.parametrize("executor", [InlineExecutor(), ProcessExecutor(2)])
def test_no_more_chunks_are_handed_out_than_workers_have_queued(make_job, executor):
    # else a plan of a hundred million cases would wait in memory
    handed = []

    def chunks():
        for index in range(20):
            handed.append(index)
            yield [index]

    most = QUEUED_CHUNKS * getattr(executor, "workers", 1)
    for done, _ in enumerate(executor.run(make_job(), chunks(), never)):
        assert len(handed) - done <= 2 * most  # those that wait, and those that just came back
    assert done == 19
