"""Tables of measured poses: a pose and its standard uncertainties in every row, under names."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bench.errors import BenchError, ConfigError
from bench.geometry.pose import Pose
from bench.typing import Array

# Rotation vector, translation, and standard uncertainties: of rotation about the target's own
# axes, of translation along those of the frame of measurement. Correlations may follow as
# columns c_12 to c_56, in this order of parameters; left out, they are 0.
ROTATION = ("rx_deg", "ry_deg", "rz_deg")
TRANSLATION = ("x_mm", "y_mm", "z_mm")
UNCERTAINTY = ("u_rx_deg", "u_ry_deg", "u_rz_deg", "u_x_mm", "u_y_mm", "u_z_mm")
NUMBERS = (*ROTATION, *TRANSLATION, *UNCERTAINTY)
CORRELATIONS = tuple(f"c_{i + 1}{j + 1}" for i in range(6) for j in range(i + 1, 6))
SCALE = np.repeat([math.radians(1.0), 1e-3], 3)
# Degrees or millimetres. No bay is a kilometre long and nothing is known to a picometre: beyond
# it is a slip of the pen, and squares of such numbers overflow.
LARGEST, LEAST = 1e6, 1e-9


@dataclass(frozen=True, eq=False)
class PoseRow:
    """One row.

    Attributes
    ----------
    place : str
        File and line, for messages.
    names : mapping of str to str
        What else its columns say.
    pose : Pose
        Target to the frame of measurement.
    covariance : (6, 6) float64
        Of rotation about the target's axes, radians, and translation, metres.
    """

    place: str
    names: Mapping[str, str]
    pose: Pose
    covariance: Array


def read_pose_rows(
    path: Path, needed: Sequence[str], optional: Sequence[str] = ()
) -> tuple[PoseRow, ...]:
    """Return the rows of a CSV table.

    Parameters
    ----------
    path : pathlib.Path
        With columns `needed`, rx_deg, ry_deg, rz_deg (rotation vector), x_mm, y_mm, z_mm and
        their standard uncertainties u_rx_deg to u_z_mm; correlations c_12 to c_56, in that
        order, may follow.
    needed, optional : sequence of str
        Names of further columns; an optional one may be empty.

    Raises
    ------
    ConfigError
        It can't be read, lacks a column or a value, or has one that makes no sense.
    """
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
    whole = (*needed, *NUMBERS)
    for name in whole:
        if name not in columns:
            raise ConfigError(f"{path}: column {name} is missing; needed are {', '.join(whole)}")
    for name in columns:
        if name not in (*whole, *optional, *CORRELATIONS):
            raise ConfigError(f"{path}: unknown column {name}")
    if not lines:
        raise ConfigError(f"{path}: has no rows")
    rows = tuple(_row(row, f"{path}: line {number}", optional) for number, row in lines)
    _refuse_copies(rows)
    return rows


def _refuse_copies(rows: Sequence[PoseRow]) -> None:
    """Refuse a row that repeats another's every number: a copy is no second measurement."""
    seen: dict[tuple[object, ...], str] = {}
    for row in rows:
        numbers = (*row.pose.rotation.ravel(), *row.pose.translation)
        key = (*sorted(row.names.items()), *(float(v) for v in numbers))
        if key in seen:
            raise ConfigError(
                f"{row.place}: repeats {seen[key].rsplit(': ', 1)[-1]}, number for number; a copy "
                "is no second measurement"
            )
        seen[key] = row.place


def _row(row: dict[str, str | None], place: str, optional: Sequence[str]) -> PoseRow:
    if row.get(None) is not None:  # type: ignore[call-overload]  # what DictReader calls the rest
        raise ConfigError(f"{place}: has more values than the table has columns")
    text = {name: (value or "").strip() for name, value in row.items()}
    for name, value in text.items():
        if not value and name not in optional:
            raise ConfigError(f"{place}: {name} is empty")
    numbers = {name: number_of(text[name], name, place) for name in NUMBERS}
    for name in UNCERTAINTY:
        if not numbers[name] > 0.0:
            raise ConfigError(f"{place}: {name}: {numbers[name]:g} must be above 0")
        if numbers[name] < LEAST:
            raise ConfigError(f"{place}: {name}: {numbers[name]:g} must be {LEAST:g} or more")
    for name in NUMBERS:
        if not abs(numbers[name]) <= LARGEST:
            raise ConfigError(
                f"{place}: {name}: {numbers[name]:g} must be within {LARGEST:,.0f} either way"
            )
    correlation = np.eye(6)
    for name in CORRELATIONS:
        if name in text:
            i, j = int(name[2]) - 1, int(name[3]) - 1
            correlation[i, j] = correlation[j, i] = number_of(text[name], name, place)
    if not float(np.linalg.eigvalsh(correlation)[0]) > 0.0:
        raise ConfigError(f"{place}: correlations c_12 to c_56 contradict each other")
    sigma = SCALE * [numbers[name] for name in UNCERTAINTY]
    try:
        pose = Pose.from_rotvec(
            np.radians([numbers[name] for name in ROTATION]),
            1e-3 * np.array([numbers[name] for name in TRANSLATION]),
        )
    except BenchError as error:
        raise ConfigError(f"{place}: {error}") from error
    known = (*NUMBERS, *CORRELATIONS)
    names = {name: value for name, value in text.items() if name not in known}
    return PoseRow(place, names, pose, correlation * np.outer(sigma, sigma))


def number_of(text: str, name: str, place: str) -> float:
    """Return a finite number.

    Raises
    ------
    ConfigError
        It is none.
    """
    try:
        value = float(text)
    except ValueError as error:
        raise ConfigError(f"{place}: {name}: '{text}' must be a number") from error
    if not math.isfinite(value):
        raise ConfigError(f"{place}: {name}: '{text}' must be finite")
    return value


def pose_row(names: Mapping[str, str], T: Pose, covariance: Array) -> dict[str, str]:
    """Return a row of such a table, as text, from a pose and its covariance (6, 6)."""
    deviation = np.sqrt(np.diag(covariance))
    linked = covariance / np.outer(deviation, deviation)
    numbers = [*np.degrees(T.rotvec), *(1e3 * T.translation), *(deviation / SCALE)]
    return {
        **names,
        **{name: f"{value:.9g}" for name, value in zip(NUMBERS, numbers, strict=True)},
        **{name: f"{linked[int(name[2]) - 1, int(name[3]) - 1]:.9f}" for name in CORRELATIONS},
    }


def csv_text(rows: Sequence[Mapping[str, str]]) -> str:
    """Return rows of the same columns as a CSV table."""
    columns = list(rows[0])
    lines = [",".join(columns)] + [",".join(row[c] for c in columns) for row in rows]
    return "\n".join(lines) + "\n"


def read_registration(path: Path) -> tuple[Pose, Array]:
    """Return T_left_right and its covariance (6, 6) from 'sightbench register solve'.

    Raises
    ------
    ConfigError
        The file can't be read or isn't one of these.
    """
    content = read_json(path)
    try:
        T = Pose.from_rotvec(
            np.array(content["T_left_right"]["rotation_vector_rad"], dtype=np.float64),
            np.array(content["T_left_right"]["translation_m"], dtype=np.float64),
        )
        covariance = np.array(content["covariance"], dtype=np.float64)
        np.linalg.cholesky(covariance)
    except (KeyError, TypeError, ValueError, BenchError, np.linalg.LinAlgError) as error:
        raise ConfigError(
            f"{path}: not a registration.json of 'sightbench register solve'"
        ) from error
    if covariance.shape != (6, 6):
        raise ConfigError(f"{path}: covariance must be 6 by 6, is {covariance.shape}")
    return T, covariance


def read_json(path: Path) -> dict[str, Any]:
    """Return the object of a JSON file.

    Raises
    ------
    ConfigError
        It can't be read or is none.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror or error}") from error
    except ValueError as error:
        raise ConfigError(f"{path}: not a JSON file: {error}") from error
    if not isinstance(content, dict):
        raise ConfigError(f"{path}: must hold a JSON object")
    return content
