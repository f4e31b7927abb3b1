"""Tables of measured poses: a pose and its standard uncertainties in every row, under names."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench.errors import BenchError, ConfigError
from bench.geometry.pose import Pose
from bench.tables import Column, Row, numbers, read_table, texts
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
# Of a rotation vector's part, degrees, and a coordinate, millimetres.
ANY_TURN, IN_A_BAY = (-360.0, 360.0), (-200_000.0, 200_000.0)
# Degrees or millimetres: nothing is known to a picometre, less is a slip of the pen.
LEAST = 1e-9


@dataclass(frozen=True, eq=False)
class PoseRow:
    """One row.

    Attributes
    ----------
    row : Row
        As it was read: file, line, and what else its columns say.
    pose : Pose
        Target to the frame of measurement.
    covariance : (6, 6) float64
        Of rotation about the target's axes, radians, and translation, metres.
    """

    row: Row
    pose: Pose
    covariance: Array

    @property
    def names(self) -> Mapping[str, str]:
        """What its columns of names say."""
        return self.row.texts

    def refusal(self, words: str) -> ConfigError:
        """Return the error that names this row; `words` name column, value and remedy."""
        return self.row.refusal(words)


def read_pose_rows(
    path: Path,
    needed: Sequence[str],
    optional: Sequence[str] = (),
    key: Sequence[str] = (),
    measures: Sequence[str] = (),
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
    key : sequence of str
        Columns that no two rows may agree in.
    measures : sequence of str
        Names of further columns of numbers, which may be empty.

    Raises
    ------
    ConfigError
        It can't be read, lacks a column or a value, or has one that makes no sense.
    """
    columns = (
        *texts(*needed),
        *numbers(*ROTATION, within=ANY_TURN),
        *numbers(*TRANSLATION, within=IN_A_BAY),
        *numbers(*UNCERTAINTY[:3], within=(0.0, 90.0)),
        *numbers(*UNCERTAINTY[3:], within=(0.0, 10_000.0)),
        *texts(*optional, optional=True),
        *numbers(*measures, optional=True, within=IN_A_BAY),
        *(Column(name, number=True, needed=False) for name in CORRELATIONS),
    )
    # what a copied row repeats, whatever uncertainties it was given
    names = (*needed, *optional, *ROTATION, *TRANSLATION)
    return tuple(_pose(row) for row in read_table(path, columns, key, names))


def _pose(row: Row) -> PoseRow:
    for name in UNCERTAINTY:
        value = row.numbers[name]
        if not value > 0.0:
            raise row.refusal(f"{name}: {value:g} must be above 0")
        if value < LEAST:
            raise row.refusal(f"{name}: {value:g} must be {LEAST:g} or more")
    correlation = np.eye(6)
    for name in CORRELATIONS:
        if name in row.numbers:
            i, j = int(name[2]) - 1, int(name[3]) - 1
            correlation[i, j] = correlation[j, i] = row.numbers[name]
    if not float(np.linalg.eigvalsh(correlation)[0]) > 0.0:
        raise row.refusal("correlations c_12 to c_56 contradict each other")
    sigma = SCALE * [row.numbers[name] for name in UNCERTAINTY]
    try:
        pose = Pose.from_rotvec(
            np.radians([row.numbers[name] for name in ROTATION]),
            1e-3 * np.array([row.numbers[name] for name in TRANSLATION]),
        )
    except BenchError as error:
        raise row.refusal(str(error)) from error
    return PoseRow(row, pose, correlation * np.outer(sigma, sigma))


# Less than half a small target's width: no lens of a bay has such a one wholly in its picture.
NEAREST_MM = 50.0


def refuse_behind(row: PoseRow, tower: str) -> None:
    """Refuse a target that isn't before the camera in whose frame it was measured.

    Raises
    ------
    ConfigError
        z_mm is 0 or below, or nearer than any target stands.
    """
    z = 1e3 * float(row.pose.translation[2])
    if 0.0 < z < NEAREST_MM:
        raise row.refusal(
            f"z_mm: {z:g} is nearer to the {tower} tower's camera than {NEAREST_MM:g}: in metres?"
        )
    if not z > 0.0:
        raise row.refusal(
            f"z_mm: {z:g} must be above 0: the {tower} tower's camera looks along its z"
        )


def pose_row(names: Mapping[str, str], T: Pose, covariance: Array) -> dict[str, str]:
    """Return a row of such a table, as text, from a pose and its covariance (6, 6)."""
    deviation = np.sqrt(np.diag(covariance))
    linked = covariance / np.outer(deviation, deviation)
    values = [*np.degrees(T.rotvec), *(1e3 * T.translation), *(deviation / SCALE)]
    return {
        **names,
        **{name: f"{value:.9g}" for name, value in zip(NUMBERS, values, strict=True)},
        **{name: f"{linked[int(name[2]) - 1, int(name[3]) - 1]:.9f}" for name in CORRELATIONS},
    }


def csv_text(rows: Sequence[Mapping[str, str]]) -> str:
    """Return rows of the same columns as a CSV table."""
    columns = list(rows[0])
    lines = [",".join(columns)] + [",".join(row[c] for c in columns) for row in rows]
    return "\n".join(lines) + "\n"
