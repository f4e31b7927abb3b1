"""Tables of measured poses: a registration from what other programs or instruments measured."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from bench.errors import BenchError, ConfigError
from bench.geometry.pose import Pose
from bench.solve.registration_data import Cameras, End, MeasuredPose, Side, Sight, Step
from bench.typing import Array

# Rotation vector of R_camera_target, translation, and standard uncertainties: of rotation about
# the target's own axes, of translation along the camera's. Correlations may follow as columns
# c_12 to c_56, in this order of parameters; left out, they are 0.
ROTATION = ("rx_deg", "ry_deg", "rz_deg")
TRANSLATION = ("x_mm", "y_mm", "z_mm")
UNCERTAINTY = ("u_rx_deg", "u_ry_deg", "u_rz_deg", "u_x_mm", "u_y_mm", "u_z_mm")
NAMES = ("pose", "tower", "target")
NEEDED = (*NAMES, *ROTATION, *TRANSLATION, *UNCERTAINTY)
CORRELATIONS = tuple(f"c_{i + 1}{j + 1}" for i in range(6) for j in range(i + 1, 6))
SCALE = np.repeat([math.radians(1.0), 1e-3], 3)
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
    try:
        with path.open(newline="", encoding="utf-8") as file:
            reader = csv.DictReader(file)
            columns = tuple(name.strip() for name in reader.fieldnames or ())
            reader.fieldnames = columns
            lines = [(reader.line_num, row) for row in reader]
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror or error}") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{path}: not a CSV table in UTF-8: {error}") from error
    for name in NEEDED:
        if name not in columns:
            raise ConfigError(f"{path}: column {name} is missing; needed are {', '.join(NEEDED)}")
    for name in columns:
        if name not in (*NEEDED, *CORRELATIONS):
            raise ConfigError(f"{path}: unknown column {name}")
    steps: dict[str, list[MeasuredPose]] = {}
    for number, row in lines:
        place = f"{path}: line {number}"
        pose, measured = _row(row, columns, place)
        for other in steps.setdefault(pose, []):
            if (other.tower, other.end) == (measured.tower, measured.end):
                raise ConfigError(
                    f"{place}: a second row for pose {pose}, tower {other.tower}, target "
                    f"{other.end}"
                )
        steps[pose].append(measured)
    if not steps:
        raise ConfigError(f"{path}: has no rows")
    for pose, rows in steps.items():
        for tower in SIDES:
            if all(measured.tower != tower for measured in rows):
                raise ConfigError(
                    f"{path}: pose {pose} has no row for the {tower} tower; every pose needs one "
                    "for each"
                )
    return tuple(Step(f"pose {pose}", tuple(rows)) for pose, rows in steps.items())


def _row(
    row: dict[str, str | None], columns: Sequence[str], place: str
) -> tuple[str, MeasuredPose]:
    text = {}
    for name in columns:
        value = (row.get(name) or "").strip()
        if not value:
            raise ConfigError(f"{place}: {name} is empty")
        text[name] = value
    if row.get(None) is not None:  # type: ignore[call-overload]  # what DictReader calls the rest
        raise ConfigError(f"{place}: has more values than the table has columns")
    tower = next((s for s in SIDES if s == text["tower"].lower()), None)
    end = next((e for e in ENDS if e == text["target"].upper()), None)
    if tower is None:
        raise ConfigError(f"{place}: tower: '{text['tower']}' must be left or right")
    if end is None:
        raise ConfigError(f"{place}: target: '{text['target']}' must be A or B")
    numbers = {}
    for name in columns:
        if name in NAMES:
            continue
        try:
            numbers[name] = float(text[name])
        except ValueError as error:
            raise ConfigError(f"{place}: {name}: '{text[name]}' must be a number") from error
        if not math.isfinite(numbers[name]):
            raise ConfigError(f"{place}: {name}: '{text[name]}' must be finite")
    for name in UNCERTAINTY:
        if not numbers[name] > 0.0:
            raise ConfigError(f"{place}: {name}: {numbers[name]:g} must be above 0")
    correlation = np.eye(6)
    for name in CORRELATIONS:
        i, j = int(name[2]) - 1, int(name[3]) - 1
        correlation[i, j] = correlation[j, i] = numbers.get(name, 0.0)
    sigma = SCALE * np.array([numbers[name] for name in UNCERTAINTY], dtype=np.float64)
    turned = np.radians([numbers[name] for name in ROTATION])
    moved = 1e-3 * np.array([numbers[name] for name in TRANSLATION])
    try:
        pose = Pose.from_rotvec(turned, moved)
        covariance = np.asarray(correlation * np.outer(sigma, sigma), dtype=np.float64)
        measured = MeasuredPose(tower, end, pose, covariance)
    except BenchError as error:
        raise ConfigError(f"{place}: {error}") from error
    return text["pose"], measured


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
    return MeasuredPose(sight.tower, sight.end, pose, covariance)


def pose_table(steps: Sequence[Step]) -> str:
    """Return measured poses as `read_pose_table` takes them, with correlations."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow((*NEEDED, *CORRELATIONS))
    for step in steps:
        for sight in step.sights:
            if isinstance(sight, MeasuredPose):
                name = step.name.removeprefix("step ").removeprefix("pose ")
                writer.writerow((name, sight.tower, sight.end, *_numbers(sight)))
    return out.getvalue()


def _numbers(sight: MeasuredPose) -> list[str]:
    T, covariance = sight.T_camera_target, sight.covariance
    sigma = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sigma, sigma)
    upper: Array = correlation[np.triu_indices(6, 1)]
    poses = (*np.degrees(T.rotvec), *(1e3 * T.translation))
    return [f"{v:.6f}" for v in poses] + [f"{v:.6g}" for v in (*(sigma / SCALE), *upper)]
