"""`sightbench site`: files, words and exit codes, with few starts."""

import json
import tomllib

import polars as pl
import pytest

from bench.cli.main import main
from bench.scene.load import load_bay
from bench.siting.tower_layout import layout_of

pytestmark = pytest.mark.slow


@pytest.fixture
def bay_file(common_practice_bay, tmp_path):
    path = tmp_path / "bay.toml"
    path.write_text(common_practice_bay, encoding="utf-8")
    return path


def run(bay_file, *options):
    out = bay_file.parent / "out"
    fixed = ("--out", str(out), "--starts", "2", "--quiet", "--no-visibility", "--no-sheet")
    return main(["site", str(bay_file), *fixed, *options]), out


def test_a_layout_is_found_and_written_as_a_bay_file_that_loads(bay_file, capsys):
    code, out = run(bay_file, "--corner-sigma", "0.01 px", "--no-pictures")
    assert code == 0
    content = json.loads((out / "site.json").read_text())["value"]
    found = content["layout"]
    sited = load_bay(out / "sited.toml")
    layout = layout_of(sited)
    assert layout.spacing == pytest.approx(found["spacing_m"], abs=1e-5)
    assert layout.height == pytest.approx(found["height_m"], abs=1e-5)
    assert 1e3 * layout.focal_length == pytest.approx(found["focal_length_mm"])
    mounts = {(m["vehicle"], m["axle"]): m["turn_deg"] for m in content["mounts"]}
    axle = tomllib.loads((out / "sited.toml").read_text())["vehicle"][0]["axle"][0]
    file_turn = axle.get("mount", {}).get("turn", "-20 deg")
    assert float(file_turn.removesuffix(" deg")) == mounts["long vehicle", "front"]
    lenses = pl.read_csv(out / "site.csv")
    assert lenses["feasible"].to_list() == [True, True, True, False]
    assert lenses["binds"].to_list()[3].startswith("margin")
    words = capsys.readouterr().out
    assert "Limited by margin" in words
    assert "starts" in words


def test_evaluating_the_found_bay_comes_to_the_same_share(bay_file, capsys):
    options = ("--corner-sigma", "0.01 px", "--no-pictures")
    run(bay_file, *options)
    first = json.loads((bay_file.parent / "out" / "site.json").read_text())["value"]
    sited = bay_file.parent / "out" / "sited.toml"
    again = bay_file.parent / "again"
    fixed = ("--evaluate", "--no-visibility", "--no-sheet", "--out", str(again), *options)
    assert main(["site", str(sited), *fixed]) == 0
    second = json.loads((again / "site.json").read_text())["value"]
    # the file keeps metres and degrees to five decimals
    assert second["over_tolerance"] == pytest.approx(first["over_tolerance"], rel=1e-3)
    assert second["evaluated_only"] is True
    assert not (again / "sited.toml").exists()
    assert "This layout keeps all constraints" in capsys.readouterr().out


def test_the_same_command_gives_the_same_numbers(bay_file):
    tables = []
    for _ in range(2):
        _, out = run(bay_file, "--no-pictures", "--lenses", "16 mm", "--bound", "corner")
        content = json.loads((out / "site.json").read_text())["value"]
        tables.append((content["layout"], content["sightings"], content["limits"]))
    assert tables[0] == tables[1]


def test_no_feasible_layout_ends_with_1_and_says_what_binds(bay_file, capsys):
    code, out = run(bay_file, "--lenses", "50 mm", "--no-pictures", "--bound", "corner")
    assert code == 1
    words = capsys.readouterr().out
    assert "No feasible layout with 50 mm" in words
    assert "margin (" in words
    assert "lacks" in words
    assert json.loads((out / "site.json").read_text())["value"]["feasible"] is False
    assert not (out / "sited.toml").exists()


def test_a_layout_outside_tolerance_ends_with_1(bay_file, capsys):
    code, _ = run(bay_file, "--lenses", "16 mm", "--no-pictures", "--corner-sigma", "1 px")
    assert code == 1
    assert "outside tolerance" in capsys.readouterr().out


def test_pictures_are_drawn(bay_file):
    _, out = run(bay_file, "--lenses", "16 mm", "--bound", "corner")
    for stem in ("aim-left", "aim-right"):
        for kind in ("png", "svg", "pdf"):
            assert (out / f"{stem}.{kind}").stat().st_size > 5000


@pytest.mark.parametrize(
    ("lenses", "words"),
    [
        ("8, 12", "lacks a unit"),
        ("-8 mm", "lies outside the limits, from 0.5 mm to 300 mm"),
        ("8, 1e9 mm", "lies outside the limits, from 0.5 mm to 300 mm"),
        ("8, 8 mm", "has a value twice"),
    ],
)
def test_lenses_that_cannot_be_are_refused_in_a_line_that_names_the_option(
    bay_file, capsys, lenses, words
):
    code, _ = run(bay_file, "--lenses", lenses)
    assert code == 2
    said = capsys.readouterr().err
    assert said.startswith("sightbench: --lenses: ")
    assert words in said
    assert said.count("\n") == 1
