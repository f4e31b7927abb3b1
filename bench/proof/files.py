"""Files of the checks on site: tables to fill in, plans and results."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import polars as pl

from bench.envelope import Facts, Kind, Origin, write_result
from bench.errors import ConfigError
from bench.files import make_directory, write_atomically
from bench.proof.length import LengthPlan
from bench.proof.moved import MovedPlan
from bench.registration.pose_rows import ROTATION, TRANSLATION
from bench.scene.bar_section import poses_toml

PLACES_FILE = "length-places.toml"
LENGTHS_FILE = "length-readings.csv"
MOVED_FILE = "moved-readings.csv"
REPEAT_FILE = "repeat-readings.csv"
# Columns of a table of poses, and when they were taken.
COLUMNS = (*ROTATION, *TRANSLATION)
TIMES = ("registration", "now")


def write_proof(
    out: Path, stem: str, table: pl.DataFrame, value: dict[str, Any], origin: Origin
) -> list[Path]:
    """Write a table as CSV and all there is to say as JSON; return both.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    kind = Kind(stem.replace("-", " "), f"{stem}.json", f"proof {stem.partition('-')[0]}", Facts)
    written = [out / kind.file, out / f"{stem}.csv"]
    write_result(written[0], kind, {**value, "table": table.to_dicts()}, origin)
    write_atomically(written[1], table.write_csv().encode())
    return written


def write_length_readings(out: Path, plan: LengthPlan, readings: int) -> list[Path]:
    """Write the bar's places, and the table to fill in with that many lengths at each.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    written = [out / PLACES_FILE, out / LENGTHS_FILE]
    write_atomically(written[0], poses_toml(plan.places, "Places of the length check.").encode())
    blank = "place,reading,length_mm\n" + "".join(
        f"{n},{k},\n" for n in range(1, len(plan.places) + 1) for k in range(1, readings + 1)
    )
    write_atomically(written[1], blank.encode())
    return written


def write_moved_readings(out: Path, plans: Sequence[MovedPlan], pictures: int) -> list[Path]:
    """Write the table to fill in with each tower's poses of the target, then and now.

    Raises
    ------
    RunError
        It can't be written.
    """
    make_directory(out)
    blank = "tower,when," + ",".join(COLUMNS) + "\n"
    blank += "".join(
        f"{plan.tower},{when},,,,,,\n" for plan in plans for when in TIMES for _ in range(pictures)
    )
    write_atomically(out / MOVED_FILE, blank.encode())
    return [out / MOVED_FILE]


def write_repeat_readings(out: Path, order: Sequence[tuple[str, str, int]]) -> list[Path]:
    """Write the table to fill in with readings, in the order in which to take them.

    Raises
    ------
    ConfigError
        A name of a wheel or operator won't do.
    RunError
        It can't be written.
    """
    make_directory(out)
    blank = "round,wheel,operator,toe_deg,camber_deg\n" + "".join(
        f"{repeat},{_quoted(name)},{_quoted(who)},,\n" for name, who, repeat in order
    )
    write_atomically(out / REPEAT_FILE, blank.encode())
    return [out / REPEAT_FILE]


def _quoted(text: str) -> str:
    if any(ord(c) < 32 for c in text) or not text.strip():
        raise ConfigError("repeat: a name must be one line and not empty")
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"') else text
