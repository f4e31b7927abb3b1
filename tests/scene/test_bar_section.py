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
