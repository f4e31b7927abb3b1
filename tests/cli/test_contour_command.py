import json
import re

import polars as pl
import pytest

from bench.cli.main import main
from bench.survey.looks import plan_looks

pytestmark = pytest.mark.slow

BAY = """
name = "Little bay"
standoff = "2 m"
[camera]
width = 640
height = 480
pixel_pitch = "6 um"
focal_length = "900 px"
optics.sigma = "0.8 px"
[[tower]]
name = "left"
offset = "1.5 m"
height = "1 m"
[[tower]]
name = "right"
offset = "-1.5 m"
height = "1 m"
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
ranges = "1.5, 4.5 m"
turns = "10, 50 deg"
pipelines = ["aruco-subpix/ippe-lm"]
[tolerance]
within = "1 deg"
success = 0.7
"""


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    path = tmp_path_factory.mktemp("bay") / "little.toml"
    path.write_text(BAY)
    return path


@pytest.fixture(scope="module")
def run(bay, tmp_path_factory):
    out = tmp_path_factory.mktemp("contour")
    arguments = ["contour", str(bay), "--out", str(out), "--workers", "1", "--quiet"]
    assert main([*arguments, "--levels", "1", "--looks", "2", "--trials", "80"]) == 0
    return out


def test_it_writes_tables_limits_summary_and_a_picture(run):
    names = {path.name for path in run.iterdir()}
    assert names >= {"cases.parquet", "cells.csv", "limits.json", "contour.json", "run.json"}
    assert (run / "contour.png").read_bytes().startswith(b"\x89PNG")
    summary = json.loads((run / "contour.json").read_text())["value"]
    cases = pl.read_parquet(run / "cases.parquet")
    assert summary["pictures"] == cases.height < summary["pictures_of_the_full_grid"] == 9 * 80
    assert summary["cells_tested"] == len(summary["tested"]) <= summary["cells"] == 9
    looks = plan_looks((40, 80), 0.7, 0.95)
    assert summary["looks"] == [
        {"pictures": n, "misses_to_hold": look.hold, "misses_to_fail": look.fail}
        for n, look in zip(looks.pictures, looks.looks, strict=True)
    ]


def test_limits_reads_what_it_wrote(run, capsys):
    assert main(["limits", str(run)]) == 0
    words = capsys.readouterr().out
    assert re.search(r"at 95 % confidence; 40( to 80)? pictures a cell, rolls", words)
    assert "for another question" not in words
    main(["limits", str(run), "--within", "0.3 deg"])
    assert "a run of `sightbench contour` for another question" in capsys.readouterr().out


def test_given_again_it_does_nothing_again(run, bay, capsys):
    before = (run / "cases.parquet").stat()
    arguments = ["contour", str(bay), "--out", str(run), "--levels", "1", "--looks", "2"]
    assert main([*arguments, "--trials", "80", "--quiet", "--no-pictures"]) == 0
    assert (run / "cases.parquet").stat() == before
    assert "% are saved." in capsys.readouterr().out


def test_another_tolerance_needs_another_directory(run, bay, capsys):
    arguments = ["contour", str(bay), "--out", str(run), "--levels", "1", "--looks", "2"]
    assert main([*arguments, "--trials", "80", "--within", "0.4 deg"]) == 2
    assert "within_deg is 1 there, 0.4 is asked for" in capsys.readouterr().err


def test_a_dry_run_says_what_it_would_take(bay, capsys, tmp_path):
    arguments = ["contour", str(bay), "--out", str(tmp_path / "none"), "--dry-run"]
    assert main([*arguments, "--trials", "20", "--looks", "1"]) == 0
    words = capsys.readouterr().out
    assert "4 cells given, 25 after 2 halvings" in words
    # 70 % of 20 pictures: 0.7^20 + 20 0.3 0.7^19 = 0.008, with two misses 0.035
    assert "20 pictures hold with 2 misses at most; exact for all looks together" in words
    assert re.search(r"shows a true 98 % with a chance of .*99 % and a true 99 %", words)
    assert re.search(r"time       likely about \S+ \w+, for \d+ pictures", words)
    assert re.search(r"; \S+ \w+ at least, \S+ \w+ if every cell took all", words)
    assert not (tmp_path / "none").exists()


def test_a_dry_run_says_which_looks_are_too_early_to_hold(bay, capsys, tmp_path):
    arguments = ["contour", str(bay), "--out", str(tmp_path / "none"), "--dry-run"]
    assert main([*arguments, "--trials", "400", "--success", "0.99"]) == 0
    # 0.99^200 = 0.13 > 0.05 > 0.018 = 0.99^400
    words = capsys.readouterr().out
    assert "200 pictures can't hold yet; 400 pictures hold with no miss" in words


def test_too_many_looks_for_the_trials_are_refused(bay, capsys, tmp_path):
    arguments = ["contour", str(bay), "--out", str(tmp_path)]
    assert main([*arguments, "--trials", "5", "--looks", "4"]) == 2
    assert capsys.readouterr().err.startswith("sightbench: looks: 4 looks")
