"""Tables of measured poses: a registration from what other programs or instruments measured."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from bench.errors import BenchError
from bench.registration.pose_rows import PoseRow, csv_text, pose_row, read_pose_rows, refuse_behind
from bench.registration.sights import Cameras, End, MeasuredPose, Side, Sight, Step
from bench.tables import refusal
from bench.typing import Array
from bench.units import shown

NAMES = ("pose", "tower", "target")
SIDES: tuple[Side, ...] = ("left", "right")
ENDS: tuple[End, ...] = ("A", "B")


def read_pose_table(path: Path | str) -> tuple[Step, ...]:
    """Return the steps of a CSV table with a row for each bar pose, tower and target.

    Raises
    ------
    ConfigError
        It can't be read, lacks a column, a value or a row, or has one that makes no sense; one
        line with file, line, column and value.
    """
    path = Path(path)
    steps: dict[str, list[MeasuredPose]] = {}
    for row in read_pose_rows(path, NAMES, key=NAMES):
        steps.setdefault(row.names["pose"], []).append(_measured_pose(row))
    for pose, rows in steps.items():
        for tower in SIDES:
            if all(measured.tower != tower for measured in rows):
                raise refusal(
                    path,
                    f"pose {pose} has no row for the {tower} tower; every pose needs one for each",
                )
    return tuple(Step(f"pose {pose}", tuple(rows)) for pose, rows in steps.items())


def _measured_pose(row: PoseRow) -> MeasuredPose:
    tower = next((s for s in SIDES if s == row.names["tower"].lower()), None)
    end = next((e for e in ENDS if e == row.names["target"].upper()), None)
    if tower is None:
        raise row.refusal(f"tower: {shown(row.names['tower'])} must be left or right")
    if end is None:
        raise row.refusal(f"target: {shown(row.names['target'])} must be A or B")
    refuse_behind(row, tower)
    try:
        return MeasuredPose(tower, end, row.pose, row.covariance)
    except BenchError as error:
        raise row.refusal(str(error)) from error


def measured_steps(steps: Sequence[Step], cameras: Cameras) -> tuple[Step, ...]:
    """Return steps with every sight's points replaced by the pose that they give by themselves.

    Raises
    ------
    GeometryError
        A sight's points fit no pose.
    """
    return tuple(
        Step(
            step.name,
            tuple(
                _measured(sight, cameras) if isinstance(sight, Sight) else sight
                for sight in step.sights
            ),
        )
        for step in steps
    )


def _measured(sight: Sight, cameras: Cameras) -> MeasuredPose:
    pose = sight.pose(cameras)
    jacobian = sight.jacobian(pose, cameras)
    covariance: Array = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=np.float64)
    return MeasuredPose(sight.tower, sight.end, pose, covariance, sight.p_target)


def pose_table(steps: Sequence[Step]) -> str:
    """Return measured poses as `read_pose_table` takes them, with correlations."""
    return csv_text(
        [
            pose_row(
                {
                    "pose": step.name.removeprefix("step ").removeprefix("pose "),
                    "tower": sight.tower,
                    "target": sight.end,
                },
                sight.T_camera_target,
                sight.covariance,
            )
            for step in steps
            for sight in step.sights
            if isinstance(sight, MeasuredPose)
        ]
    )
