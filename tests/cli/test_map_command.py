import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import polars as pl
import pytest

from bench.cli.main import main

BAY = """
name = "Little bay"
standoff = "2 m"
[camera]
width = 640
height = 480
pixel_pitch = "6 um"
focal_length = "900 px"
[[tower]]
name = "left"
offset = "1.5 m"
height = "1 m"
[[tower]]
name = "right"
offset = "-1.5 m"
height = "1 m"
[camera.optics]
sigma = "0.8 px"
[[vehicle]]
name = "cart"
[[vehicle.axle]]
name = "front"
behind = "0 m"
track = "1.4 m"
wheel_height = "0.3 m"
[target]
kind = "marker"
size = "200 mm"
[survey]
ranges = "1.5, 3 m"
turns = "0, 30 deg"
trials = 30
pipelines = ["aruco-none/ippe", "aruco-subpix/ippe-lm"]
[tolerance]
within = "1 deg"
success = 0.9
"""


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    path = tmp_path_factory.mktemp("bay") / "little.toml"
    path.write_text(BAY)
    return path


@pytest.fixture(scope="module")
def told(bay, tmp_path_factory, one_process):
    """A finished run with its pictures, and what it printed on either stream."""
    directory = tmp_path_factory.mktemp("run")
    out, err = io.StringIO(), io.StringIO()
    with one_process(), redirect_stdout(out), redirect_stderr(err):
        assert main(["map", str(bay), "--out", str(directory)]) == 0
    return directory, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def run(told):
    """The run's directory."""
    return told[0]


def sightbench(*arguments: object) -> subprocess.Popen[str]:
    code = "from bench.cli.main import run; run()"
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for_parts(process: subprocess.Popen[str], directory: Path, count: int) -> None:
    while len(list(directory.glob("parts/*.parquet"))) < count:
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)


def assert_says_how_far_alone(said):
    """Hold that a log got what begins and how far it is, which slow machines are told, alone."""
    begins, *later = said.splitlines()
    assert begins.startswith("sightbench map: ")
    assert not [line for line in later if not re.search(r": [\d,]+ of [\d,]+", line)]


def test_map_writes_every_table_and_says_what_it_wrote(told):
    run, said, errors = told
    assert errors == ""  # no terminal, no progress bar
    sizes, *_, wrote, reach, face_on, parts, first, second, failures = [
        line for line in said.splitlines() if not line.startswith("warning: ")
    ]
    assert sizes.startswith("As built, sizes of a careful workshop where the bay file has no")
    assert "registration absorbs it" in parts
    assert first.startswith("What limits aruco-none/ippe, by cells:")
    assert second.startswith("What limits aruco-subpix/ippe-lm, by cells:")
    assert wrote.startswith(f"Wrote to {run}: cases.parquet, timings.parquet, run.json, cells.p")
    named = wrote.removesuffix(".").partition(": ")[2].split(", ")
    assert {"limits.json", "limits.csv", "cells.csv", "map_rotation.png"} <= set(named)
    for name in named:
        assert (run / name).stat().st_size > 0
    assert reach.startswith("At least 90 % of all pictures usable and within 1 deg (angle of the ")
    assert "30 pictures a cell, rolls spread by ±15 deg: " in reach
    assert face_on.startswith("Near face-on a camera sees little of a target's angle")
    assert failures.startswith("Gross failures:")


def test_as_drawn_leaves_noise_alone_on_the_optical_axis(bay, tmp_path, capsys):
    arguments = [
        "map",
        str(bay),
        "--as-drawn",
        "--trials",
        "2",
        "--ranges",
        "2 m",
        "--no-pictures",
    ]
    assert main([*arguments, "--out", str(tmp_path), "--workers", "1"]) == 0
    assert capsys.readouterr().out.startswith("As drawn: noise alone.")
    cases = pl.read_parquet(tmp_path / "cases.parquet")
    assert cases["position"].unique().to_list() == ["axis"]
    assert cases["bay"].null_count() == len(cases)


def test_a_bay_as_drawn_has_none_of_its_own_to_freeze(bay, tmp_path, capsys):
    arguments = ["map", str(bay), "--as-drawn", "--this-bay", "3", "--out", str(tmp_path)]
    assert main(arguments) == 2
    assert "--this-bay: a bay as drawn has nothing of its own" in capsys.readouterr().err


def test_tables_agree_with_each_other(run):
    cases = pl.read_parquet(run / "cases.parquet")
    cells = pl.read_parquet(run / "cells.parquet")
    assert cases.height == 2 * 2 * 30 * 2
    assert cells.height == 2 * 2 * 2
    assert cells["n"].sum() == cases.height
    assert cells["n_ok"].sum() == (cases["outcome"] == "ok").sum()
    assert pl.read_csv(run / "cells.csv").columns == cells.columns
    limits = json.loads((run / "limits.json").read_text())["value"]
    assert limits["asked"] == {
        "within_deg": 1.0,
        "success": 0.9,
        "confidence": 0.95,
    }
    assert len(limits["ranges"]) == pl.read_csv(run / "limits.csv").height == 2 * 2
    assert len(limits["cells"]) == cells.height


def test_mirrored_poses_are_counted_beside_what_was_predicted(run):
    cells, mirrored = (pl.read_parquet(run / f"{name}.parquet") for name in ("cells", "mirrored"))
    assert (run / "map_ambiguity.png").stat().st_size > 0
    assert pl.read_csv(run / "mirrored.csv").columns == mirrored.columns
    key = ["pipeline", "range_m", "turn_deg", "pitch_deg"]
    both = mirrored.join(cells, on=key, suffix="_cell")
    assert len(both) == len(cells)
    solved = both["n_cell"] - both["n_missed"] - both["n_wrong_id"] - both["n_not_finite"]
    assert both["n"].to_list() == solved.to_list()
    assert (both["n_wrong"] >= both["n_mirrored"]).all()  # those called ambiguous count too
    steep = both.filter(pl.col("turn_deg") > 20.0)
    assert len(steep)
    assert steep["predicted"].is_between(0.0, 0.5).all()


def test_run_json_tells_where_the_numbers_come_from(run):
    whole = json.loads((run / "run.json").read_text())
    told, bay = whole["value"], whole["sightbench"]["bay"]
    assert told["complete"] is True
    assert (told["pictures"], told["rows"]) == (120, 240)
    assert bay["name"] == "Little bay"
    assert bay["file"] == "little.toml"  # no path of the machine that ran it
    assert len(bay["digest"]) == 64
    start = told["starts"][0]
    assert {"numpy", "opencv-contrib-python-headless", "polars"} <= start["versions"].keys()
    assert start["host"]["cores"] >= 1
    assert start["report"]["added"] == 120
    assert start["started"] <= start["ended"]


def test_options_override_the_bay_file(bay, tmp_path):
    arguments = ["--ranges", "1.5 m:2 m:0.5 m", "--turns", "20 deg", "--pitches", "-10, 10 deg"]
    arguments += ["--position", "axis", "--position", "0.3,0.6", "--trials", "1", "--seed", "9"]
    arguments += ["--pipeline", "aruco-none/ippe", "--tower", "right", "--roll", "90 deg"]
    arguments += ["--roll-spread", "0 deg", "--no-pictures", "--workers", "1"]
    assert main(["map", str(bay), "--out", str(tmp_path), *arguments]) == 0
    cases = pl.read_parquet(tmp_path / "cases.parquet")
    assert sorted(cases["range_m"].unique()) == [1.5, 2.0]
    assert sorted(cases["pitch_deg"].unique()) == [-10.0, 10.0]
    assert sorted(cases["position"].unique()) == ["0.3,0.6", "axis"]
    assert cases["pipeline"].unique().to_list() == ["aruco-none/ippe"]
    assert (cases["roll_true_deg"] - 90.0).abs().max() < 1e-9
    plan = json.loads((tmp_path / "plan.json").read_text())
    assert (plan["seed"], plan["tower"], plan["trials"]) == (9, "right", 1)


def test_dry_run_prints_the_plan_and_writes_nothing(bay, tmp_path, capsys):
    out = tmp_path / "new"
    assert main(["map", str(bay), "--out", str(out), "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert "4 cells × 30 pictures = 120 pictures, 240 rows; seed 1" in said
    # 0.9^30 = 0.042, with one miss 0.18; along both ranges 0.99^60 = 0.55
    assert "30 pictures a cell show 90 % at 95 % confidence with no miss" in said
    assert "a true 99 % with a chance of 74 %, along all 2 ranges 55 %" in said
    assert "rolls      spread by ±15 deg" in said
    assert "time       about" in said
    assert not out.exists()


def test_dry_run_says_when_the_trials_cannot_decide(bay, capsys):
    # 0.9^29 = 0.047 is the first below 0.05
    assert main(["map", str(bay), "--trials", "20", "--dry-run"]) == 0
    assert "20 pictures a cell can't show 90 % at 95 % confidence: it takes 29" in (
        capsys.readouterr().out
    )


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX's")
def test_a_killed_run_is_resumed_by_the_same_command_to_the_same_tables(bay, run, tmp_path):
    arguments = ["map", bay, "--out", tmp_path, "--workers", 2, "--chunk", 2, "--no-pictures"]
    process = sightbench(*arguments)
    wait_for_parts(process, tmp_path, 3)
    process.kill()
    process.communicate()
    assert not (tmp_path / "cases.parquet").exists()
    kept = sum(pl.read_parquet(p).height for p in tmp_path.glob("parts/*.parquet"))
    assert 0 < kept < 240
    again = sightbench(*arguments)
    said, complained = again.communicate()
    assert again.returncode == 0
    assert_says_how_far_alone(complained)
    for name in ("cases.parquet", "cells.parquet"):
        assert pl.read_parquet(tmp_path / name).equals(pl.read_parquet(run / name))
    assert (tmp_path / "limits.csv").read_text() == (run / "limits.csv").read_text()
    assert "Gross failures" in said


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX's")
def test_a_client_of_a_cluster_may_be_killed_and_its_command_resumes(bay, run, cluster, tmp_path):
    arguments = ["map", bay, "--out", tmp_path, "--chunk", 2, "--no-pictures"]
    arguments += ["--scheduler", cluster.address]
    cluster.worker("first")
    process = sightbench(*arguments)
    wait_for_parts(process, tmp_path, 3)
    process.kill()
    process.communicate()
    cluster.worker("second")
    again = sightbench(*arguments)
    _, complained = again.communicate()
    assert again.returncode == 0
    assert_says_how_far_alone(complained)
    for name in ("cases.parquet", "cells.parquet"):
        assert pl.read_parquet(tmp_path / name).equals(pl.read_parquet(run / name))
    assert json.loads((tmp_path / "run.json").read_text())["value"]["starts"][-1]["workers"] == (
        cluster.address
    )


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--workers", "2"], "--workers: is for this machine"),
        ([], "--scheduler tcp://127.0.0.1:9: no Dask scheduler answers"),
    ],
)
def test_a_cluster_that_cannot_be_used_is_refused_in_a_line(
    bay, tmp_path, capsys, monkeypatch, options, words
):
    monkeypatch.setattr("bench.survey.cluster.CONNECT_S", 0.5)
    arguments = ["map", str(bay), "--out", str(tmp_path), "--scheduler", "tcp://127.0.0.1:9"]
    assert main([*arguments, *options]) == 2
    assert capsys.readouterr().err.startswith(f"sightbench: {words}")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="reads Linux's /proc")
def test_workers_end_with_a_killed_parent(bay, tmp_path):
    process = sightbench(
        "map", bay, "--out", tmp_path, "--workers", 2, "--chunk", 2, "--trials", 2000
    )
    wait_for_parts(process, tmp_path, 3)
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    workers = [
        pid for pid in children if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()
    ]
    assert len(workers) == 2
    process.kill()
    process.wait()
    deadline = time.monotonic() + 60.0  # a guard against hanging, not a measurement
    while any(_lives(pid) for pid in workers):
        assert time.monotonic() < deadline, "a worker outlived its parent"
        time.sleep(0.05)
    process.communicate()


def _lives(pid: str) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="sends SIGINT to one process")
def test_an_interrupt_finishes_what_is_begun_and_says_how_to_go_on(bay, run, tmp_path):
    arguments = ["map", bay, "--out", tmp_path, "--workers", 1, "--chunk", 2, "--no-pictures"]
    process = sightbench(*arguments)
    wait_for_parts(process, tmp_path, 2)
    process.send_signal(signal.SIGINT)
    _, complained = process.communicate()
    assert process.returncode == 130
    assert "of 120 pictures are done and kept" in complained
    assert "the same command goes on from there" in complained
    assert "Traceback" not in complained
    again = sightbench(*arguments)
    again.communicate()
    assert again.returncode == 0
    assert pl.read_parquet(tmp_path / "cases.parquet").equals(
        pl.read_parquet(run / "cases.parquet")
    )


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--ranges", "2.5"], "lacks a unit"),
        (["--ranges", "3 deg"], "'deg' is not a unit of length"),
        (["--ranges", "0.1 m"], "ranges: 0.1 m is too short for this camera and target"),
        (["--ranges", "2 m:1 m:1 m"], "stop not below start"),
        (["--ranges", "1 m:2 m"], "write start:stop:step"),
        (["--ranges", "1 m:100 m:1 mm"], "entries, at most 1000 are taken"),
        (["--ranges", "-2 m"], "ranges: -2 m is not a positive length"),
        (["--turns", "89 deg"], "turns: 89 deg is beyond ±88 deg"),
        (["--turns", "10, 10 deg"], "turns: a value is given twice"),
        (["--position", "2,0.5"], "position: 2, 0.5 lies outside the frame"),
        (["--position", "middle"], "position 'middle': write 'axis'"),
        (["--pipeline", "aruco-subpx/ippe"], "aruco-subpix"),
        (["--pipeline", "aruco-subpix"], "detector/solver"),
        (["--pipeline", "circles/ippe"], "targets of kind 'marker'"),
        (["--tower", "middle"], "no tower 'middle'; it has left, right"),
        (["--trials", "0"], "--trials"),
        (["--roll", "200 deg"], "'200 deg' lies outside the limits, from -180 deg"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(bay, tmp_path, capsys, arguments, words):
    out = tmp_path / "new"
    assert main(["map", str(bay), "--out", str(out), *arguments]) == 2
    complained = capsys.readouterr().err
    assert words in complained
    assert complained.count("\n") == 1
    assert not out.exists()


def test_a_directory_of_another_plan_is_refused_with_what_differs(bay, run, capsys):
    before = {path.name: path.stat().st_mtime_ns for path in run.iterdir()}
    assert main(["map", str(bay), "--out", str(run), "--trials", "31"]) == 2
    complained = capsys.readouterr().err
    assert "trials is 30 there, 31 is asked for" in complained
    assert complained.count("\n") == 1
    assert {path.name: path.stat().st_mtime_ns for path in run.iterdir()} == before


def test_an_out_that_is_a_file_is_named(bay, tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["map", str(bay), "--out", str(tmp_path / "file")]) == 2
    assert str(tmp_path / "file") in capsys.readouterr().err
