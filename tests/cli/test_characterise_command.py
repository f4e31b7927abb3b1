import json
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import polars as pl
import pytest

from bench.characterise import measure
from bench.characterise.fragments import bay_text, measured_camera
from bench.characterise.known import KnownCamera
from bench.characterise.measure import Characterisation
from bench.characterise.photon_transfer import Number
from bench.characterise.shots import NotFoundError, Series, check_bits, series_of
from bench.cli.main import main
from bench.errors import ConfigError
from bench.imaging.picture import Picture
from bench.scene.camera_file import read_camera
from bench.scene.load import load_bay

BAY = """
name = "Little bay"
standoff = "2 m"
[camera]
width = 480
height = 400
pixel_pitch = "6 um"
focal_length = "800 px"
[camera.optics]
sigma = "0.7 px"
[camera.sensor]
quantum_efficiency = 0.6
dark_noise = "8 e-"
full_well = "10 ke-"
bit_depth = 10
black_level = "12 DN"
[light]
level = 0.75
gradient = ["5 %/m", "-3 %/m"]
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
black = 0.05
[survey]
ranges = "1.5, 3 m"
turns = "0, 30 deg"
trials = 30
pipelines = ["apriltag/ippe-lm"]
[tolerance]
within = "1 deg"
"""
TRUE_GAIN = (1023 - 12) / 10_000


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    path = tmp_path_factory.mktemp("bay") / "little.toml"
    # a plate that fills more of so small a frame
    path.write_text(BAY)
    return path


@pytest.fixture(scope="module")
def rehearsal(bay, tmp_path_factory):
    out = tmp_path_factory.mktemp("characterised")
    code = main(["characterise", "--bay", str(bay), "--quiet", "--out", str(out)])
    return code, out


@pytest.mark.slow
def test_a_rehearsal_measures_the_camera_and_says_that_the_bench_predicts_it(rehearsal):
    code, out = rehearsal
    value = json.loads((out / "characterisation.json").read_text())["value"]
    assert code == value["verdict"] == 0, value["reasons"] or value["to_do"]
    gain = value["numbers"]["sensor.gain"]
    assert abs(gain["value"] - TRUE_GAIN) < 4.0 * gain["u"]
    sigma = value["numbers"]["optics.sigma"]
    # rehearsed frames are blurred by 0.1 px more than the bay file says
    assert abs(sigma["value"] - 0.8) < 4.0 * sigma["u"]


@pytest.mark.slow
def test_what_is_written_is_taken_as_it_is(rehearsal):
    _, out = rehearsal
    assert read_camera(out / "camera.toml").width == 480
    bay = load_bay(out / "bay.toml")
    assert bay.towers[0].imaging.sensor.gain == pytest.approx(TRUE_GAIN, rel=0.05)
    text = (out / "camera.toml").read_text()
    assert "u = " in text
    assert "sha256" in text
    assert "measured" in text
    for name in ("photon_transfer", "blur_field", "edge_response", "predicted_observed"):
        assert (out / f"{name}.png").stat().st_size > 10_000
    assert pl.read_csv(out / "checks.csv")["state"].to_list().count("inside") > 5


@pytest.mark.slow
def test_the_data_sheet_is_held_against_the_same_pictures(rehearsal, bay, tmp_path, capsys):
    # its blur is 0.1 px less than that of the pictures, beyond the limit of 0.05 px
    shots = str(rehearsal[1] / "rehearsal" / "still*.png")
    arguments = ["characterise", shots, "--bay", str(bay), "--as-said", "--out", str(tmp_path)]
    assert main(arguments) == 1
    assert "blur beyond predicted" in capsys.readouterr().out
    assert not (tmp_path / "camera.toml").exists()


def curved(paths, folder, gamma=2.2):
    for path in paths:
        grey = cv2.imread(str(path), cv2.IMREAD_UNCHANGED).astype(np.float64)
        light = np.clip((grey - 12) / 1011, 0.0, 1.0)
        out = np.rint(12 + 1011 * light ** (1 / gamma)).astype(np.uint16)
        cv2.imwrite(str(folder / path.name), out)


@pytest.mark.slow
def test_a_gamma_is_measured_and_pictures_with_it_are_then_predicted(rehearsal, bay, tmp_path):
    curved(sorted((rehearsal[1] / "rehearsal").glob("[!d]*")), tmp_path)
    curved(sorted((rehearsal[1] / "rehearsal").glob("dim*")), tmp_path)
    out = tmp_path / "out"
    assert main(["characterise", str(tmp_path), "--bay", str(bay), "--out", str(out)]) == 0
    gamma = load_bay(out / "bay.toml").towers[0].imaging.sensor.gamma
    # the fit's own uncertainty is 0.02
    assert gamma == pytest.approx(2.2, abs=0.08)


def test_the_sheet_is_written(tmp_path):
    assert main(["characterise", "--sheet", "--out", str(tmp_path)]) == 0
    assert {p.suffix for p in tmp_path.iterdir()} == {".pdf"}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--second", "8"], "--rigid and --second belong together"),
        (["--bar-length", "800 mm +- 0.1 mm"], "--bar-length needs"),
        (["--tower", "middle"], "middle"),
        (["nothing-here-*.png"], "no such file"),
        (["--pipeline", "no/such"], "no"),
    ],
)
def test_bad_input_is_one_line(arguments, words, tmp_path, capsys):
    assert main(["characterise", *arguments, "--out", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert len(said.strip().splitlines()) == 1


@pytest.mark.parametrize("lens", ["", "[camera.distortion]\nk1 = 0.2\n"], ids=["none", "a table"])
def test_calibrated_intrinsics_reach_both_files(lens, tmp_path):
    (tmp_path / "bay.toml").write_text(BAY.replace("[camera.optics]", f"{lens}[camera.optics]"))
    own = load_bay(tmp_path / "bay.toml").towers[0]
    camera = replace(own.camera, fx=801.0, cx=239.0, distortion=(-0.05, 0.01, 0.0, 0.0, 0.0))
    known = KnownCamera(camera, own.imaging.optics, own.imaging.sensor)
    names = ("quantum_efficiency", "dark_noise", "full_well", "black_level", "gain")
    numbers = {f"sensor.{name}": Number(1.0, 0.1, "") for name in names}
    found = Characterisation([], known=known, numbers=numbers)
    text = bay_text(tmp_path / "bay.toml", 0, found, calibrated=True)
    (tmp_path / "new.toml").write_text(text)
    assert load_bay(tmp_path / "new.toml").towers[0].camera == camera
    (tmp_path / "camera.toml").write_text(measured_camera(found, "measured", {"fx": 0.2}))
    assert read_camera(tmp_path / "camera.toml") == camera
    assert 'fx = "0.2 px"' in (tmp_path / "camera.toml").read_text()


def test_a_bit_depth_that_pictures_contradict_is_refused():
    white, one = np.full((20, 20), 1023, np.uint16), np.full((20, 20), 700, np.uint16)
    one[3, 3] = 1023
    shots = [SimpleNamespace(pictures=[Picture(grey, full_scale=4095)]) for grey in (white, one)]
    check_bits(shots, 10)
    check_bits(shots[1:], 12)
    with pytest.raises(ConfigError, match="say 10"):
        check_bits(shots, 12)


def test_a_series_too_bright_to_be_found_waits_for_one_that_shows_the_target(monkeypatch):
    def read(one, setup, before):
        if one.name == "bright" and not before:
            raise NotFoundError("bright-01.png")
        return SimpleNamespace(series=one, pictures=[])

    seen = []
    monkeypatch.setattr(measure, "read_shot", read)
    monkeypatch.setattr(measure, "check_bits", lambda shots, bits: seen.extend(shots))
    monkeypatch.setattr(measure, "_sensor", lambda shots, setup: SimpleNamespace(known=None))
    series = [Series(name, "repeats", ()) for name in ("bright", "still")]
    setup = SimpleNamespace(imaging=SimpleNamespace(sensor=SimpleNamespace(bit_depth=8)))
    measure.characterise(series, setup, lambda done, total: None)
    assert [shot.series.name for shot in seen] == ["still", "bright"]
    with pytest.raises(NotFoundError):
        measure.characterise(series[:1], setup, lambda done, total: None)


def test_series_go_by_name(tmp_path):
    names = [f"near-{k:02d}.png" for k in range(9)] + ["dark-1.png", "a.png", "b-1.png"]
    series = series_of([tmp_path / n for n in names])
    assert [(s.name, s.kind, len(s.paths)) for s in series] == [
        ("near", "repeats", 9),
        ("dark", "dark", 1),
        ("a", "view", 1),
        ("b-1", "view", 1),
    ]
