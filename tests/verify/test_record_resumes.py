import errno
import functools
import json
import os
from dataclasses import replace

import numpy as np
import pytest

from bench.errors import PlugInError, RunError
from bench.geometry.pose import Pose
from bench.solve.pipeline import pipeline_from_name
from bench.verify import baseline as baseline_module
from bench.verify.baseline import header_of, read_baseline, write_baseline
from bench.verify.external import ExternalPipeline
from bench.verify.record import record
from bench.verify.rows import NAMES, CaseRow

PIPELINE = functools.partial(pipeline_from_name, "aruco-subpix/ippe-lm")


@pytest.fixture
def recorded(tiny_suite, tmp_path):
    path = tmp_path / "whole.baseline"
    assert record(tiny_suite, PIPELINE, path).complete
    return path


def test_a_recording_has_every_case_and_what_it_was_made_with(tiny_suite, recorded):
    found = read_baseline(recorded)
    assert len(found.rows) == tiny_suite.cases
    assert found.pipeline == "aruco-subpix/ippe-lm"
    assert {row.outcome for row in found.rows.values()} <= {"ok", "clean"}
    assert found.environment["libraries"]["numpy"]
    assert "cpu_features" in found.environment
    assert "threads" in found.environment
    assert not recorded.with_name("whole.baseline.partial").exists()


class OddOnce:
    """The pipeline as it is, but for one answer that no picture can mean."""

    name = "aruco-subpix/ippe-lm"

    def __init__(self, estimate):
        self.real, self.estimate, self.asked = PIPELINE(), estimate, 0

    def run(self, observation):
        detection, estimate = self.real.run(observation)
        self.asked += 1
        return detection, self.estimate(estimate) if self.asked == 2 else estimate


def pose_at(z):
    R = np.diag([1.0, -1.0, -1.0])
    return lambda estimate: replace(estimate, T_camera_target_est=Pose(R, np.array([0, 0, z])))


@pytest.mark.parametrize(
    "estimate",
    [
        pose_at(1e308),
        pose_at(1e200),
        lambda estimate: replace(estimate, covariance=np.full((6, 6), 1e308)),
        lambda estimate: replace(estimate, covariance=np.full((6, 6), np.nan)),
        lambda estimate: replace(estimate, covariance=np.zeros((2, 3))),
    ],
)
def test_one_answer_that_cannot_be_scored_is_that_cases_fault(
    tiny_suite, recorded, tmp_path, estimate
):
    path = tmp_path / "odd.baseline"
    done = record(tiny_suite, lambda: OddOnce(estimate), path)
    assert done.complete
    good, odd = read_baseline(recorded).rows, read_baseline(path).rows
    changed = [key for key in good if str(odd[key].values) != str(good[key].values)]
    assert changed in ([], list(good)[1:2])  # all others are as they were
    assert len(done.failures) <= 1


def test_recording_again_gives_the_same_bytes(tiny_suite, recorded, tmp_path):
    again = tmp_path / "again.baseline"
    record(tiny_suite, PIPELINE, again)
    assert again.read_bytes() == recorded.read_bytes()


@pytest.mark.slow
def test_other_processes_give_the_same_bytes(tiny_suite, recorded, tmp_path):
    again = tmp_path / "apart.baseline"
    record(tiny_suite, PIPELINE, again, workers=2, chunk=4)
    assert again.read_bytes() == recorded.read_bytes()


def test_a_stopped_recording_goes_on_and_ends_the_same(tiny_suite, recorded, tmp_path):
    path = tmp_path / "stopped.baseline"
    asked = []

    def stop():
        asked.append(True)
        return len(asked) > 2

    first = record(tiny_suite, PIPELINE, path, stop=stop, chunk=2)
    assert (first.added, first.complete) == (4, False)
    assert not path.exists()
    second = record(tiny_suite, PIPELINE, path, chunk=2)
    assert (second.found, second.added, second.complete) == (4, 4, True)
    assert path.read_bytes() == recorded.read_bytes()


def test_a_full_disk_loses_nothing_that_was_recorded(tiny_suite, recorded, tmp_path, monkeypatch):
    path = tmp_path / "full.baseline"
    calls = []

    def full(number):
        calls.append(number)
        if len(calls) > 3:  # the journal's start, and two chunks
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(baseline_module.os, "fsync", full)
    with pytest.raises(RunError, match="No space left on device; what was finished is kept"):
        record(tiny_suite, PIPELINE, path, chunk=2)
    monkeypatch.undo()
    resumed = record(tiny_suite, PIPELINE, path, chunk=2)
    assert resumed.found >= 4
    assert path.read_bytes() == recorded.read_bytes()


def test_a_disk_full_at_the_very_end_keeps_all_cases(tiny_suite, recorded, tmp_path, monkeypatch):
    path = tmp_path / "end.baseline"

    def full(path, content):
        raise RunError(f"{path}: can't be written: No space left on device")

    write = baseline_module.write_atomically
    monkeypatch.setattr(
        baseline_module,
        "write_atomically",
        lambda p, c: write(p, c) if p.suffix == ".partial" else full(p, c),
    )
    with pytest.raises(RunError, match="No space left"):
        record(tiny_suite, PIPELINE, path)
    monkeypatch.undo()
    assert record(tiny_suite, PIPELINE, path).found == tiny_suite.cases
    assert path.read_bytes() == recorded.read_bytes()


def test_half_a_line_of_a_killed_recording_is_done_again(tiny_suite, recorded, tmp_path):
    path = tmp_path / "killed.baseline"
    lines = recorded.read_bytes().splitlines(keepends=True)
    path.with_name("killed.baseline.partial").write_bytes(b"".join(lines[:4]) + lines[4][:20])
    resumed = record(tiny_suite, PIPELINE, path)
    assert resumed.found == 3
    assert path.read_bytes() == recorded.read_bytes()


def test_an_unfinished_recording_of_another_pipeline_is_left_alone(tiny_suite, recorded, tmp_path):
    path = tmp_path / "other.baseline"
    partial = path.with_name("other.baseline.partial")
    partial.write_bytes(b"".join(recorded.read_bytes().splitlines(keepends=True)[:3]))
    before = partial.read_bytes()
    with pytest.raises(RunError, match="an unfinished recording with another pipeline"):
        record(tiny_suite, functools.partial(pipeline_from_name, "apriltag/ippe-lm"), path)
    assert partial.read_bytes() == before
    assert (
        record(
            tiny_suite,
            functools.partial(pipeline_from_name, "apriltag/ippe-lm"),
            path,
            restart=True,
        ).found
        == 0
    )


@pytest.mark.parametrize("kept", [0.3, 0.6, 0.99])
def test_a_baseline_cut_short_is_refused_and_says_so(recorded, kept):
    content = recorded.read_bytes()
    recorded.write_bytes(content[: int(kept * len(content))])
    with pytest.raises(RunError, match=r"cut short|isn't a baseline"):
        read_baseline(recorded)


def test_a_baseline_changed_by_hand_is_refused(recorded):
    recorded.write_text(recorded.read_text().replace('"ok"', '"missed"', 1))
    with pytest.raises(RunError, match="damaged"):
        read_baseline(recorded)


def test_a_baseline_of_a_later_schema_is_refused(recorded):
    recorded.write_text(recorded.read_text().replace('"schema":2', '"schema":3', 1))
    with pytest.raises(RunError, match=r"later version \(schema 3\); this one reads up to 2"):
        read_baseline(recorded)


def test_columns_and_facts_that_a_later_version_adds_are_passed_over(tiny_suite, recorded):
    before = read_baseline(recorded)
    lines = recorded.read_text().splitlines()
    header = json.loads(lines[0])
    header["columns"] = ["colour", *header["columns"]]
    header["mood"] = "new"
    rows = [json.loads(line) for line in lines[1:-1]]
    body = "".join(
        json.dumps(x, separators=(",", ":")) + "\n"
        for x in [header, *([k, o, 7.5, *rest] for k, o, *rest in rows)]
    )
    digest = baseline_module._digest(body.encode())
    recorded.write_text(body + json.dumps({"end": len(rows), "digest": digest}) + "\n")
    after = read_baseline(recorded)
    for key, row in before.rows.items():
        assert str(after.rows[key].values) == str(row.values)  # NaN equals NaN as text


def test_a_baseline_of_another_suite_is_refused(tiny_suite, tiny_file, recorded):
    from bench.verify.suite import load_suite

    tiny_file.write_text(tiny_file.read_text().replace("seed = 4", "seed = 5"))
    with pytest.raises(RunError, match=r"recorded on suite 'tiny' .*, not on 'tiny' .* as it is"):
        read_baseline(recorded).belongs_to(load_suite(tiny_file), recorded)


@pytest.mark.parametrize("content", [b"", b"\x89PNG\r\n", b"{}\n", b"[1, 2]\n" * 3])
def test_what_is_no_baseline_is_refused(tmp_path, content):
    path = tmp_path / "x.baseline"
    path.write_bytes(content)
    with pytest.raises(RunError, match="isn't a baseline"):
        read_baseline(path)


def test_a_pipeline_that_does_not_exist_is_refused_before_anything_is_written(
    tiny_suite, tmp_path
):
    with pytest.raises(PlugInError, match="did you mean aruco-subpix"):
        record(
            tiny_suite,
            functools.partial(pipeline_from_name, "aruco-subpx/ippe-lm"),
            tmp_path / "x.baseline",
        )
    assert list(tmp_path.glob("x*")) == []


def test_failures_of_a_pipeline_are_outcomes_and_the_rest_goes_on(tiny_suite, tmp_path):
    class Broken:
        name = "broken/pipeline"

        def run(self, observation):
            raise PlugInError("detector broken raised ValueError: no")

    done = record(tiny_suite, Broken, tmp_path / "x.baseline")
    rows = read_baseline(tmp_path / "x.baseline").rows.values()
    assert {row.outcome for row in rows} == {"no_answer"}
    assert len(done.failures) == tiny_suite.cases
    assert done.failures[0] == ("plain|00000", "detector broken raised ValueError: no")


def test_an_external_command_that_answers_garbage_is_recorded_as_such(tiny_suite, tmp_path):
    # `cat` answers every question with the question
    done = record(
        tiny_suite, functools.partial(ExternalPipeline, "cat", 5.0), tmp_path / "cat.baseline"
    )
    rows = read_baseline(tmp_path / "cat.baseline").rows.values()
    assert done.complete
    assert {row.outcome for row in rows} == {"no_answer"}
    assert len(done.failures) == tiny_suite.cases


def test_recordings_from_before_there_was_no_answer_are_read_as_such(tiny_suite, tmp_path):
    nothing = (0.0, *[np.nan] * (len(NAMES) - 1))
    rows = [
        CaseRow("plain|00000", "not_finite", nothing),  # the pipeline failed
        CaseRow("plain|00001", "not_finite", (4.0, *nothing[1:])),  # no pose of four points
    ]
    path = tmp_path / "old.baseline"
    write_baseline(path, header_of(tiny_suite, "d/s", 0, {}), rows)
    read = read_baseline(path).rows.values()
    assert [row.outcome for row in read] == ["no_answer", "not_finite"]
