"""The columns of a case that its truth decides."""

from __future__ import annotations

import math

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, tilt_of_pose
from bench.imaging.picture import Region
from bench.survey.plan import Case, grid_tilt_deg
from bench.survey.score import Row
from bench.survey.setting import Setting, is_whole, pattern_points


def truth_columns(
    case: Case, view: View, T_camera_target: Pose, setting: Setting, region: Region | None = None
) -> Row:
    """Return the columns of cases from `key` to `whole`, without `pipeline`.

    `region` is what of the sensor the plate covers with a margin, where that is known: one that
    the sensor's border doesn't cut holds the plate, and so the pattern, as a whole.
    """
    camera, target = setting.camera, setting.target
    assert view.pixel is not None  # a case always has its place in the frame
    return {
        "key": case.key,
        "range_m": case.range_m,
        "turn_deg": case.turn_deg,
        "pitch_deg": case.pitch_deg,
        "tilt_deg": grid_tilt_deg(case.turn_deg, case.pitch_deg),
        "position": case.position_name,
        "trial": case.trial,
        "range_true_m": view.range_m,
        "turn_true_deg": math.degrees(view.turn),
        "pitch_true_deg": math.degrees(view.pitch),
        "roll_true_deg": math.degrees(view.roll),
        "tilt_true_deg": math.degrees(tilt_of_pose(T_camera_target)),
        "u_true_px": view.pixel[0],
        "v_true_px": view.pixel[1],
        "size_px": math.sqrt(camera.fx * camera.fy) * target.extent / view.range_m,
        "whole": (region is not None and _within_border(region, camera))
        or is_whole(pattern_points(target), T_camera_target, camera),
    }


def _within_border(region: Region, camera: Camera) -> bool:
    """Tell whether a region touches none of the sensor's sides."""
    right, bottom = region.u0 + region.width, region.v0 + region.height
    return region.u0 > 0 and region.v0 > 0 and right < camera.width and bottom < camera.height
