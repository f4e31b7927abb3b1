"""`sightbench illustrate`: files, sidecars, and the commands that they print."""

import json
import shlex

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image

from bench.assets import asset
from bench.cli.main import main


def illustrate(*arguments):
    return main(["illustrate", "--quiet", *map(str, arguments)])


@pytest.mark.slow
def test_a_sidecars_command_makes_the_same_bytes(tmp_path, capsys):
    first, second = tmp_path / "one", tmp_path / "two"
    assert illustrate("--set", "mirror", "--shape", "letter", "--trials", 2, "--out", first) == 0
    sidecar = json.loads((first / "mirror-far-turned.json").read_text(encoding="utf-8"))
    words = shlex.split(sidecar["command"])
    assert words[:2] == ["sightbench", "illustrate"]
    assert words[-2:] == ["--out", "DIR"]
    assert main([*words[1:-1], str(second)]) == 0
    for name in ("mirror-far-turned.png", "mirror-far-turned.json"):
        assert (first / name).read_bytes() == (second / name).read_bytes()
    assert sorted(file.name for file in second.iterdir()) == [
        "mirror-far-turned.json",
        "mirror-far-turned.png",
    ]


@pytest.mark.slow
def test_a_sheets_command_makes_the_same_bytes(tmp_path):
    first, second = tmp_path / "one", tmp_path / "two"
    assert illustrate("--set", "mirror", "--shape", "letter", "--trials", 1, "--out", first) == 0
    words = shlex.split(json.loads((first / "mirror-letter.json").read_text())["command"])
    assert main([*words[1:-1], str(second)]) == 0
    for suffix in ("png", "svg", "pdf"):
        name = f"mirror-letter.{suffix}"
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_a_sidecar_says_where_every_number_comes_from(tmp_path, capsys):
    arguments = ("--set", "range", "--case", "near", "--trials", 3, "--seed", 7)
    assert illustrate(*arguments, "--out", tmp_path) == 0
    sidecar = json.loads((tmp_path / "range-near.json").read_text(encoding="utf-8"))
    assert sidecar["n"] == 3 == len(sidecar["cases"]) == sidecar["numbers"]["n"]
    assert sidecar["seed"] == 7
    keys = [case["key"] for case in sidecar["cases"]]
    assert keys[0].startswith("r=")
    assert keys[0] == sidecar["picture_of"]
    errors = np.array([case["err_rot_deg"] for case in sidecar["cases"]])
    assert_allclose(sidecar["numbers"]["rms_rot_deg"], np.sqrt(np.mean(errors**2)), rtol=1e-12)
    assert set(sidecar["digests"]) == {"camera", "imaging", "target", "imperfections", "plan"}
    assert f"{sidecar['numbers']['rms_rot_deg']:.2g}" in sidecar["texts"]["result"]
    with Image.open(tmp_path / "range-near.png") as picture:
        assert picture.format == "PNG"
    assert "range-near: Near axle" in capsys.readouterr().out


def test_a_trainers_words_are_used_and_named_in_the_command(tmp_path, capsys):
    own = tmp_path / "own.toml"
    own.write_text('[scene.dirt.clean]\ntitle = "Frisch geputzt"\n')
    out = tmp_path / "out"
    options = ("--language", "de", "--captions", own)
    assert (
        illustrate("--set", "dirt", "--case", "clean", "--trials", 1, *options, "--out", out) == 0
    )
    assert "Frisch geputzt" in capsys.readouterr().out
    sidecar = json.loads((out / "dirt-clean.json").read_text(encoding="utf-8"))
    assert f"--language de --captions {own}" in sidecar["command"]


@pytest.mark.slow
def test_a_compared_pictures_command_makes_the_same_bytes_in_german_too(tmp_path):
    first, second = tmp_path / "one", tmp_path / "two"
    options = ("--shape", "letter", "--trials", 1, "--language", "de", "--seed", 4)
    assert illustrate("--set", "plumb", *options, "--out", first) == 0
    for name in ("plumb-plumb", "plumb-leaning"):
        sidecar = json.loads((first / f"{name}.json").read_text(encoding="utf-8"))
        assert main([*shlex.split(sidecar["command"])[1:-1], str(second)]) == 0
        for suffix in ("png", "json"):
            file = f"{name}.{suffix}"
            assert (first / file).read_bytes() == (second / file).read_bytes(), file
    assert sidecar["compared_with"]["case"] == "plumb"


def test_texts_can_be_written_out_reworded_and_used(tmp_path, capsys):
    own = tmp_path / "own.toml"
    assert illustrate("--language", "de", "--write-captions", own) == 0
    own.write_text(own.read_text(encoding="utf-8").replace('"Sauber"', '"Frisch"'))
    arguments = ("--set", "dirt", "--case", "clean", "--trials", 1, "--captions", own)
    assert illustrate(*arguments, "--out", tmp_path / "out") == 0
    assert "Frisch: unentschieden: 1 von 1 innerhalb" in capsys.readouterr().out
    assert illustrate("--write-captions", own) == 2
    assert "own.toml: exists already" in capsys.readouterr().err


@pytest.mark.slow
def test_what_a_bay_cannot_show_is_left_out_and_named(tmp_path, capsys):
    bay = tmp_path / "bay.toml"
    text = asset("training-workshop.toml").read_text(encoding="utf-8")
    large = text.replace('size = "200 mm"', 'size = "1 m"').replace('plate = ["260 mm"', '# ["260')
    bay.write_text(large, encoding="utf-8")
    options = ("--trials", 1, "--shape", "letter", "--pipeline", "aruco-none/ippe")
    assert illustrate(bay, "--set", "aim", *options, "--out", tmp_path / "out") == 0
    out = capsys.readouterr().out
    assert "Left out: " in out
    assert "picture aim.corner: the plate is too large for a corner with room" in out
    assert not (tmp_path / "out" / "aim-corner.png").exists()
    assert illustrate(bay, "--set", "aim", "--case", "corner", "--out", tmp_path / "no") == 2


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--set", "tlit"), "--set: there is no 'tlit'"),
        (("--case", "good"), "--case: 'good' needs the one --set"),
        (("--shape", "a5"), "--shape: 'a5' must be one of a4, letter, slide"),
        (("--language", "xx"), "--language: 'xx' must be one of de, en"),
        (("--captions", "nowhere.toml"), "nowhere.toml: No such file"),
        (("--trials", "0"), "--trials"),
        (("--set", "tilt", "--case", "good", "--pipeline", "nonsense"), "pipeline 'nonsense'"),
        (("--set", "tilt", "--case", "good", "--pipeline", "circles/ippe"), "circles"),
    ],
)
def test_bad_input_is_one_line(tmp_path, capsys, arguments, message):
    assert illustrate(*arguments, "--out", tmp_path / "out") == 2
    line = capsys.readouterr().err
    assert message in line
    assert line.count("\n") == 1
