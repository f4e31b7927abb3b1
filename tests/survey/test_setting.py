import dataclasses
import math

import numpy as np
import pytest

from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.survey.setting import (
    check_plan,
    cut_cells,
    is_whole,
    pattern_points,
    shortest_range,
)
from bench.targets.design import CirclesDesign, MarkerDesign, build_target


def test_digests_follow_content(setting):
    same = dataclasses.replace(setting, target=build_target(MarkerDesign()))
    assert same.digests() == setting.digests()
    other = dataclasses.replace(setting, target=build_target(MarkerDesign(marker_id=1)))
    changed = {k for k in setting.digests() if other.digests()[k] != setting.digests()[k]}
    assert changed == {"target"}


def test_shortest_range_is_where_the_pattern_fills_the_picture(make_job, setting):
    # 900 px × 0.2 m over 480 rows is 0.375 m face-on; the range varies by 1 %
    limit, why = shortest_range(make_job().plan, setting)
    assert limit == pytest.approx(900 * 0.2 / 480 / 0.99, rel=1e-12)
    assert "larger than the picture" in why


def test_shortest_range_of_a_wide_lens_keeps_the_target_off_the_camera(make_job, setting):
    wide = dataclasses.replace(setting, camera=Camera(4000, 3000, 500.0, 500.0, 1999.5, 1499.5))
    plate = setting.target.drawing
    limit, why = shortest_range(make_job().plan, wide)
    assert limit == pytest.approx(math.hypot(plate.width, plate.height) / 2 / 0.99, rel=1e-12)
    assert "touch the camera" in why


def test_a_range_inside_the_limit_is_refused_with_the_limit(make_job):
    job = make_job(ranges_m=(0.3, 2.0))
    with pytest.raises(
        ConfigError, match=r"ranges: 0.3 m is too short .* above 0.379 m is allowed"
    ):
        check_plan(job.plan, job.setting)


def test_a_position_the_lens_model_cannot_reach_is_refused(make_job, setting):
    # x_d = x - 0.9 x³ turns back at x = 0.61, so no ray meets x_d above 0.405; the frame's
    # corner lies at 0.44
    barrel = dataclasses.replace(
        setting, camera=dataclasses.replace(setting.camera, distortion=(-0.9, 0, 0, 0, 0))
    )
    job = make_job(positions=((1.0, 1.0),))
    with pytest.raises(ConfigError, match=r"position: \(1.0, 1.0\)"):
        check_plan(job.plan, barrel)


@pytest.mark.parametrize(("pixel", "whole"), [((320, 240), True), ((30, 240), False)])
def test_whole_means_every_corner_is_in_the_frame(setting, pixel, whole):
    # at 2 m the marker is 90 px wide: centred at 320 it fits, at 30 it reaches to -15
    T = pose_of_view(View(2.0, pixel=pixel), setting.camera)
    assert is_whole(pattern_points(setting.target), T, setting.camera) is whole


def test_cells_are_counted_as_cut_where_any_position_cuts_the_pattern(make_job):
    job = make_job(positions=(None, (0.06, 0.5)))
    # at 1.5 m the marker is 120 px wide, at 3 m 60 px; 6 % across is 38 px from the edge
    assert cut_cells(job.plan, job.setting) == 2
    assert cut_cells(make_job().plan, job.setting) == 0


def test_pattern_points_of_circles_are_their_centres():
    target = build_target(CirclesDesign())
    assert np.array_equal(pattern_points(target)[:, :2], target.points)
