import json

import numpy as np
import polars as pl
import pytest

from bench.cli.main import main
from bench.envelope import Origin, write_result
from bench.survey.columns import CASE_COLUMNS, COMPONENTS, schema
from bench.survey.tables import LIMITS


def write_run(directory, sizes, n=100):
    """Write the cases of one pipeline with the error of each (range, turn) given."""
    rows = [
        {
            "key": f"r={range_m}|turn={turn}|pitch=0|pos=axis|trial={trial}",
            "pipeline": "d/s",
            "range_m": float(range_m),
            "turn_deg": float(turn),
            "pitch_deg": 0.0,
            "tilt_deg": float(turn),
            "trial": trial,
            "whole": True,
            "size_px": 80.0,
            "outcome": "ok",
            **dict.fromkeys((c.column for c in COMPONENTS), error),
        }
        for (range_m, turn), error in sizes.items()
        for trial in range(n)
    ]
    directory.mkdir(exist_ok=True)
    pl.DataFrame(rows, schema=schema(CASE_COLUMNS)).write_parquet(directory / "cases.parquet")
    return directory


@pytest.fixture
def run(tmp_path):
    sizes = {(2, 0): 0.31, (2, 30): 0.02, (4, 0): 0.6, (4, 30): 0.04}
    return write_run(tmp_path / "run", sizes)


def test_limits_answers_for_each_tilt_and_range(run, capsys):
    out = run / "asked"
    question = ["--within", "0.05 deg", "--success", "0.97"]
    code = main(["limits", str(run), *question, "--long", "--out", str(out)])
    said = capsys.readouterr().out
    assert code == 0
    assert (
        "tilt 0 deg: none (fails at 2 m: 0 of 100 within 0.05 deg (at most 2.95 %, 97 % asked)"
        in said
    )
    assert "tilt 30 deg: 4 m (the grid's end)" in said
    assert "2 m: turn 30 deg" in said
    limits = json.loads((out / "limits.json").read_text())["value"]
    assert limits["asked"]["success"] == 0.97
    assert limits["verdict"] == "holds"
    table = pl.read_csv(out / "limits.csv")
    assert table.select("turn_deg", "longest_range_m").rows() == [(0.0, None), (30.0, 4.0)]


def test_limits_renders_nothing(run, monkeypatch, capsys):
    def refuse(*_, **__):
        raise AssertionError("rendered")

    monkeypatch.setattr("bench.render.planar.capture", refuse)
    assert main(["limits", str(run)]) == 0


def test_nothing_holds_is_exit_code_1(run):
    assert main(["limits", str(run), "--within", "0.001 deg"]) == 1


def test_by_default_limits_are_a_line_a_pipeline_after_the_question(run, capsys):
    assert main(["limits", str(run)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "At least 95 % of all pictures usable and within 0.1 deg (angle of the rotation error), "
        "at 95 % confidence; 100 pictures a cell",
        "d/s  to the grid's end, 4 m, at tilt 30 deg; none at tilt 0 deg",
    ]


def test_nothing_decided_is_exit_code_3_with_the_pictures_it_would_take(tmp_path, capsys):
    run = write_run(tmp_path / "run", {(2, 30): 0.02}, n=200)
    assert main(["limits", str(run), "--success", "0.99", "--long"]) == 3
    # 0.99^299 = 0.0495 is the first below 0.05
    assert "about 299 pictures would decide" in capsys.readouterr().out


def test_a_level_that_holds_nowhere_but_is_open_somewhere_is_exit_code_3(tmp_path):
    run = write_run(tmp_path / "run", {(2, 0): 0.9, (2, 30): 0.02}, n=200)
    assert main(["limits", str(run), "--success", "0.99"]) == 3


def test_confidence_and_rate_are_asked_for(run, capsys):
    arguments = ["--confidence", "0.9", "--success", "0.96", "--within", "0.05 deg"]
    assert main(["limits", str(run), *arguments]) == 0
    assert "At least 96 % of all pictures usable and within 0.05 deg" in (
        said := capsys.readouterr().out
    )
    assert "at 90 % confidence" in said


def test_bare_options_repeat_the_question_of_the_map(run, capsys):
    question = ["--within", "0.7 deg", "--confidence", "0.9"]
    main(["limits", str(run), *question, "--out", str(run)])  # as the map writes it
    capsys.readouterr()
    assert main(["limits", str(run)]) == 0
    assert "within 0.7 deg" in (said := capsys.readouterr().out)
    assert "at 90 % confidence" in said


@pytest.mark.parametrize(
    "text",
    [
        "{",
        '{"asked": 5}',
        '{"asked": {"within_deg": 0.7}}',
        '{"sightbench": {"kind": "limits", "schema": 2}, "value": {}}',
    ],
)
def test_a_damaged_limits_file_is_refused_not_ignored(run, text, capsys):
    (run / "limits.json").write_text(text)
    assert main(["limits", str(run)]) == 2
    said = capsys.readouterr().err
    assert "limits.json: " in said
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    "asked",
    [
        {"within_deg": 0.7, "speed": 3},
        {"within_deg": "x", "success": 0.9, "confidence": 0.9},
        {"within_deg": -1, "success": 0.9, "confidence": 0.9},
        {"within_deg": 0.7, "success": [], "confidence": 0.9},
    ],
)
def test_a_question_without_sense_is_refused(run, asked, capsys):
    value = {"asked": asked, "rolls": "", "verdict": "holds"}
    value |= {key: [] for key in ("ranges", "bands", "cells", "phase")}
    write_result(run / "limits.json", LIMITS, value, Origin("sightbench map", "2026"))
    assert main(["limits", str(run)]) == 2
    assert "can't be read as a survey's limits" in capsys.readouterr().err


def test_a_question_leaves_the_run_untouched(run):
    assert main(["limits", str(run), "--within", "0.7 deg"]) == 0
    assert [p.name for p in run.iterdir()] == ["cases.parquet"]


def test_out_leaves_the_run_untouched(run, tmp_path):
    out = tmp_path / "elsewhere"
    assert main(["limits", str(run), "--out", str(out)]) == 0
    assert sorted(p.name for p in out.iterdir()) == ["limits.csv", "limits.json", "tilt_bands.csv"]
    assert [p.name for p in run.iterdir()] == ["cases.parquet"]


def test_without_a_run_the_way_to_one_is_said(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["limits"]) == 2
    assert capsys.readouterr().err == (
        "sightbench: there is no run at sightbench-map; `sightbench map --out sightbench-map` "
        "makes one\n"
    )


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--within", "0.05"], "lacks a unit"),
        (["--within", "2 m"], "'m' is not a unit of angle"),
        (["--within", "-1 deg"], "'-1 deg' lies outside the limits, above 0 deg to 90 deg"),
        (["--success", "1"], "success: 1 lies outside 0 to 1"),
        (["--confidence", "0.3"], "confidence: 0.3 lies outside 0.5 to 1"),
    ],
)
def test_bad_input_of_limits_is_one_line(run, capsys, arguments, words):
    assert main(["limits", str(run), *arguments]) == 2
    complained = capsys.readouterr().err
    assert words in complained
    assert complained.count("\n") == 1
    assert not (run / "limits.json").exists()


def test_an_empty_directory_is_named(tmp_path, capsys):
    assert main(["limits", str(tmp_path)]) == 2
    assert "holds no run: there is no cases.parquet" in capsys.readouterr().err


def test_an_empty_table_is_named(tmp_path, capsys):
    run = write_run(tmp_path / "run", {}, n=0)
    assert main(["limits", str(run)]) == 2
    assert "has no cases" in capsys.readouterr().err
    assert np.size(list(run.iterdir())) == 1
