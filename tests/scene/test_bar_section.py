"""The registration bar of a bay file."""

import numpy as np
import pytest

from bench.assets import asset
from bench.errors import ConfigError
from bench.scene.bar import Bar, BarPose
from bench.scene.bar_section import poses_toml, read_poses
from bench.scene.load import load_bay


def with_bar(tmp_path, text):
    path = tmp_path / "bay.toml"
    shipped = asset("training-workshop.toml").read_text(encoding="utf-8")
    path.write_text(f"{shipped}\n[bar]\n{text}\n", encoding="utf-8")
    return path


def test_a_bay_without_a_bar_gets_the_bench_own():
    assert load_bay().bar.length == Bar().length


def test_a_bar_is_read_in_si_units(tmp_path):
    bar = load_bay(with_bar(tmp_path, 'length = "6 ft"\nturn_presets = "-40, 40 deg"')).bar
    assert bar.length == pytest.approx(1.8288)
    np.testing.assert_allclose(bar.turn_presets, np.radians([-40.0, 40.0]))
    assert bar.length_uncertainty is None  # a bar of one's own isn't calibrated unless it says so
    np.testing.assert_allclose(bar.T_a_b.translation, [-1.8288, 0, 0])


def test_turns_are_presets_or_steps_within_a_range(tmp_path):
    def turns(text, spacing=20.0):
        bar = load_bay(with_bar(tmp_path, text)).bar
        return np.degrees(bar.turns(np.radians(spacing))).round(9).tolist()

    assert turns("") == [-60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0]
    assert turns('turn_range = ["-13 deg", "41 deg"]\nangle_step = "5 deg"') == [-10, 5, 25, 40]
    assert turns('turn_range = ["0 deg", "0 deg"]') == [0.0]
    assert turns('turn_presets = "33, -7, 12 deg"', spacing=1.0) == [-7.0, 12.0, 33.0]


def test_a_bar_file_with_presets_keeps_its_digest(tmp_path):
    # of a bay file as it stands since its survey is thin enough for bays as built
    text = 'length = "6 ft"\nturn_presets = "-40, 40 deg"'
    assert load_bay(with_bar(tmp_path, text)).digest.startswith("8c831923a0c512b2")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('turn_presets = "5 deg"\nangle_step = "1 deg"', "turn_presets and angle_step contradict"),
        ('turn_range = ["1 deg", "4 deg"]\nangle_step = "5 deg"', "no whole multiple of 5 deg"),
        ('turn_range = ["20 deg", "-20 deg"]', "must begin with the smaller one"),
        ('angle_step = "0 deg"', "lies outside the limits, from 0.01 deg to 45 deg"),
    ],
)
def test_turns_that_no_stand_can_hold_are_refused(tmp_path, text, message):
    with pytest.raises(ConfigError, match=f"bay.toml: bar.*{message}"):
        load_bay(with_bar(tmp_path, text))


def test_targets_with_one_id_are_refused(tmp_path):
    target = '{ kind = "marker", marker_id = 5, size = "200 mm" }'
    path = with_bar(tmp_path, f"target_a = {target}\ntarget_b = {target}")
    with pytest.raises(ConfigError, match="both carry marker 5"):
        load_bay(path)


def test_a_misspelt_key_is_refused(tmp_path):
    with pytest.raises(ConfigError, match=r"unknown key bar\.lenght; did you mean length"):
        load_bay(with_bar(tmp_path, 'lenght = "2 m"'))


def test_poses_survive_being_written_and_read(tmp_path):
    poses = (BarPose(3.0, 0.1, 0.4, 0.1, -0.05, 0.8), BarPose(2.5, reversed=True))
    path = tmp_path / "poses.toml"
    path.write_text(poses_toml(poses, "two poses"), encoding="utf-8")
    again = read_poses(path)
    for one, other in zip(poses, again, strict=True):
        # written to 0.1 mm and 1e-6 rad
        np.testing.assert_allclose(one.T_bay_bar.matrix, other.T_bay_bar.matrix, atol=1e-4, rtol=0)
        assert one.reversed == other.reversed
