"""`sightbench aim`: tables, pictures, words and exit codes."""

import json

import polars as pl
import pytest

from bench.cli.main import main
from bench.scene.load import load_bay


def run(tmp_path, *options):
    return main(["aim", *options, "--out", str(tmp_path / "out"), "--no-visibility"])


def test_the_shipped_bay_holds_and_every_file_is_written(tmp_path, capsys):
    assert run(tmp_path) == 0
    out = tmp_path / "out"
    for tower in ("left", "right"):
        for kind, start in (("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")):
            assert (out / f"aim-{tower}.{kind}").read_bytes().startswith(start)
    content = json.loads((out / "aim.json").read_text())["value"]
    assert content["holds"] is True
    assert pl.read_csv(out / "aim.csv").height == len(content["sightings"])
    head = json.loads((out / "aim.json").read_text())["sightbench"]
    assert head["bay"]["name"] == load_bay().name
    assert "targets hold" in capsys.readouterr().out


def test_a_wider_margin_fails_with_words_and_code_1(tmp_path, capsys):
    assert run(tmp_path, "--margin", "3", "--tower", "left", "--no-pictures") == 1
    words = capsys.readouterr().out
    assert "plate widths of margin of 3.00" in words
    assert "targets fail:" in words
    assert json.loads((tmp_path / "out" / "aim.json").read_text())["value"]["failures"]


def test_corners_with_a_stated_noise_can_be_asked_for(tmp_path, capsys):
    code = run(tmp_path, "--corner-sigma", "2 px", "--no-pictures")
    assert code == 1
    assert "corners with 2 px, as given" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--bound", "guess"), "'guess' is not one of 'corner', 'image'"),
        (("--tower", "middle"), "no tower 'middle'"),
        (("--map", "nowhere"), "cells.parquet"),
        (("--corner-sigma", "2"), "lacks a unit"),
        (("--pipeline", "nothing/ippe-lm"), "nothing"),
    ],
)
def test_bad_options_end_with_one_line_and_code_2(tmp_path, capsys, options, words):
    assert run(tmp_path, *options) == 2
    error = capsys.readouterr().err
    assert words in error
    assert error.count("\n") == 1
