"""`sightbench illustrate`: files, sidecars, and the commands that they print."""

import json
import shlex

import pytest
from PIL import Image

from bench.cli.main import main


def illustrate(*arguments):
    return main(["illustrate", "--quiet", *map(str, arguments)])


def test_a_sidecars_command_makes_the_same_bytes(tmp_path, capsys):
    first, second = tmp_path / "one", tmp_path / "two"
    assert illustrate("--set", "mirror", "--shape", "slide", "--trials", 2, "--out", first) == 0
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


def test_a_sheets_command_makes_the_same_bytes(tmp_path):
    first, second = tmp_path / "one", tmp_path / "two"
    assert illustrate("--set", "mirror", "--shape", "slide", "--trials", 1, "--out", first) == 0
    words = shlex.split(json.loads((first / "mirror-slide.json").read_text())["command"])
    assert main([*words[1:-1], str(second)]) == 0
    for suffix in ("png", "svg", "pdf"):
        name = f"mirror-slide.{suffix}"
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_a_sidecar_says_where_every_number_comes_from(tmp_path, capsys):
    arguments = ("--set", "range", "--case", "near", "--trials", 3, "--seed", 7)
    assert illustrate(*arguments, "--out", tmp_path) == 0
    sidecar = json.loads((tmp_path / "range-near.json").read_text(encoding="utf-8"))
    assert sidecar["n"] == 3 == len(sidecar["keys"]) == sidecar["numbers"]["n"]
    assert sidecar["seed"] == 7
    assert sidecar["keys"][0].startswith("r=")
    assert sidecar["keys"][0] == sidecar["picture_of"]
    assert set(sidecar["digests"]) == {"camera", "imaging", "target", "plan"}
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
