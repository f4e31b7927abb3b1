"""`sightbench site`'s sheets and `--as-built`: files, words, exit codes."""

import json
import math
import tomllib

import polars as pl
import pytest

from bench.cli.main import main
from bench.scene.load import load_bay

pytestmark = pytest.mark.slow

QUICK = ("--corner-sigma", "0.01 px", "--bound", "corner", "--quiet")
BAY = load_bay()
PLAN = BAY.towers[0].placement


def as_built(tmp_path, text, *more):
    path = tmp_path / "measured.toml"
    path.write_text(text)
    out = tmp_path / "out"
    return main(["site", "--as-built", str(path), "--out", str(out), *QUICK, *more])


def pitched(degrees, u=0.0):
    pitch = math.degrees(PLAN.pitch) + degrees
    return f'[uncertainty]\nangle = "{u} deg"\n[[tower]]\nname = "left"\npitch = "{pitch!r} deg"\n'


def test_a_bay_built_as_planned_holds(tmp_path, capsys):
    assert as_built(tmp_path, pitched(0.0)) == 0
    said = capsys.readouterr().out
    assert "keeps every limit" in said
    assert "Nothing was measured of right" in said
    summary = json.loads((tmp_path / "out/as_built.json").read_text())["value"]
    assert summary["verdict"] == "holds"
    assert summary["corrections"] == []
    assert "visible" in {check["limit"] for check in summary["checks"]}
    table = pl.read_csv(tmp_path / "out/as_built.csv")
    assert set(table["state"]) == {"holds"}


def test_a_camera_aimed_too_high_fails_and_the_correction_repairs_it(tmp_path, capsys):
    assert as_built(tmp_path, pitched(6.0), "--no-visibility") == 1
    said = capsys.readouterr().out
    assert "Smallest single correction: left tower's pitch by -" in said
    summary = json.loads((tmp_path / "out/as_built.json").read_text())["value"]
    assert summary["verdict"] == "fails"
    first = summary["corrections"][0]
    assert (first["where"], first["what"], first["unit"]) == ("left", "pitch", "deg")
    built = load_bay(tmp_path / "out/as-built-bay.toml")
    assert built.towers[0].placement.pitch == pytest.approx(PLAN.pitch + math.radians(6.0))
    # followed, the bay holds; with a tenth of a degree less, it doesn't
    assert as_built(tmp_path, pitched(6.0 + first["by"] - 0.001), "--no-visibility") == 0
    assert as_built(tmp_path, pitched(6.0 + first["by"] + 0.1), "--no-visibility") == 1


def test_a_measurement_too_coarse_to_tell_is_said_so(tmp_path, capsys):
    assert as_built(tmp_path, pitched(0.5, 3.0), "--no-visibility") == 3
    assert "can't be told" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "has no measurement"),
        ('[[tower]]\nname = "third"\nheight = "1 m"\n', "no tower 'third'"),
        (
            '[[tower]]\nname = "left"\n[tower.photo]\nimage = "none.png"\n'
            'mark = { offset = "0 m", distance = "2 m", height = "0.5 m" }\n',
            "none.png: can't be read",
        ),
    ],
)
def test_bad_input_is_one_line(tmp_path, capfd, text, words):
    assert as_built(tmp_path, text) == 2
    error = capfd.readouterr().err
    assert words in error
    assert error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_missing_file_and_an_unknown_paper_are_one_line(tmp_path, capfd):
    assert main(["site", "--as-built", str(tmp_path / "no.toml"), *QUICK]) == 2
    assert main(["site", "--page", "a3"]) == 2
    errors = capfd.readouterr().err.splitlines()
    assert len(errors) == 2
    assert "'a3' is not one of 'a4', 'letter'" in errors[1]


def test_the_template_is_written_once(tmp_path, capfd):
    assert main(["site", "--template", "--out", str(tmp_path)]) == 0
    text = (tmp_path / "measured.toml").read_text()
    assert [t["name"] for t in tomllib.loads(text)["tower"]] == [t.name for t in BAY.towers]
    assert main(["site", "--template", "--out", str(tmp_path)]) == 2
    assert "may have been filled in" in capfd.readouterr().err
    assert (tmp_path / "measured.toml").read_text() == text


def test_sheets_and_deviations_are_written(tmp_path):
    arguments = ["site", "--evaluate", "--no-pictures", "--no-visibility", "--page", "letter"]
    assert main([*arguments, "--out", str(tmp_path), *QUICK]) == 0
    assert (tmp_path / "sheet-letter" / "siting-sheet.pdf").stat().st_size > 1000
    assert not (tmp_path / "sheet-a4").exists()
    table = pl.read_csv(tmp_path / "deviations.csv")
    assert set(table["where"]) == {"all towers", *(t.name for t in BAY.towers)}
    assert (table["minus"] >= 0.0).all()
    assert (table["plus"] >= 0.0).all()
    summary = json.loads((tmp_path / "deviations.json").read_text())["value"]
    assert 0.0 < summary["together"]["fraction"] <= 1.0
    assert "seed" in summary["together"]["words"]
    assert f"site {BAY.path.name} --as-built" in (tmp_path / "measured.toml").read_text()


def test_help_teaches(capsys):
    assert main(["site", "--help"]) == 0
    said = capsys.readouterr().out
    for words in ("--as-built", "--template", "--page", "measured.toml", "deviations.csv"):
        assert words in said


def test_a_bay_built_too_narrow_to_drive_through_still_gets_its_file(tmp_path, capsys):
    text = "".join(
        f'[[tower]]\nname = "{t.name}"\noffset = "{0.88 * t.placement.offset!r} m"\n'
        for t in BAY.towers
    )
    as_built(tmp_path, text, "--no-visibility")
    said = capsys.readouterr().out
    built = load_bay(tmp_path / "out/as-built-bay.toml")
    left = built.surroundings.drive_through
    assert 0.0 < left < BAY.surroundings.drive_through
    assert (
        f"as-built-bay.toml has drive_through = {1e3 * left:.0f} mm, what the towers leave" in said
    )
    assert "too wide to be driven between the towers" in said
