"""`sightbench explore`: what it says, refuses and leaves behind."""

import json
import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import urllib.request

import pytest

from bench.cli.main import main
from bench.explore.serve import listen, port_of

RUN = "from bench.cli.main import run; run()"


def test_a_port_in_use_is_refused_in_one_line(capsys):
    with listen(0) as taken:
        port = port_of(taken)
        assert main(["explore", "--no-browser", "--quiet", "--port", str(port)]) == 2
    error = capsys.readouterr().err
    assert error == (
        f"sightbench: --port: {port} is in use by another program; --port 0 takes a free one\n"
    )


def test_the_page_is_served_on_the_loopback_address_alone():
    with listen(0) as listening:
        assert listening.family == socket.AF_INET
        assert listening.getsockname()[0] == "127.0.0.1"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["missing.toml"], "missing.toml"),
        (["--port", "70000"], "70000"),
        (["--state", "range_m=-4"], "Range is -4 m; it must be a number from 0.1 to 40 m."),
        (["--state", "range_m=0.2"], "It must be above"),
        (["--state", "pipeline=charuco/ippe"], "doesn't look for"),
        (["--page", "floor"], "--page"),
        (["--map", "no-map"], "no-map"),
        (["--map", "a", "--out", "b"], "--map: not with --out"),
        (["--page", "bay", "--state", "tower.0.offset=7"], "lacks a unit"),
    ],
    ids=str,
)
def test_bad_input_is_one_line(capsys, arguments, words):
    assert main(["explore", "--no-browser", "--quiet", *arguments]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert words in error


@pytest.mark.slow
def test_ctrl_c_ends_the_server_cleanly_though_a_run_is_at_work():
    process = subprocess.Popen(
        [sys.executable, "-c", RUN, "explore", "--no-browser", "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )
    try:
        address = re.search(r"http://127\.0\.0\.1:\d+/", process.stdout.readline())
        assert address is not None
        # connections are accepted from here on, and answered once the server has begun
        with urllib.request.urlopen(address[0], timeout=60) as answer:
            assert b"live bench" in answer.read()
        run = urllib.request.Request(f"{address[0]}api/runs", method="POST")
        with urllib.request.urlopen(run, timeout=60) as answer:
            assert answer.status == 201
        process.send_signal(signal.SIGINT)
        _, error = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0
    assert error == "sightbench explore: Try out views of a target in the browser.\n"


@pytest.mark.slow
def test_the_sidecars_command_writes_the_same_files_again(tmp_path, capsys):
    first, again = tmp_path / "first", tmp_path / "again"
    assert main(["explore", "--state", "range_m=4.5&seed=3", "--out", str(first)]) == 0
    record = json.loads((first / "sightbench-explore.json").read_text())
    command = shlex.split(record["command"])
    assert command[0] == "sightbench"
    assert main([str(again) if word == "DIR" else word for word in command[1:]]) == 0
    for name in ("sightbench-explore.json", "sightbench-explore.png"):
        assert (again / name).read_bytes() == (first / name).read_bytes()
    assert capsys.readouterr().out.count("Wrote") == 4
