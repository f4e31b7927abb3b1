"""`sightbench choose` from the command line, on a small bay."""

import json
import os
import signal
import subprocess
import sys
import time

import polars as pl
import pytest

from bench.choice.candidates import default_trials
from bench.cli.choose import read_plate
from bench.cli.main import main
from bench.errors import BenchError
from bench.scene.load import load_bay
from bench.survey.statistics import exact_bounds
from bench.survey.verdicts import Request
from bench.targets.fill import Plate

pytestmark = pytest.mark.slow

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
plate = ["250 mm", "250 mm"]
white = 0.8
[survey]
ranges = "1, 1.5, 3 m"
turns = "0, 40 deg"
trials = 5
pipelines = ["aruco-none/ippe"]
seed = 3
[tolerance]
within = "1 deg"
success = 0.9
"""
QUICK = ["--candidate", "marker:36h11:0", "--candidate", "circles:4x4:symmetric"]
QUICK += ["--pipeline", "aruco-subpix/ippe-lm", "--pipeline", "circles/ippe-lm"]
QUICK += ["--workers", "2"]


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    path = tmp_path_factory.mktemp("bay") / "little.toml"
    path.write_text(BAY)
    return path


@pytest.fixture(scope="module")
def run(bay, tmp_path_factory):
    """A finished comparison: its directory and exit code."""
    directory = tmp_path_factory.mktemp("run")
    return directory, main(["choose", str(bay), "--out", str(directory), *QUICK])


def again(run, bay, *options):
    """Return the exit code of asking a finished comparison again."""
    return main(["choose", str(bay), "--out", str(run[0]), *QUICK, "--no-pictures", *options])


def test_comparison_writes_what_it_says_it_wrote_and_recommends(run, bay, capsys):
    directory, code = run
    assert code == 0
    assert again(run, bay) == 0
    said = capsys.readouterr()
    assert said.err == ""
    sizes, wrote, asked, *rest = said.out.splitlines()
    assert sizes.startswith("As built")
    assert wrote == (
        f"Wrote to {directory}: choice.csv, choice.json; runs in marker-36h11-0/, "
        "circles-4x4-symmetric/."
    )
    assert asked == (
        "Plate of 250 x 250 mm; at least 90 % of all pictures usable and within 1 deg (angle of "
        "the rotation error), at 95 % confidence; n = 46 pictures a cell, rolls spread by "
        "±15 deg, seed 3."
    )
    assert sum(line.startswith("What limits ") for line in rest) == 2
    assert any(line.startswith(("Recommended: ", "Undecided, but first")) for line in rest)
    assert any(line.startswith("Not in the map: ") for line in rest)
    assert (directory / "choice.png").stat().st_size > 0


def test_tables_agree_with_each_other_and_with_the_runs(run):
    directory, _ = run
    table = pl.read_csv(directory / "choice.csv")
    whole = json.loads((directory / "choice.json").read_text())
    told = whole["value"]
    assert table.height == len(told["limits"]) == 2 * 2  # drawings by tilts
    assert told["verdict"] == "holds"
    assert whole["sightbench"]["seed"] == 3
    assert told["ranges_m"] == [1.0, 1.5, 3.0]
    for candidate in told["candidates"]:
        limits = json.loads((directory / candidate["directory"] / "limits.json").read_text())[
            "value"
        ]
        mine = table.filter(pl.col("candidate") == candidate["name"]).sort("turn_deg")
        assert mine["longest_range_m"].to_list() == [
            row["longest_range_m"] for row in sorted(limits["ranges"], key=lambda r: r["turn_deg"])
        ]


def test_drawings_were_seen_in_the_same_views(run):
    directory, _ = run
    truth = ["key", "range_true_m", "turn_true_deg", "pitch_true_deg", "roll_true_deg"]
    tables = [
        pl.read_parquet(directory / folder / "cases.parquet").select(truth).sort("key")
        for folder in ("marker-36h11-0", "circles-4x4-symmetric")
    ]
    assert tables[0].equals(tables[1])
    assert tables[0].height == 3 * 2 * 46


def test_plate_has_the_bays_reflectances_and_drawings_fill_it(run):
    told = json.loads((run[0] / "choice.json").read_text())["value"]
    assert told["plate_m"] == [0.25, 0.25]
    assert [c["name"] for c in told["candidates"]] == [
        "marker 36h11-0, 200 mm",
        # 250 mm / 4.5 pitches, rounded down
        "symmetric circles 4 x 4, 55.5 mm",
    ]


def test_finished_runs_answer_other_tolerances_without_rendering(run, bay, capsys):
    before = (run[0] / "marker-36h11-0" / "cases.parquet").stat().st_mtime_ns
    assert again(run, bay, "--within", "0.0001 deg") == 1
    out = capsys.readouterr().out
    assert "None: no drawing holds at the shortest range of any tilt; nearest comes " in out
    # 46 of 46 can't show 0.95
    assert again(run, bay, "--success", "0.95", "--trials", "46") == 3
    assert "Undecided: no drawing surely holds" in capsys.readouterr().out
    assert (run[0] / "marker-36h11-0" / "cases.parquet").stat().st_mtime_ns == before
    marker = str(run[0] / "marker-36h11-0")
    assert main(["limits", marker, "--within", "2 deg", "--success", "0.9"]) == 0
    assert again(run, bay) == 0  # as it was


def test_higher_rate_asks_for_more_pictures_than_there_are(run, bay, capsys):
    assert again(run, bay, "--success", "0.95") == 2
    assert "trials is 46 there, 93 is asked for" in capsys.readouterr().err


def test_another_plate_needs_another_directory(run, bay, capsys):
    assert again(run, bay, "--plate", "240 mm") == 2
    message = capsys.readouterr().err
    assert "holds a run of another plan: " in message
    assert "target is" in message
    assert message.count("\n") == 1


@pytest.mark.slow
def test_stopped_comparison_keeps_what_is_done_and_goes_on(bay, tmp_path):
    options = [*map(str, ("choose", bay, "--out", tmp_path)), *QUICK, "--no-pictures"]
    options += ["--trials", "10", "--chunk", "2", "--workers", "1"]
    code = "from bench.cli.main import run; run()"
    process = subprocess.Popen(
        [sys.executable, "-c", code, *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    while not list(tmp_path.glob("*/parts/*.parquet")):
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGINT)
    out, error = process.communicate(timeout=120)
    assert process.returncode == 130
    assert out.startswith("As built, ")  # what is surveyed, and no verdict
    assert out.count("\n") == 1
    assert "the same command goes on from there" in error
    assert "of 120 pictures are done and kept" in error
    assert main(options) == 3  # ten pictures can't show 90 %
    told = json.loads((tmp_path / "marker-36h11-0" / "run.json").read_text())["value"]
    assert len(told["starts"]) == 2
    assert told["starts"][1]["report"]["found"] > 0


def test_dry_run_prints_the_plan_and_writes_nothing(bay, tmp_path, capsys):
    out = tmp_path / "new"
    assert main(["choose", str(bay), "--out", str(out), *QUICK, "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert not out.exists()
    assert "marker 36h11-0, 200 mm: aruco-subpix/ippe-lm" in said
    assert "2 drawings × 6 cells × 46 pictures = 552 pictures; seed 3" in said
    assert "46 pictures a cell show 90 % at 95 % confidence with 1 miss at most" in said


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--candidate", "grid:36h11:2x2:200 mm:1 mm"], "smaller than the pattern"),
        (["--candidate", "square:1"], "the kind must be marker or grid or charuco or circles"),
        (["--candidate", "marker:36h11:9999"], "ids 0 to 586"),
        (["--plate", "25"], "lacks a unit"),
        (["--plate", "1 m x 1 m x 1 m"], "must be a width and a height"),
        (["--plate", "0 mm"], "plate width must be finite and positive"),
        (["--candidate", "bay", "--plate", "1 m"], "own target is on a plate of 250 x 250 mm"),
        (["--ranges", "0.1 m"], "candidate marker:36h11:0: ranges: 0.1 m is too short"),
        (["--within", "0 deg"], "'0 deg' lies outside the limits, above 0 deg to 90 deg"),
        (["--success", "1"], "success: 1 lies outside 0 to 1"),
        (["--tower", "north"], "no tower 'north'"),
        (
            ["--pipeline", "circles/ippe-lm"],
            "candidate marker:36h11:0: pipeline circles/ippe-lm: ",
        ),
        (["--pipeline", "circles"], "the form is detector/solver"),
        (["--turns", "89 deg"], "89 deg is beyond"),
    ],
)
def test_bad_input_is_one_line_and_writes_nothing(bay, tmp_path, capsys, options, says):
    out = tmp_path / "none"
    assert main(["choose", str(bay), "--out", str(out), *options]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert says in said.err
    assert said.err.count("\n") == 1
    assert not out.exists()


@pytest.mark.parametrize(
    ("text", "size"),
    [(None, (0.25, 0.25)), ("300 mm", (0.3, 0.3)), ("300 x 200 mm", (0.3, 0.2)), ("12 in", None)],
)
def test_plate_is_one_side_or_two(bay, text, size):
    own = Plate.of(load_bay(bay).target)
    plate = read_plate(load_bay(bay), text)
    assert plate.size == ((0.3048, 0.3048) if size is None else size)
    assert (plate.white, plate.black, plate.background) == (0.8, own.black, own.background)


@pytest.mark.parametrize("text", ["", "x", "large", "1 m x", "-1 m"])
def test_plate_that_is_no_size_is_refused(bay, text):
    with pytest.raises(BenchError):
        read_plate(load_bay(bay), text)


@pytest.mark.parametrize(("success", "confidence"), [(0.95, 0.95), (0.99, 0.99)])
def test_default_trials_show_the_rate_with_one_miss(success, confidence):
    n = default_trials(Request(0.05, success, confidence))
    assert exact_bounds(n - 1, n, confidence)[0] >= success
    assert exact_bounds(n - 2, n - 1, confidence)[0] < success


def test_help_teaches_the_drawings_and_the_codes(capsys):
    assert main(["choose", "--help"]) == 0
    said = capsys.readouterr().out
    for words in ("marker:36h11:0", "circles:5x5:symmetric", "Ends with 0", "Examples:"):
        assert words in said
