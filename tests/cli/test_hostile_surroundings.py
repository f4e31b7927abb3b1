"""What the machine does to a command: streams closed, signals, little memory, pipes for files."""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
import threading
import time

import cv2
import numpy as np
import pytest

from bench import files
from bench.cli import progress
from bench.cli.main import MAX_LINE, main
from bench.errors import RunError
from bench.files import make_directory, read_file, remove_files, settle, together, write_atomically
from bench.imaging.read import MAX_PIXELS

RUN = "from bench.cli.main import run; run()"
PATIENT_S = 120.0


def started(*arguments, code=RUN, **options):
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


@pytest.mark.slow
def test_closed_standard_streams_disturb_nobody(tmp_path):
    """What is written goes to its file, not to the descriptor that a stream left free."""
    out = tmp_path / "out"
    line = f'exec "{sys.executable}" -c "{RUN}" bay --out "{out}" >&- 2>&- <&-'
    assert subprocess.run(["sh", "-c", line], timeout=PATIENT_S).returncode == 0
    assert (out / "bay.txt").read_text(encoding="utf-8").startswith("Training workshop")


def test_a_stream_that_lacks_letters_gets_them_escaped():
    done = subprocess.run(
        [sys.executable, "-c", RUN, "bay", "\u00e9.toml"],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
        timeout=PATIENT_S,
    )
    assert done.returncode == 2
    assert b"\\xe9" in done.stderr
    assert done.stderr.count(b"\n") == 2  # what begins, what is wrong


@pytest.fixture
def heard():
    """Signals are heard, also where the tests run under nohup."""
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    yield
    signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_a_command_quietly_and_says_what_is_left(name, heard):
    code = (
        "import sys, typer, bench.cli.main as entry, time\n"
        "probe = type(sys)('bench.cli._probe')\n"
        "def command() -> None:\n"
        "    print('ready', flush=True)\n"
        "    time.sleep(100)\n"
        "probe.command = command\n"
        "sys.modules['bench.cli._probe'] = probe\n"
        "entry.COMMANDS['bay'] = ('_probe', 'A probe.')\n"
        "entry.run()"
    )
    process = started("bay", code=code)
    assert process.stdout.readline() == "ready\n"
    process.send_signal(getattr(signal, name))
    _, said = process.communicate(timeout=PATIENT_S)
    assert process.returncode == 130
    assert said.splitlines() == [
        "sightbench bay: A probe.",
        "sightbench: interrupted; nothing was written",
    ]


def test_a_signal_that_is_ignored_stays_so():
    """As nohup asks."""
    code = (
        "import signal, bench.cli.main as entry\n"
        "signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"
        "try: entry.run()\n"
        "except SystemExit: print(signal.getsignal(signal.SIGHUP) == signal.SIG_IGN)"
    )
    out, _ = started("--version", code=code).communicate(timeout=PATIENT_S)
    assert out.endswith("True\n")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_first_signal_lets_a_survey_finish_what_is_begun(number, capsys, heard):
    with progress.stop_on_interrupt() as stop:
        signal.raise_signal(number)
        assert stop()
        signal.raise_signal(signal.SIGTERM)  # who ends a group often sends it twice
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert capsys.readouterr().err.count("stopping") == 1


@pytest.mark.slow
def test_a_map_whose_whole_group_is_told_to_end_says_how_to_go_on(tmp_path):
    """Workers die of the signal too: that isn't told as a failure."""
    arguments = [
        "map",
        "--trials",
        "200",
        "--workers",
        "1",
        "--chunk",
        "8",
        "--out",
        tmp_path / "m",
    ]
    process = started(*arguments, "--no-pictures", "--quiet", start_new_session=True)
    parts = tmp_path / "m/parts"
    end = time.monotonic() + PATIENT_S
    while not (parts.exists() and list(parts.glob("*.parquet"))) and time.monotonic() < end:
        time.sleep(0.1)
    os.killpg(process.pid, signal.SIGTERM)
    _, said = process.communicate(timeout=PATIENT_S)
    assert process.returncode == 130
    assert "the same command goes on from there" in said
    assert "Traceback" not in said
    assert list(parts.glob("*.parquet"))


def test_a_pipe_that_nobody_writes_to_is_refused_at_once(tmp_path, capsys):
    pipe = tmp_path / "bay.toml"
    os.mkfifo(pipe)
    done = []
    # in a thread, so that a wait for ever would be a failure and no hang
    thread = threading.Thread(target=lambda: done.append(main(["bay", str(pipe)])), daemon=True)
    thread.start()
    thread.join(PATIENT_S)
    assert done == [2]
    assert "Is a pipe or device, not a file" in capsys.readouterr().err


def test_devices_and_folders_are_no_files(tmp_path):
    for path in (tmp_path, os.devnull):
        with pytest.raises(RunError, match="not a file"):
            read_file(tmp_path.__class__(path))


DEEP = 2000
BROKEN = {
    "brackets in TOML": ("x.toml", "a = " + "[" * DEEP + "]" * DEEP, ["bay"]),
    "tables in TOML": ("x.toml", "a = " + "{a=" * DEEP + "1" + "}" * DEEP, ["bay"]),
    "dotted keys": ("x.toml", ".".join("a" * 200_000) + " = 1", ["bay"]),
    "a long integer": ("x.toml", "a = " + "9" * 5001, ["bay"]),
    "an integer of 128 bits": ("x.toml", f"name = {2**127}", ["bay"]),
    "a hexadecimal one": ("x.toml", "a = 0x" + "f" * 300, ["bay"]),
    "brackets in a result": ("x.json", '{"sightbench": ' + "[" * DEEP, ["wheels", "--level"]),
    "a number beyond floats": ("x.json", '{"value": 1e999}', ["wheels", "--level"]),
    "brackets in a baseline": ("x.baseline", "[" * 200_000, ["verify", "compare"]),
    **{
        f"brackets in a camera, {kind}": (
            f"x.{kind.strip()}",
            text,
            ["measure", "x.png", "--target", "marker:36h11:7:200 mm", "--camera"],
        )
        for kind, text in {
            "json": '{"a": ' + "[" * 200_000,
            "yml": "%YAML:1.0\n---\na: " + "[" * 200_000,
            "yaml": "%YAML:1.0\n---\na:\n" + "".join(" " * k + "- \n" for k in range(1, 900)),
            "yaml ": "%YAML:1.0\n---\ncamera_matrix: !!opencv-matrix\n   rows: 100000\n"
            "   cols: 100000\n   dt: d\n   data: [ 1. ]\n",
            "xml": '<?xml version="1.0"?>\n<opencv_storage>' + "<a>" * 200_000,
        }.items()
    },
}


@pytest.mark.parametrize("fault", BROKEN)
def test_depth_and_length_are_bounded_before_a_parser_recurses(
    tmp_path, monkeypatch, capsys, fault
):
    name, text, command = BROKEN[fault]
    monkeypatch.chdir(tmp_path)
    (tmp_path / name).write_text(text, encoding="utf-8")
    cv2.imwrite("x.png", np.full((48, 64), 90, dtype=np.uint8))
    assert main([*command, name]) == 2
    said = capsys.readouterr().err
    assert said.startswith("sightbench: ")
    assert said.count("\n") == 1
    assert len(said) <= MAX_LINE + 1


def test_a_refusal_is_short_whatever_it_quotes(tmp_path, capsys):
    for text in ("k" * 3000 + " = 1", 'name = "' + "n" * 3000 + '"', "[" + "a" * 3000 + "]"):
        path = tmp_path / ("long" * 30) / "bay.toml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
        assert main(["bay", str(path)]) == 2
        said = capsys.readouterr().err
        assert len(said) <= MAX_LINE + 1
        assert said.startswith("sightbench: bay.toml: ")
    assert main(["bay", "--no-such-option" * 300]) == 2
    assert len(capsys.readouterr().err) <= MAX_LINE + 1


def test_libraries_keep_their_remarks_to_themselves(tmp_path, monkeypatch, capfd):
    """Neither libpng, libjpeg and libtiff nor OpenCV write beside the one line."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(18)
    noise = rng.integers(0, 255, (480, 640), dtype=np.uint8)
    (tmp_path / "camera.toml").write_text(
        '[camera]\nwidth = 640\nheight = 480\nfocal_length = "900 px"\n', encoding="utf-8"
    )
    for kind in ("png", "jpg", "tif"):
        content = bytearray(cv2.imencode(f".{kind}", noise)[1].tobytes())
        content[2000:2400] = rng.bytes(400)
        (tmp_path / f"x.{kind}").write_bytes(content)
        given = ["--camera", "camera.toml", "--target", "marker:36h11:7:200 mm", "--quiet"]
        code = main(["measure", f"x.{kind}", *given])
        said = capfd.readouterr().err
        assert said.count("\n") == (1 if code == 2 else 0), said


def test_a_huge_picture_is_refused_before_its_pixels_are_read(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    side = int(MAX_PIXELS**0.5) + 1
    # a PGM of zeros, sparse on the disk
    with (tmp_path / "x.pgm").open("wb") as file:
        file.write(f"P5 {side} {side} 255\n".encode())
        file.truncate(side * side + 20)
    assert (
        main(["measure", "x.pgm", "--camera", "c.yml", "--target", "marker:36h11:7:200 mm"]) == 2
    )
    assert "has more than 160 million pixels" in capsys.readouterr().err


def test_a_large_picture_is_announced(tmp_path, monkeypatch, capsys):
    path = tmp_path / "x.png"
    cv2.imwrite(str(path), np.zeros((20, 30), dtype=np.uint8))
    progress.say_large([path])
    assert capsys.readouterr().err == ""
    monkeypatch.setattr("bench.imaging.read.LARGE_PIXELS", 500)
    progress.say_large([path, path])
    assert "2 pictures of up to 0 million pixels" in capsys.readouterr().err


@pytest.mark.slow
def test_little_memory_is_told_in_one_line():
    """However little there is: from what doesn't hold the interpreter's libraries upward."""
    for megabytes in (500, 700, 1000, 1500):
        limit = megabytes * 10**6
        process = started(
            "aim",
            "--no-pictures",
            "--out",
            os.devnull + "/x",
            preexec_fn=lambda limit=limit: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)),
        )
        _, said = process.communicate(timeout=PATIENT_S)
        assert "Traceback" not in said.partition("stack backtrace")[0], megabytes
        # what ends in a library of C or Rust is aborted there, and nobody can say more
        assert process.returncode == 2 or process.returncode < 0


def all_together(*steps):
    with together():
        for step in steps:
            step()


def writing(path, content=b"new"):
    return lambda: write_atomically(path, content)


def failing():
    raise RunError("x")


class TestFilesWrittenTogether:
    """Outputs of a command: all of them, or none."""

    def test_they_appear_when_the_block_ends(self, tmp_path):
        with together():
            make_directory(tmp_path / "out")
            write_atomically(tmp_path / "out/a", b"a")
            assert not (tmp_path / "out/a").exists()
            assert read_file(tmp_path / "out/a") == b"a"  # a command reads what it wrote
        assert [p.name for p in (tmp_path / "out").iterdir()] == ["a"]

    def test_a_failure_leaves_what_was_there(self, tmp_path):
        old, new = tmp_path / "old", tmp_path / "new/deep"
        old.write_bytes(b"old")
        steps = (lambda: make_directory(new), writing(new / "a"), writing(old))
        with pytest.raises(RunError):
            all_together(*steps, lambda: remove_files([old]), failing)
        assert [p.name for p in tmp_path.iterdir()] == ["old"]
        assert old.read_bytes() == b"old"

    def test_a_directory_in_a_files_place_is_known_before_any_appears(self, tmp_path):
        (tmp_path / "b").mkdir()
        with pytest.raises(RunError, match="Is a directory; nothing was written"):
            all_together(writing(tmp_path / "a"), writing(tmp_path / "b"))
        assert [p.name for p in tmp_path.iterdir()] == ["b"]

    def test_what_is_settled_stays(self, tmp_path):
        with pytest.raises(RunError):
            all_together(writing(tmp_path / "a"), settle, writing(tmp_path / "b"), failing)
        assert [p.name for p in tmp_path.iterdir()] == ["a"]

    def test_what_is_settled_is_told_of(self, tmp_path):
        (tmp_path / "b").mkdir()
        with pytest.raises(RunError, match="Is a directory; what was finished is kept"):
            all_together(writing(tmp_path / "a"), settle, writing(tmp_path / "b"))

    def test_a_full_disk_leaves_none(self, tmp_path, monkeypatch):
        written, real = [], files._write

        def fills(path, content):
            written.append(path)
            if len(written) == 3:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            real(path, content)

        monkeypatch.setattr(files, "_write", fills)
        with pytest.raises(RunError, match="No space left on device; nothing was written"):
            all_together(*(writing(tmp_path / name) for name in "abc"))
        assert not list(tmp_path.iterdir())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("command", "last"),
    [
        ("proof moved plan", "moved-plan.csv"),
        ("level rehearse --trials 2", "level-sheet-letter.pdf"),
    ],
)
def test_a_file_in_the_way_leaves_nothing_half_written(tmp_path, capsys, command, last):
    """The last of a command's files can't be written: the first aren't there either."""
    out = tmp_path / "out"
    (out / last).mkdir(parents=True)
    assert main([*command.split(), "--out", str(out)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert [p.name for p in out.iterdir()] == [last]
