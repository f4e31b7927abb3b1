"""Measurements from site that replace what a budget would rehearse or assume."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from bench.budget.registration import BarStep
from bench.cameras.result import CalibrationValue
from bench.envelope import Result, refuse_other
from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.registration.bar_views import ENDS, SIDES, Glimpse, T_left_right_of, glimpses_of
from bench.registration.level_result import LevelValue
from bench.registration.result import RegistrationValue
from bench.scene.model import Bay, Tower
from bench.scene.parts import bay_parts
from bench.scene.tower_pair import tower_pair
from bench.solve.response import CameraErrors, calibrated_errors
from bench.typing import Array

# A response is linear about the bay file's geometry: towers that stand off it by a tenth of the
# nearest range, or of a radian, change it by about a tenth, which is as far as uncertainties are
# stated (two digits). 0.25 m is a tenth of 2.5 m.
MOST_SHIFT, MOST_TURN = 0.25, 0.1
# Between a calibration and the bay file's lens: beyond, it is another lens. A lens is within
# some per cent of its name when focused near (data sheets, from memory).
MOST_FOCAL_DIFFERENCE = 0.1


@dataclass(frozen=True, eq=False)
class Measured:
    """Results from site; what is None is rehearsed or assumed.

    Attributes
    ----------
    registration : Result of RegistrationValue or None
        From 'register solve'.
    level : Result of LevelValue or None
        From 'level solve'.
    calibrations : dict of str to Result of CalibrationValue
        From 'intrinsics', by side: ``left``, ``right``.
    """

    registration: Result[RegistrationValue] | None = None
    level: Result[LevelValue] | None = None
    calibrations: dict[str, Result[CalibrationValue]] = field(default_factory=dict)

    @property
    def sources(self) -> dict[str, str]:
        """Which parts were measured, and the file that says so."""
        found = {}
        if self.registration is not None:
            found["registration"] = str(self.registration.path)
        if self.level is not None:
            found["level"] = str(self.level.path)
        for side, result in self.calibrations.items():
            found[f"{side} camera"] = str(result.path)
        return found

    @property
    def digests(self) -> dict[str, str]:
        """Digests of the results by part, for the envelope of what follows from them."""
        found = {f"{side} calibration": r.digest for side, r in self.calibrations.items()}
        if self.registration is not None:
            found["registration"] = self.registration.digest
        if self.level is not None:
            found["level"] = self.level.digest
        return found

    @property
    def words(self) -> tuple[str, ...]:
        """Say what is measured and what is rehearsed."""
        parts = ("registration", "level", *(f"{side} camera" for side in SIDES))
        sources = self.sources
        lines = [f"measured: {name}, from {path}" for name, path in sources.items()]
        rest = [name for name in parts if name not in sources]
        if rest:
            lines.append(f"rehearsed or assumed: {', '.join(rest)}")
        return tuple(lines)

    @property
    def said(self) -> tuple[str, ...]:
        """The same where anything was measured; else nothing."""
        return self.words if self.sources else ()

    def contradictions(self, bay: Bay) -> tuple[str, ...]:
        """Return what the results themselves say against them."""
        if self.registration is None:
            return ()
        value = self.registration.value
        found = [f"{self.registration.path}: failed {name}" for name in value.failed_checks]
        shift, turn = off_plan(bay, value.T_left_right.pose)
        if shift > 0.5 * MOST_SHIFT or turn > 0.5 * MOST_TURN:
            found.append(
                f"{self.registration.path}: the towers stand {1e3 * shift:.0f} mm and "
                f"{math.degrees(turn):.1f} deg from the bay file's"
            )
        return tuple(found)


NOTHING = Measured()


def checked(bay: Bay, measured: Measured) -> Bay:
    """Return the bay with its towers' calibrated cameras, once all results are found to fit it.

    Raises
    ------
    ConfigError
        A result was made for another bar or camera, a calibration is of another lens or frame,
        or the towers stand too far from the bay file's.
    """
    here, whose = bay_parts(bay), bay.path.name
    by_side: dict[str, Tower] = dict(zip(SIDES, tower_pair(bay), strict=True))
    towers = list(bay.towers)
    for side, result in measured.calibrations.items():
        tower = by_side[side]
        camera = calibrated_camera(tower.camera, result)
        towers[towers.index(tower)] = replace(tower, camera=camera)
    if measured.registration is not None:
        _check_registration(bay, measured, here, whose)
    if measured.level is not None:
        refuse_other(measured.level, here, whose)
        if measured.registration is not None:
            refuse_other(
                measured.level,
                {"registration": measured.registration.digest},
                str(measured.registration.path),
            )
    return replace(bay, towers=tuple(towers))


def calibrated_camera(own: Camera, result: Result[CalibrationValue]) -> Camera:
    """Return a tower's camera as it was calibrated.

    Raises
    ------
    ConfigError
        The calibration is of another frame or lens.
    """
    camera = result.value.camera.camera
    if (camera.width, camera.height) != (own.width, own.height):
        raise ConfigError(
            f"{result.path}: a camera of {camera.width} × {camera.height} px; the bay file's has "
            f"{own.width} × {own.height} px"
        )
    if abs(camera.fx / own.fx - 1.0) > MOST_FOCAL_DIFFERENCE:
        raise ConfigError(
            f"{result.path}: f = {camera.fx:.0f} px is another lens than the bay file's, "
            f"{own.fx:.0f} px"
        )
    return replace(camera, pixel_pitch=own.pixel_pitch)


def _check_registration(bay: Bay, measured: Measured, here: dict[str, str], whose: str) -> None:
    result = measured.registration
    assert result is not None
    refuse_other(result, here, whose)
    for side, calibration in measured.calibrations.items():
        used = result.value.cameras.get(side)
        theirs = calibration.value.camera
        if used is not None and used.camera != replace(
            theirs.camera, pixel_pitch=used.pixel_pitch
        ):
            raise ConfigError(
                f"{result.path}: was computed with another {side} camera than "
                f"{calibration.path}; solve it again with that one"
            )
    shift, turn = off_plan(bay, result.value.T_left_right.pose)
    if shift > MOST_SHIFT or turn > MOST_TURN:
        raise ConfigError(
            f"{result.path}: the right tower stands {shift:.2f} m and {math.degrees(turn):.1f} "
            f"deg from where {whose} has it against the left one; beyond {MOST_SHIFT:g} m or "
            f"{math.degrees(MOST_TURN):.1f} deg it is another bay: mend the bay file"
        )


def off_plan(bay: Bay, T_left_right: Pose) -> tuple[float, float]:
    """Return how far the right tower is from a bay's, metres and radians, in the left's frame."""
    plan = T_left_right_of(bay)
    shift = float(np.linalg.norm(T_left_right.translation - plan.translation))
    turn = Pose(plan.rotation.T @ T_left_right.rotation, np.zeros(3))
    return shift, float(np.linalg.norm(turn.rotvec))


def camera_errors(bay: Bay, measured: Measured) -> tuple[CameraErrors, CameraErrors]:
    """Return what isn't known of the left and the right tower's camera."""
    found = []
    for side, tower in zip(SIDES, tower_pair(bay), strict=True):
        result = measured.calibrations.get(side)
        found.append(
            CameraErrors(bay.budget.camera_modes(tower.camera))
            if result is None
            else calibrated_errors(result.value.matrix, str(result.path))
        )
    return found[0], found[1]


def measured_steps(bay: Bay, value: RegistrationValue) -> tuple[BarStep, ...]:
    """Return where the bar stood in a registration, as the left tower found it."""
    towers = dict(zip(SIDES, tower_pair(bay), strict=True))
    bar, steps = bay.bar, []
    for name, row in value.T_left_a.items():
        T_bay_bar = towers["left"].T_bay_camera @ row.pose @ bar.T_bar_a.inverse()
        seen = value.seen.get(name)
        if seen is None:
            steps.append(BarStep(T_bay_bar, glimpses_of(bay, T_bay_bar)))
            continue
        glimpses = tuple(
            Glimpse(side, end, towers[side].T_bay_camera.inverse() @ T_bay_bar @ mount)
            for side in SIDES
            for end, mount in zip(ENDS, (bar.T_bar_a, bar.T_bar_b), strict=True)
            if f"{side} {end}" in seen
        )
        steps.append(BarStep(T_bay_bar, glimpses))
    return tuple(steps)


def level_in_bay(bay: Bay, value: LevelValue) -> Array:
    """Return the covariance (2, 2) of a measured level about the bay's x and y, radians².

    The left tower's, in whose frame wheels are tied.
    """
    left, _ = tower_pair(bay)
    turn = left.T_bay_camera.rotation
    covariance = np.array(value.towers["left"].covariance)
    return np.asarray((turn @ covariance @ turn.T)[:2, :2])
