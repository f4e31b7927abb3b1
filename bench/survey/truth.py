"""The columns of a case that its truth decides."""

from __future__ import annotations

import math

import numpy as np

from bench.built.draws import OneBay, Sizes, draw_bay
from bench.built.response import parts_of, responses
from bench.errors import GeometryError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, tilt_of_pose
from bench.imaging.picture import Region
from bench.survey.plan import Case, Plan, grid_tilt_deg
from bench.survey.score import Row
from bench.survey.setting import Setting, is_whole, pattern_points
from bench.typing import Array


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
        "whole": (region is not None and within_border(region, camera))
        or is_whole(pattern_points(target), T_camera_target, camera),
    }


def bay_of_case(case: Case, plan: Plan, sizes: Sizes) -> OneBay:
    """Return the bay that a case is of: trial k is bay k in every cell."""
    return draw_bay(sizes, plan.seed, f"{plan.tower} {case.bay}")


def parts_columns(
    case: Case, T_camera_target: Pose, plan: Plan, setting: Setting
) -> tuple[Row, Array | None]:
    """Return a case's columns ``bay``, ``common_*`` and ``own_*``, and its responses.

    Nothing for a setting as drawn, and nothing but the bay where the target's points have no
    response; see `bench.built.response`.
    """
    sizes, camera = setting.built, setting.camera
    if sizes is None:
        return {}, None
    bay = bay_of_case(case, plan, sizes)
    try:
        response = responses(setting.target, T_camera_target, camera, sizes.modes)
    except (GeometryError, np.linalg.LinAlgError):
        return {"bay": bay.name}, None
    row: Row = {"bay": bay.name}
    common, own = parts_of(response, bay, sizes, T_camera_target)
    for part, turn in (("common", common), ("own", own)):
        row |= {
            f"{part}_rot_{axis}_deg": float(a)
            for axis, a in zip("xyz", np.degrees(turn), strict=True)
        }
    return row, response


def within_border(region: Region, camera: Camera) -> bool:
    """Tell whether a region touches none of the sensor's sides."""
    right, bottom = region.u0 + region.width, region.v0 + region.height
    return region.u0 > 0 and region.v0 > 0 and right < camera.width and bottom < camera.height
