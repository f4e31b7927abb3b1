"""`sightbench aim --photo` and `--watch`: exit codes, the envelope, bad input in a line."""

import cv2
import pytest
from fixtures.tower_pictures import binned_bay, off, tower_picture

from bench.aiming.files import AIM_PHOTO
from bench.cli.main import main
from bench.envelope import read_result


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Write a bay and pictures of its left tower."""
    folder = tmp_path_factory.mktemp("aim")
    bay = binned_bay(folder)
    left = bay.towers[0]
    for name, picture in (
        ("off", tower_picture(bay, off(left, 1.5, -0.4))),
        ("aimed", tower_picture(bay, left)),
        ("missing", tower_picture(bay, left, hidden=("rear left",))),
        ("empty", tower_picture(bay, left, hidden=("rear left", "front left"))),
    ):
        cv2.imwrite(str(folder / f"{name}.png"), picture.grey)
    cv2.imwrite(str(folder / "small.png"), picture.grey[:100])
    return folder


def aim(folder, photo):
    bay, out = str(folder / "bay.toml"), str(folder / "out")
    return main(["aim", bay, "--photo", str(folder / photo), "--out", out])


@pytest.mark.parametrize(
    ("photo", "code", "state"),
    [("off", 1, "turn"), ("aimed", 0, "inside"), ("missing", 1, "mend"), ("empty", 3, "nothing")],
)
def test_a_photo_gives_an_exit_code_and_a_result(folder, capsys, photo, code, state):
    assert aim(folder, f"{photo}.png") == code
    result = read_result(folder / "out", AIM_PHOTO)
    assert result.value.state == state
    assert "\n".join(result.value.words) in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--photo", "small.png"], "is 612 x 100 px, but the camera file is for 612 x 512 px"),
        (["--photo", "none.png"], "none.png: can't be read"),
        (["--photo", "off.png", "--tower", "middle"], "no tower 'middle'; it has left, right"),
        (["--photo", "off.png", "--vehicle", "lorry"], "--vehicle: the bay has no 'lorry'"),
        (["--photo", "off.png", "--watch", "."], "--photo and --watch: give one of them"),
        (["--photo", "off.png", "--stop", "0 deg"], "--stop"),
        (["--watch", "nowhere"], "--watch nowhere: is no folder"),
        (["--watch", ".", "--port", "70000"], "Invalid value for '--port': '70000' must be "),
        (["--vehicle", "van"], "--vehicle and --station are for --photo and --watch"),
    ],
)
def test_bad_input_is_refused_in_a_line(folder, capsys, monkeypatch, options, words):
    monkeypatch.chdir(folder)
    assert main(["aim", "bay.toml", *options]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1
