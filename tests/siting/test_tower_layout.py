"""Layouts of two towers: read from a bay, put into a bay."""

from dataclasses import astuple, replace

import numpy as np
import pytest

from bench.errors import ConfigError
from bench.scene.load import load_bay
from bench.siting.tower_layout import Layout, layout_of, with_focal_length, with_layout


@pytest.fixture(scope="module")
def bay():
    return load_bay()


def test_a_bay_s_own_layout_changes_nothing(bay):
    same = with_layout(bay, layout_of(bay))
    for before, after in zip(bay.towers, same.towers, strict=True):
        # halves and means of the file's decimals: rounding alone
        np.testing.assert_allclose(astuple(after.placement), astuple(before.placement), atol=1e-15)
        assert after.camera == before.camera
    assert same.stations == bay.stations


def test_towers_stand_mirror_symmetrically_and_look_inward(bay):
    left, right = with_layout(bay, Layout(4.0, 1.5, 3.0, 0.3, -0.2)).towers
    assert (left.placement.offset, right.placement.offset) == (2.0, -2.0)
    assert (left.placement.yaw, right.placement.yaw) == (0.3, -0.3)
    assert left.placement.pitch == right.placement.pitch == -0.2
    # inward: the left tower, at positive y, looks toward negative y
    assert left.T_bay_camera.rotation[1, 2] < 0.0 < right.T_bay_camera.rotation[1, 2]


def test_stations_move_with_the_standoff(bay):
    own = layout_of(bay)
    moved = with_layout(bay, replace(own, standoff=own.standoff + 0.5))
    assert moved.standoff == bay.standoff + 0.5
    for before, after in zip(bay.stations, moved.stations, strict=True):
        assert after.standoff == pytest.approx(before.standoff + 0.5, abs=1e-12)
        assert after.lift == before.lift


def test_another_lens_scales_both_focal_lengths_alone(bay):
    camera = replace(bay.towers[0].camera, fx=3000.0, fy=3300.0, pixel_pitch=4e-6)
    longer = with_focal_length(camera, 0.024)  # fx is 12 mm
    assert longer.fx == pytest.approx(6000.0)
    assert longer.fy == pytest.approx(6600.0)
    assert replace(longer, fx=camera.fx, fy=camera.fy) == camera


def test_another_lens_needs_the_pixel_pitch(bay):
    camera = replace(bay.towers[0].camera, pixel_pitch=None)
    with pytest.raises(ConfigError, match="pixel_pitch"):
        with_focal_length(camera, 0.016)


def test_a_bay_without_a_pair_of_towers_has_no_layout(bay):
    left = bay.towers[0]
    both_left = replace(bay, towers=(left, replace(left, name="second")))
    with pytest.raises(ConfigError, match=r"this bay's stand at 1\.6 m, 1\.6 m from it"):
        layout_of(both_left)
