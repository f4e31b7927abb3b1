"""The bound of a cell's pictures, from a few of them where it varies smoothly.

What a picture tells of a pose is smooth in range, turn, pitch and roll once the drawing's lines
stand far apart for the lens's blur: the places of lines within pixels then average out. Of such a
cell `NODES` pictures, spread over its variation, are looked at in full; a polynomial of second
order in turn, pitch and roll and of first in range goes through their information, not through
the bound, which runs off where a target comes to face the camera. Translations are taken about
the target's axes and over the range, so that roll and range hardly matter.

Which cells: patterns of `LEAST_PX` and more, wholly within the frame, whose nodes the polynomial
gives back within `ALLOWED`; every other picture's bound is its own. Over the shipped target's
views at 300 px the bounds of 30 other pictures a cell differed from their own by 0.2 % (root mean
square), at most by 2 %; the error of a picture scatters by 100 % of its bound. No bound depends on
a plan's trials or on which worker asks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Region
from bench.imaging.region import region_of
from bench.render.planar import MARGIN_PX
from bench.solve.bounds import image_bound
from bench.survey.plan import Case, Plan, position_of_case, position_pixel
from bench.survey.sequence import recurrence_steps
from bench.survey.setting import Setting
from bench.survey.truth import within_border
from bench.typing import Array

NODES, TERMS = 12, 9
LEAST_PX = 200.0
# Root mean square of the relative errors that the nodes' standard deviations may have, enlarged
# for the terms that were fitted to them.
ALLOWED = 0.01
# Wider variation isn't followed by a polynomial of second order.
MOST_ROLL_DEG, MOST_TILT_DEG, MOST_RANGE = 20.0, 2.0, 0.03
CELLS_KEPT = 4096


@dataclass(frozen=True, eq=False)
class CellBound:
    """A cell's information as a polynomial: coefficients (TERMS, 36), and what it is of."""

    plan: Plan
    case: Case
    terms: Array

    def covariance(self, view: View, T_camera_target: Pose) -> Array:
        """Return the bound (6, 6), see `bench.solve.bounds.image_bound`, of one of its pictures.

        Raises
        ------
        numpy.linalg.LinAlgError
            The picture doesn't determine the pose.
        """
        place = _place(view, self.case, self.plan)
        information = (_powers(place[None])[0] @ self.terms).reshape(6, 6)
        axes = _axes(view, T_camera_target)
        return np.asarray(axes @ np.linalg.inv(information) @ axes.T)


class CellBounds:
    """The cells of one survey that were looked at so far."""

    def __init__(self, plan: Plan, setting: Setting) -> None:
        self.plan, self.setting = plan, setting
        illumination, optics = setting.imaging.illumination, setting.imaging.optics
        self.smooth = (
            optics.is_gaussian
            and optics.sigma_px > 0.0
            and illumination.highlight is None
            and plan.roll_spread_deg <= MOST_ROLL_DEG
            and plan.tilt_spread_deg <= MOST_TILT_DEG
            and plan.range_spread <= MOST_RANGE
        )
        self._kept: dict[tuple[float, ...], CellBound | None] = {}

    def covariance(self, case: Case, view: View, T_camera_target: Pose, region: Region) -> Array:
        """Return the bound (6, 6) of a case; errors as `bench.solve.bounds.image_bound`."""
        setting = self.setting
        cell = self._cell(case) if within_border(region, setting.camera) else None
        if cell is not None:
            return cell.covariance(view, T_camera_target)
        return image_bound(
            setting.target.drawing, T_camera_target, setting.camera, setting.imaging, region
        )

    def _cell(self, case: Case) -> CellBound | None:
        camera = self.setting.camera
        size = math.sqrt(camera.fx * camera.fy) * self.setting.target.extent / case.range_m
        if not self.smooth or size < LEAST_PX:
            return None
        pixel = position_pixel(position_of_case(case, self.plan), camera)
        key = (case.range_m, case.turn_deg, case.pitch_deg, *pixel)
        if key not in self._kept:
            if len(self._kept) >= CELLS_KEPT:
                self._kept.clear()
            self._kept[key] = self._looked_at(case, pixel)
        return self._kept[key]

    def _looked_at(self, case: Case, pixel: tuple[float, float]) -> CellBound | None:
        setting, plan = self.setting, self.plan
        camera, drawing = setting.camera, setting.target.drawing
        rows, informations, bounds = [], [], []
        for k in range(NODES):
            view = _node(k, case, plan, pixel)
            try:
                T_camera_target = pose_of_view(view, camera)
                region = region_of(drawing, T_camera_target, camera, MARGIN_PX)
                bound = image_bound(drawing, T_camera_target, camera, setting.imaging, region)
            except (GeometryError, np.linalg.LinAlgError):
                return None
            if not within_border(region, camera):
                return None
            axes = np.linalg.inv(_axes(view, T_camera_target))
            bounds.append(axes @ bound @ axes.T)
            informations.append(np.linalg.inv(bounds[-1]).reshape(-1))
            rows.append(_place(view, case, plan))
        powers = _powers(np.array(rows))
        terms = np.asarray(
            np.linalg.lstsq(powers, np.array(informations), rcond=None)[0], dtype=np.float64
        )
        fitted = np.linalg.inv((powers @ terms).reshape(-1, 6, 6))
        ratio = np.diagonal(fitted, 0, 1, 2) / np.diagonal(np.array(bounds), 0, 1, 2)
        if not np.all(ratio > 0.0):
            return None
        off = math.sqrt(np.mean((np.sqrt(ratio) - 1.0) ** 2) * NODES / (NODES - TERMS))
        return CellBound(plan, case, terms) if off <= ALLOWED else None


def _node(k: int, case: Case, plan: Plan, pixel: tuple[float, float]) -> View:
    """Return a view of a cell, spread evenly over its variation and the same for every seed."""
    vary = 2.0 * ((0.5 + k * recurrence_steps(6)) % 1.0) - 1.0
    return View(
        range_m=case.range_m * (1.0 + plan.range_spread * vary[5]),
        turn=math.radians(case.turn_deg + plan.tilt_spread_deg * vary[3]),
        pitch=math.radians(case.pitch_deg + plan.tilt_spread_deg * vary[4]),
        roll=math.radians(plan.roll_deg + plan.roll_spread_deg * vary[2]),
        pixel=(pixel[0] + 0.5 * vary[0], pixel[1] + 0.5 * vary[1]),
    )


def _place(view: View, case: Case, plan: Plan) -> Array:
    """Return range, turn, pitch and roll (4,) of a view about its cell's, of order one."""
    return np.array(
        [
            (view.range_m / case.range_m - 1.0) / MOST_RANGE,
            math.degrees(view.turn) - case.turn_deg,
            math.degrees(view.pitch) - case.pitch_deg,
            (math.degrees(view.roll) - plan.roll_deg) / MOST_ROLL_DEG,
        ]
    )


def _powers(places: Array) -> Array:
    """Return the polynomial's terms (N, TERMS) at places (N, 4)."""
    range_, turn, pitch, roll = places.T
    even = np.ones(len(places))
    second = (turn * turn, pitch * pitch, turn * pitch, roll * roll)
    return np.column_stack((even, range_, turn, pitch, roll, *second))


def _axes(view: View, T_camera_target: Pose) -> Array:
    """Return what takes (ω, τ') to (ω, τ): τ' about the target's axes and over the range."""
    axes = np.eye(6)
    axes[3:, 3:] = view.range_m * T_camera_target.rotation
    return axes
