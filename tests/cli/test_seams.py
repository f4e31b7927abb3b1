"""Results that travel between commands: what was made for something else is refused by name."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from fixtures.surveys import map_cells

from bench.cli.main import main
from bench.envelope import Origin, write_result
from bench.registration.result import REGISTRATION, read_registration
from bench.scene.load import load_bay
from bench.siting.tower_layout import layout_of, with_layout

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture
def a_map(tmp_path, write_run):
    """Return a function that writes a map of a bay to a new folder."""

    def write(bay, name="map"):
        folder = tmp_path / name
        folder.mkdir()
        map_cells().write_parquet(folder / "cells.parquet")
        return str(write_run(bay, folder))

    return write


@pytest.fixture
def short_lens(bay, tmp_path):
    """Return the shipped bay's file with an 8 mm lens and a 120 mm marker."""
    text = bay.path.read_text()
    for old, new in (
        ('focal_length = "12 mm"', 'focal_length = "8 mm"'),
        ('size = "200 mm"', 'size = "120 mm"'),
    ):
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "short.toml"
    path.write_text(text)
    return str(path)


@pytest.mark.parametrize("command", [("aim", "--no-pictures"), ("budget", "--quiet")])
def test_a_map_of_another_lens_and_target_is_refused(
    command, bay, short_lens, a_map, tmp_path, capsys
):
    name, *more = command
    out = tmp_path / "out"
    arguments = [name, short_lens, "--map", a_map(bay), *more, "--out", str(out)]
    assert main([*arguments, "--pipeline", "apriltag/photometric"]) == 2
    said = capsys.readouterr().err
    assert "was made for another camera and target: camera (this bay's: 2448 × 2048 px" in said
    assert said.count("\n") == 1
    assert not out.exists()


def test_its_own_map_is_taken(bay, short_lens, a_map, tmp_path, capsys):
    own = a_map(load_bay(short_lens))
    out = ["--out", str(tmp_path / "out"), "--no-pictures", "--no-visibility"]
    assert main(["aim", short_lens, "--map", own, *out]) in (0, 1)
    assert "as measured by the map" in capsys.readouterr().out


def test_siting_refuses_lenses_without_a_map_of_their_own(bay, a_map, tmp_path, capsys):
    arguments = ["site", "--map", a_map(bay), "--lenses", "8, 12 mm", "--starts", "1"]
    assert main([*arguments, "--out", str(tmp_path / "out"), "--quiet"]) == 2
    said = capsys.readouterr().err
    assert "none was made with the lenses 8 mm" in said
    assert "--lenses '12 mm'" in said


@pytest.mark.slow
def test_siting_takes_a_map_for_each_lens(bay, a_map, tmp_path, capsys):
    longer = with_layout(bay, replace(layout_of(bay), focal_length=16e-3))
    maps = ["--map", a_map(bay, "twelve"), "--map", a_map(longer, "sixteen")]
    arguments = ["site", *maps, "--lenses", "12, 16 mm", "--starts", "1", "--quiet"]
    more = ["--no-pictures", "--no-sheet", "--no-visibility", "--out", str(tmp_path / "out")]
    assert main([*arguments, *more]) in (0, 1)
    value = json.loads((tmp_path / "out" / "site.json").read_text())["value"]
    assert [row["lens"] for row in value["lenses"]] == ["12 mm", "16 mm"]
    chosen = "sixteen" if value["layout"]["focal_length_mm"] == pytest.approx(16) else "twelve"
    assert f"the map {tmp_path / chosen}" in value["basis"]


@pytest.fixture(scope="module")
def solved(tmp_path_factory):
    """Return the folder of a registration from rehearsed pictures, and of a level."""
    out = tmp_path_factory.mktemp("solved")
    assert main(["register", "solve", "--quiet", "--out", str(out / "register")]) in (0, 1)
    tie = str(out / "register" / "registration.json")
    assert main(["level", "solve", "--out", str(out / "level")]) in (0, 1, 3)
    assert main(["intrinsics", "--quiet", "--out", str(out / "camera")]) in (0, 1)
    return out, tie


@pytest.mark.slow
def test_what_was_measured_reaches_the_budget_and_it_says_so(solved, tmp_path, capsys):
    folder, tie = solved
    measured = ["--registration", tie, "--level", str(folder / "level")]
    out = tmp_path / "budget"
    code = main(["budget", *measured, "--quiet", "--trials", "20000", "--out", str(out)])
    said = capsys.readouterr()
    assert code in (0, 1)
    content = json.loads((out / "budget.json").read_text())
    assert set(content["value"]["measured"]) == {"registration", "level"}
    assert f"measured: registration, from {tie}" in said.out
    assert "rehearsed or assumed: left camera, right camera" in said.out
    tied = json.loads((folder / "register" / "registration.json").read_text())
    assert content["sightbench"]["parts"]["registration"] == tied["sightbench"]["value_digest"]


@pytest.mark.slow
def test_a_calibration_reaches_the_budget(solved, tmp_path, capsys):
    folder, _ = solved
    camera = ["--left-calibration", str(folder / "camera")]
    out = tmp_path / "budget"
    assert main(["budget", *camera, "--quiet", "--trials", "20000", "--out", str(out)]) in (0, 1)
    assert "measured: left camera, from" in capsys.readouterr().out
    both = [*camera, "--registration", solved[1]]
    assert main(["budget", *both, "--quiet", "--out", str(out)]) == 2
    assert "computed with another left camera" in capsys.readouterr().err


def test_a_proof_stands_on_the_measured_registration(solved, tmp_path, capsys):
    _, tie = solved
    out = ["--out", str(tmp_path / "proof")]
    assert main(["proof", "length", "plan", "--registration", tie, *out]) == 0
    assert f"measured: registration, from {tie}" in capsys.readouterr().out


def test_a_result_of_another_kind_is_refused(solved, tmp_path, capsys):
    folder, _ = solved
    level = str(folder / "level" / "level.json")
    assert main(["budget", "--registration", level, "--out", str(tmp_path / "b")]) == 2
    said = capsys.readouterr().err
    assert "holds a level, not a registration; 'sightbench register solve' writes one" in said


@pytest.mark.slow
def test_a_registration_that_failed_its_checks_is_said_first_and_ends_with_1(
    solved, tmp_path, capsys
):
    _, tie = solved
    good = read_registration(Path(tie))
    value = good.value.model_dump() | {"failed_checks": ["target at A, step 2"]}
    write_result(
        tmp_path / "registration.json",
        REGISTRATION,
        value,
        Origin(good.command, "2026-01-01T00:00:00+00:00", good.bay, good.parts),
    )
    arguments = ["budget", "--registration", str(tmp_path), "--trials", "20000", "--quiet"]
    assert main([*arguments, "--out", str(tmp_path / "b")]) == 1
    first = capsys.readouterr().out.splitlines()[0]
    assert first.startswith("Contradicted: ")
    assert "failed target at A, step 2" in first


def test_the_command_in_a_result_is_the_one_given_not_the_process_s(tmp_path):
    assert main(["aim", "--no-pictures", "--no-visibility", "--out", str(tmp_path)]) in (0, 1)
    head = json.loads((tmp_path / "aim.json").read_text())["sightbench"]
    assert head["command"] == f"sightbench aim --no-pictures --no-visibility --out {tmp_path}"
