"""`sightbench illustrate`: files, sidecars, and the commands that they print."""

import json
import shlex

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.assets import asset
from bench.cli.main import main
from bench.teaching import files


def illustrate(*arguments):
    return main(["illustrate", "--quiet", *map(str, arguments)])


@pytest.fixture
def undrawn(monkeypatch):
    """Sidecars alone: drawing takes most of the time."""
    monkeypatch.setattr(files, "save_print", lambda *_: [])
    monkeypatch.setattr(files, "slide_figure", lambda *_: None)


@pytest.mark.slow
def test_a_sidecars_command_makes_the_same_bytes(tmp_path, capsys):
    first, second = tmp_path / "one", tmp_path / "two"
    own = tmp_path / "own.toml"
    own.write_text('[scene.range.too-far]\ntitle = "Viel zu weit"\n')
    options = ("--trials", 2, "--language", "de", "--captions", own, "--seed", 4)
    assert illustrate("--set", "range", *options, "--out", first) == 0
    assert sorted(file.name for file in first.iterdir()) == [
        "range-a4.pdf", "range-notes.txt", "range-too-far.json", "range-too-far.pdf",
        "range-too-far.png", "range-too-far.svg",
    ]  # fmt: skip
    told = capsys.readouterr().out
    assert "Viel zu weit" in told
    assert "Warning: 2 pictures can show no view to be good" in told
    sidecar = json.loads((first / "range-too-far.json").read_text(encoding="utf-8"))
    words = shlex.split(sidecar["command"])
    assert words[:2] == ["sightbench", "illustrate"]
    assert main([*words[1:-1], str(second)]) == 0
    for kind in ("png", "svg", "pdf", "json"):
        name = f"range-too-far.{kind}"
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
    assert not (second / "range-a4.pdf").exists()


def test_a_sidecar_says_where_every_number_comes_from_and_a_set_goes_on(tmp_path, capsys, undrawn):
    arguments = ("--set", "range", "--case", "too-far", "--trials", 3, "--seed", 7)
    assert illustrate(*arguments, "--out", tmp_path) == 0
    path = tmp_path / "range-too-far.json"
    before = path.read_bytes()
    good, bad = json.loads(before)["pictures"]
    assert (good["case"], bad["case"], good["seed"]) == ("near", "too-far", 7)
    assert good["numbers"]["n"] == 3 == len(good["cases"])
    errors = np.array([case["err_rot_deg"] for case in good["cases"]])
    assert_allclose(good["numbers"]["rms_rot_deg"], np.sqrt(np.mean(errors**2)), rtol=1e-12)
    assert set(good["digests"]) == {"camera", "imaging", "target", "imperfections", "plan"}
    # a case that was told otherwise is believed: nothing is computed twice
    damaged = json.loads(before)
    damaged["pictures"][1]["cases"][0]["outcome"] = "wrong_id"
    path.write_text(json.dumps(damaged), encoding="utf-8")
    assert illustrate(*arguments, "--out", tmp_path) == 0
    assert json.loads(path.read_text(encoding="utf-8"))["pictures"][1]["numbers"]["wrong_id"] == 1
    assert "range-too-far: Too far away" in capsys.readouterr().out


@pytest.mark.slow
def test_an_interrupted_set_keeps_what_is_done(tmp_path, monkeypatch, capsys):
    write = files.write_picture

    def interrupted(shown, job):
        if shown.scene.set == "mirror":
            raise KeyboardInterrupt
        return write(shown, job)

    monkeypatch.setattr(files, "write_picture", interrupted)
    arguments = ("--set", "range", "--set", "mirror", "--trials", 1, "--out", tmp_path)
    assert illustrate(*arguments) != 0
    assert (tmp_path / "range-too-far.png").exists()
    assert not (tmp_path / "mirror-in-doubt.png").exists()
    capsys.readouterr()


def test_a_trainers_own_scene_is_a_few_lines(tmp_path, capsys, undrawn):
    own = tmp_path / "own.toml"
    own.write_text(
        '[[scene]]\nset = "range"\nname = "twice"\ntimes = 6.0\n'
        'texts = { title = "Twice as far", mark = "{size}", lesson = "No.", why = "So." }\n'
    )
    options = ("--scenes", own, "--set", "range", "--case", "twice", "--trials", 1)
    assert illustrate(*options, "--out", tmp_path) == 0
    assert "range-twice: Twice as far" in capsys.readouterr().out
    _, bad = json.loads((tmp_path / "range-twice.json").read_text(encoding="utf-8"))["pictures"]
    assert bad["texts"]["mark"].startswith(f"{round(bad['view']['size_px'])} px")
    text = own.read_text().replace("{size}", "{sise}")
    own.write_text(text)
    assert illustrate(*options, "--out", tmp_path) == 2
    assert "{sise} is no placeholder" in capsys.readouterr().err


def test_texts_can_be_written_out(tmp_path, capsys):
    own = tmp_path / "own.toml"
    assert illustrate("--language", "de", "--write-captions", own) == 0
    assert own.read_bytes() == asset("captions/de.toml").read_bytes()
    assert illustrate("--write-captions", own) == 2
    assert "own.toml: exists already" in capsys.readouterr().err


@pytest.mark.slow
def test_what_a_bay_cannot_show_is_left_out_and_named(tmp_path, capsys):
    bay = tmp_path / "bay.toml"
    text = asset("training-workshop.toml").read_text(encoding="utf-8")
    bay.write_text(text.replace('pixel_pitch = "3.45 um"\n', "").replace(
        'focal_length = "12 mm"', 'focal_length = "3478 px"').replace(
        'lenses = "8, 12, 16 mm"\n', ""), encoding="utf-8")  # fmt: skip
    options = ("--trials", 1, "--set", "lens", "--out", tmp_path / "out")
    assert illustrate(bay, *options) == 0
    out = capsys.readouterr().out
    assert "Left out: " in out
    assert "pixel_pitch" in out
    assert not (tmp_path / "out" / "lens-defocus.png").exists()
    assert (tmp_path / "out" / "lens-dirty.png").exists()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--set", "tlit"), "--set: there is no 'tlit'"),
        (("--case", "good"), "--case: 'good' needs the one --set"),
        (("--shape", "a5"), "--shape: 'a5' must be one of a4, letter"),
        (("--language", "xx"), "--language: 'xx' must be one of de, en"),
        (("--captions", "nowhere.toml"), "nowhere.toml: No such file"),
        (("--scenes", "nowhere.toml"), "nowhere.toml: No such file"),
        (("--trials", "0"), "--trials"),
        (("--set", "range", "--case", "near", "--pipeline", "nonsense"), "pipeline 'nonsense'"),
        (("--set", "range", "--case", "near", "--pipeline", "circles/ippe"), "circles"),
    ],
)
def test_bad_input_is_one_line(tmp_path, capsys, arguments, message):
    assert illustrate(*arguments, "--out", tmp_path / "out") == 2
    line = capsys.readouterr().err
    assert message in line
    assert line.count("\n") == 1
