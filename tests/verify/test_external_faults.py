"""What other people's programs do wrong: each ends as a named fault, and nothing hangs."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from bench.detect.observation import Observation
from bench.errors import ConfigError, PlugInError, RunError
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.targets.design import MarkerDesign, build_target
from bench.verify.external import MAX_LOST_AT_FIRST, ExternalPipeline
from bench.verify.protocol_answer import ExternalError, Fault

# A program's own start may take seconds on a busy machine; nobody waits unless it hangs.
PATIENT_S = 120.0
# For programs that never answer: any time does, they are never heard.
HASTY_S = 0.3

PRELUDE = """
import json, os, signal, sys, time
def say(text):
    sys.stdout.write(text); sys.stdout.flush()
def answer(request, **content):
    return json.dumps({"id": request["id"], **(content or {"missed": True})}) + "\\n"
"""
LOOP = PRELUDE + "for line in sys.stdin:\n    request = json.loads(line)\n"


@pytest.fixture
def observation() -> Observation:
    picture = Picture(np.full((12, 16), 90, dtype=np.uint8))
    return Observation(picture, Camera(16, 12, 20.0, 20.0, 7.5, 5.5), build_target(MarkerDesign()))


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Callable[..., ExternalPipeline]]:
    """A maker of pipelines that run the given Python, for each request with `loop`."""
    made: list[ExternalPipeline] = []

    def make(code: str, *, loop: bool = True, **options: object) -> ExternalPipeline:
        script = tmp_path / f"program{len(made)}.py"
        body = "".join(f"    {row}\n" for row in code.splitlines()) if loop else code
        script.write_text((LOOP if loop else PRELUDE) + body)
        limits = {"timeout_s": PATIENT_S, "start_s": 0.0} | options
        # -S -E: no site packages, which take long to look through
        made.append(ExternalPipeline([sys.executable, "-S", "-E", str(script)], **limits))
        return made[-1]

    yield make
    for pipeline in made:
        pipeline.close()


FAULTS = {
    "hangs": ("time.sleep(1000)", Fault.TIMEOUT, "no answer within"),
    "half a line": (
        'say(\'{"id": 1, "mis\'); time.sleep(1000)',
        Fault.TIMEOUT,
        "no answer within",
    ),
    "half a line, then exits": (
        "say('{\"id\": 1'); sys.exit(0)",
        Fault.DIED,
        r"exited with code 0, after half a line \(8 bytes\)",
    ),
    "dies by a signal": (
        "os.kill(os.getpid(), signal.SIGSEGV)",
        Fault.DIED,
        "killed by SIGSEGV",
    ),
    "exits early": (
        "sys.stderr.write('no\\nlicence\\n'); sys.exit(3)",
        Fault.DIED,
        "exited with code 3; its last words: licence",
    ),
    "closes its output": (
        "os.close(1); time.sleep(1000)",
        Fault.CLOSED,
        "it runs on, but can't answer",
    ),
    "garbage": ("say('hello\\n')", Fault.GARBAGE, "not a JSON object: 'hello'"),
    "bytes that are no text": (
        "sys.stdout.buffer.write(b'\\xff\\xfe\\x00\\n'); sys.stdout.flush()",
        Fault.GARBAGE,
        "not a JSON object",
    ),
    "nested beyond measure": ("say('[' * 100000 + '\\n')", Fault.GARBAGE, "not a JSON object"),
    "a number of ten thousand digits": (
        "say('{\"id\": ' + '9' * 10000 + '}\\n')",
        Fault.GARBAGE,
        "not a JSON object",
    ),
    "another request's id": (
        "request['id'] = 77; say(answer(request))",
        Fault.WRONG_ID,
        "request 1 was answered with id '77'",
    ),
    "answers twice": ("say(2 * answer(request))", Fault.TWICE, "more than one line"),
    "floods its output": (
        "while True: say('x' * 65536)",
        Fault.TOO_LONG,
        "more than 1048576 bytes",
    ),
    "floods with lines": ("while True: say('x\\n' * 9999)", Fault.GARBAGE, "object: 'x'"),
    "not a number": (
        "say(answer(request, corners={'0.0': [float('nan'), 1]}))",
        Fault.NOT_FINITE,
        r"corners\.0\.0\.0: 'nan' should be a finite number",
    ),
    "a corner that can't be meant": (
        "say(answer(request, corners={'0.0': [1e308, 1]}))",
        Fault.NOT_FINITE,
        r"corners\.0\.0\.0: '1e\+308' should be less than or equal to 1000000",
    ),
    "a pose that can't be meant": (
        "say(answer(request, pose={'rotation': [[1, 0, 0], [0, -1, 0], [0, 0, -1]], "
        "'translation': [0, 0, 1e308]}))",
        Fault.NOT_FINITE,
        r"pose\.translation\.2: '1e\+308' should be less than or equal to 1000000",
    ),
    "reports an error": (
        "say(answer(request, error='out of film'))",
        Fault.ERROR,
        "'out of film'",
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", FAULTS)
def test_a_program_that(name, program, observation):
    code, fault, message = FAULTS[name]
    hangs = "sleep(1000)" in code
    if fault is Fault.CLOSED:
        hangs = False  # seen by the end of its output, at once
    pipeline = program(code, timeout_s=HASTY_S if hangs else PATIENT_S)
    with pytest.raises(ExternalError, match=message) as caught:
        pipeline.detect(observation)
    assert caught.value.fault is fault
    assert isinstance(caught.value, PlugInError)  # what surveys count and go on from
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300
    assert pipeline.external.faults == {fault: 1}
    assert list(temporary_folder(pipeline).iterdir()) == []  # the picture is gone


def temporary_folder(pipeline: ExternalPipeline) -> Path:
    folder = pipeline.external._folder
    assert folder is not None
    return folder


def test_a_flood_on_standard_error_does_no_harm(program, observation):
    pipeline = program("sys.stderr.write('x' * 5_000_000 + '\\n'); say(answer(request))")
    for _ in range(2):
        assert pipeline.detect(observation).found == "missed"
    assert len(pipeline.external._process._noise) <= 4096


def test_an_endless_flood_on_standard_error_ends_with_the_time(program, observation):
    pipeline = program("while True: sys.stderr.write('y' * 65536)", timeout_s=HASTY_S)
    with pytest.raises(ExternalError) as caught:
        pipeline.detect(observation)
    assert caught.value.fault is Fault.TIMEOUT


def test_a_crash_costs_one_case_and_the_next_meets_a_fresh_process(program, observation, tmp_path):
    flag = tmp_path / "crashed"
    pipeline = program(
        f"if not os.path.exists({str(flag)!r}):\n"
        f"    open({str(flag)!r}, 'w').close(); os.abort()\n"
        "say(answer(request))"
    )
    with pytest.raises(ExternalError, match="killed by SIGABRT"):
        pipeline.detect(observation)
    assert pipeline.detect(observation).found == "missed"
    first = pipeline.external._process.pid
    assert pipeline.detect(observation).found == "missed"
    assert pipeline.external._process.pid == first  # reused


def test_a_command_that_only_crashes_is_given_up(program, observation, tmp_path):
    log = tmp_path / "starts"
    pipeline = program(f"open({str(log)!r}, 'a').write('s'); sys.exit(1)", loop=False)
    kinds = []
    for _ in range(MAX_LOST_AT_FIRST + 2):
        with pytest.raises(ExternalError) as caught:
            pipeline.detect(observation)
        kinds.append(caught.value.fault)
    assert kinds == [Fault.DIED] * MAX_LOST_AT_FIRST + [Fault.GIVEN_UP] * 2
    assert log.read_text() == "s" * MAX_LOST_AT_FIRST


def test_a_refused_answer_keeps_the_process(program, observation):
    pipeline = program("say(answer(request, corners={'nose': [1, 2]}))")
    pids = set()
    for _ in range(2):
        with pytest.raises(ExternalError, match=r"no point 'nose'; it has 0\.0, 0\.1") as caught:
            pipeline.detect(observation)
        assert caught.value.fault is Fault.BROKEN
        pids.add(pipeline.external._process.pid)
    assert len(pids) == 1


def test_a_second_answer_that_comes_late_is_met_by_the_next_request(program, observation):
    pipeline = program(
        "say(answer(request))\ntime.sleep(0.01)\nsay(answer(request))\n"
        "open(request['image'] + '.said', 'w').close()"
    )

    def ask_twice():
        pipeline.detect(observation)
        said = temporary_folder(pipeline) / "1.png.said"
        deadline = time.monotonic() + PATIENT_S
        while not said.exists() and time.monotonic() < deadline:
            time.sleep(0.01)
        pipeline.detect(observation)

    # both lines may come at once, on a machine busy enough: then it is the first that fails
    with pytest.raises(ExternalError) as caught:
        ask_twice()
    assert caught.value.fault is Fault.TWICE


def test_children_of_the_program_end_with_it(program, observation, tmp_path):
    note = tmp_path / "pid"
    pipeline = program(
        "child = os.fork()\n"
        "if child == 0:\n"
        "    time.sleep(1000)\n"
        f"open({str(note)!r}, 'w').write(str(child))\n"
        "say(answer(request))"
    )
    pipeline.detect(observation)
    pipeline.close()
    child = int(note.read_text())
    deadline = time.monotonic() + PATIENT_S
    while _runs(child) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not _runs(child)


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"  # an orphan waits for whoever adopted it


def test_a_program_deaf_to_the_end_of_its_input_is_killed(program, observation):
    pipeline = program(
        "signal.signal(signal.SIGTERM, signal.SIG_IGN)\nsay(answer(request))\ntime.sleep(1000)"
    )
    pipeline.detect(observation)
    pid = pipeline.external._process.pid
    pipeline.close()
    assert not _runs(pid)


def test_closing_removes_temporary_files_and_a_later_request_starts_anew(program, observation):
    pipeline = program("say(answer(request))")
    pipeline.detect(observation)
    folder, pid = temporary_folder(pipeline), pipeline.external._process.pid
    pipeline.close()
    pipeline.close()
    assert not folder.exists()
    assert pipeline.detect(observation).found == "missed"
    assert pipeline.external._process.pid != pid


def test_a_copy_in_another_process_starts_its_own(program, observation):
    pipeline = program("say(answer(request))")
    pipeline.detect(observation)
    copy = pickle.loads(pickle.dumps(pipeline))
    with copy:
        assert copy.name == pipeline.name
        assert copy.external._process is None
        copy.detect(observation)
        assert copy.external._process.pid != pipeline.external._process.pid


def test_an_error_survives_the_way_between_processes():
    error = pickle.loads(pickle.dumps(ExternalError(Fault.DIED, "killed by SIGSEGV")))
    assert error.fault is Fault.DIED
    assert str(error) == "died: killed by SIGSEGV"


def test_no_room_for_the_picture_is_not_the_program_s_fault(program, observation, monkeypatch):
    pipeline = program("say(answer(request))")

    def full(*_: object) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(RunError, match="can't write a picture: No space left"):
        pipeline.detect(observation)
    assert not pipeline.external.faults


@pytest.mark.parametrize(
    ("command", "message"),
    [
        ("", "it is empty"),
        ("no-such-program-at-all --x", "no program 'no-such-program-at-all'"),
        ("echo 'open", "No closing quotation"),
    ],
)
def test_a_command_that_can_not_be_run_is_refused_at_once(command, message):
    with pytest.raises(ConfigError, match=message):
        ExternalPipeline(command)


@pytest.mark.parametrize("times", [{"timeout_s": 0.0}, {"timeout_s": np.nan}, {"start_s": -1.0}])
def test_times_must_be_positive(times):
    with pytest.raises(ConfigError, match="time-out must be above 0 s"):
        ExternalPipeline("cat", **times)


def test_the_terminal_s_interrupt_does_not_reach_the_program(program, observation):
    before = signal.getsignal(signal.SIGINT)  # ignored, where the tests run in the background
    pipeline = program("say(answer(request))")
    pipeline.detect(observation)
    assert os.getpgid(pipeline.external._process.pid) != os.getpgid(0)
    assert signal.getsignal(signal.SIGINT) is before
