"""`sightbench view`: tables, verdict and pictures."""

import json
import os

import cv2
import numpy as np
import polars as pl
import pytest

from bench.assets import asset
from bench.cli.main import main
from bench.scene.load import SHIPPED_BAY, load_bay
from bench.sighting.view_pictures import Drawing, draw_all
from bench.sighting.view_table import views

BLOCK = """
[[obstacle]]
kind = "box"
name = "tool chest"
centre = ["-1.2 m", "1.3 m"]
size = ["0.3 m", "0.5 m", "1.4 m"]
"""
ONE = ("--vehicle", "van", "--station", "floor")


@pytest.fixture
def shipped():
    return asset(SHIPPED_BAY).read_text(encoding="utf-8")


def view(*arguments):
    return main(["view", "--quiet", *map(str, arguments)])


def test_the_shipped_bay_is_seen_whole_without_graphics(tmp_path, capsys):
    assert view("--no-pictures", "--out", tmp_path) == 0
    assert "targets are seen" in capsys.readouterr().out
    table = pl.read_csv(tmp_path / "view.csv")
    assert set(table["tower"]) == {"left", "right"}
    assert table["enough"].all()
    # two towers, and on each one's side both wheels of three vehicles' axles at two stations
    assert len(table) == 24
    content = json.loads((tmp_path / "view.json").read_text())["value"]
    assert content["holds"]
    assert len(content["views"]) == 24
    assert not list(tmp_path.glob("*.png"))


def test_what_hides_a_target_is_named_and_fails(shipped, tmp_path, capsys):
    bay = tmp_path / "bay.toml"
    bay.write_text(shipped + BLOCK)
    assert view(bay, "--no-pictures", *ONE, "--out", tmp_path) == 1
    out = capsys.readouterr().out
    assert "left tower, van" in out
    assert "hidden by: tool chest" in out
    content = json.loads((tmp_path / "view.json").read_text())["value"]
    worst = min(content["views"], key=lambda row: row["visible"])
    assert worst["hidden_by"]["tool chest"] == pytest.approx(1.0 - worst["visible"], abs=0.002)
    right = [row for row in content["views"] if row["tower"] == "right"]
    assert all(row["visible"] == 1.0 for row in right)


def test_a_target_out_of_the_picture_fails(shipped, tmp_path, capsys):
    bay = tmp_path / "bay.toml"
    assert 'focal_length = "12 mm"' in shipped
    bay.write_text(shipped.replace('focal_length = "12 mm"', 'focal_length = "35 mm"'))
    assert view(bay, "--no-pictures", *ONE, "--out", tmp_path) == 1
    assert "not wholly in the picture" in capsys.readouterr().out


@pytest.mark.parametrize("option", ["--vehicle", "--station"])
def test_an_unknown_name_is_refused_with_those_there_are(option, tmp_path, capsys):
    assert view("--no-pictures", option, "spaceship", "--out", tmp_path) == 2
    message = capsys.readouterr().err
    assert message.count("\n") == 1
    assert option in message
    assert "spaceship" in message
    assert ("van" if option == "--vehicle" else "floor") in message


@pytest.mark.slow
def test_pictures_are_drawn(shipped, tmp_path, capsys):
    # a quarter of the pixels along each side, four times as large: quick to draw
    small = shipped.replace("width = 2448", "width = 612").replace("height = 2048", "height = 512")
    small = small.replace('pixel_pitch = "3.45 um"', 'pixel_pitch = "13.8 um"')
    bay = tmp_path / "bay.toml"
    bay.write_text(small + BLOCK)
    code = view(bay, *ONE, "--out", tmp_path)
    message = capsys.readouterr().err
    if code == 2 and "no OpenGL" in message and not os.environ.get("CI"):
        pytest.skip(message)
    assert code == 1
    names = {path.name for path in tmp_path.glob("*.png")}
    assert names == {
        "left-van-floor.png",
        "left-van-floor-named.png",
        "right-van-floor.png",
        "right-van-floor-named.png",
        "above-van-floor.png",
        "overview-van-floor.png",
    }
    grey = cv2.imread(str(tmp_path / "right-van-floor.png"), cv2.IMREAD_UNCHANGED)
    assert grey.shape == (512, 612)
    assert np.ptp(grey) > 120
    # processes of their own, whatever their number, draw the same
    apart = tmp_path / "apart"
    apart.mkdir()
    place = load_bay(bay)
    drawing = Drawing(place, views(place, ["van"], ["floor", "low lift"]), place.survey.seed, "")
    written = draw_all(apart, drawing, ["van"], ["floor", "low lift"], lambda done, total: None, 2)
    assert len(written) == 12
    for name in ("left-van-floor.png", "right-van-floor.png"):
        assert (apart / name).read_bytes() == (tmp_path / name).read_bytes()
