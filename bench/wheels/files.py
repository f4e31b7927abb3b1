"""Measured wheel angles as rows, files and a picture."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from bench.envelope import Origin, write_result
from bench.files import write_atomically
from bench.geometry.wheel_angles import toe_length
from bench.scene.model import Tolerance
from bench.wheels.result import WHEELS
from bench.wheels.vehicle import Answer, MeasuredVehicle, MeasuredWheel


def answer_row(
    answer: Answer, truth: Mapping[tuple[str, str], float] | None, rim: float
) -> dict[str, Any]:
    """Return an answer as a row, units in the names; with the truth, its error too.

    Parameters
    ----------
    answer : Answer
        An angle, in radians, or a length, in metres.
    truth : mapping of (name, reference) to float, optional
        What a rehearsal knows.
    rim : float
        Diameter for toe as a length, metres.
    """
    quantity = answer.quantity
    angle = quantity.unit == "rad"
    scale = float(np.degrees(1.0)) if angle else 1e3
    row: dict[str, Any] = {
        "name": quantity.name,
        "refers_to": quantity.reference,
        "unit": "deg" if angle else "mm",
        "value": scale * answer.value,
        "u": scale * answer.sigma,
        "toe_mm": None,
    }
    if quantity.kind in ("toe", "total toe"):
        # total toe is the sum of both wheels' lengths; for degrees the same to parts in 10,000
        row["toe_mm"] = 1e3 * toe_length(answer.value, rim)
    if truth is not None:
        true = truth.get((quantity.name, quantity.reference))
        row["true"] = None if true is None else scale * true
        row["error"] = None if true is None else scale * (answer.value - true)
    return row


def write_wheels(
    out: Path,
    rows: list[dict[str, Any]],
    wheels: tuple[MeasuredWheel, ...],
    table: Path,
    vertical: str,
    contradictions: list[str],
    decisions: list[str],
    tolerance: Tolerance,
    origin: Origin,
) -> None:
    """Write wheels.csv, and wheels.json with the wheels' run-out.

    Raises
    ------
    RunError
        A file can't be written.
    """
    frame = pl.DataFrame(rows, infer_schema_length=None)
    write_atomically(out / "wheels.csv", frame.write_csv(float_precision=6).encode())
    value = {
        "table": str(table),
        "vertical": vertical,
        "rows": rows,
        "decision_rule": tolerance.rule_words,
        "decisions": decisions,
        "contradictions": contradictions,
        "run_out": {
            w.name: {
                "rolled_deg": [float(v) for v in np.degrees(w.wheel.turning.angles)],
                "target_from_axis_deg": float(np.degrees(w.wheel.run_out)),
                "wobble_deg": float(np.degrees(w.wheel.turning.wobble)),
                "p_value": w.wheel.turning.p_value,
                "centre_from": w.wheel.centre_source,
            }
            for w in wheels
        },
    }
    write_result(out / WHEELS.file, WHEELS, value, origin)


def write_wheels_picture(
    out: Path,
    vehicle: MeasuredVehicle,
    truth: Mapping[tuple[str, str], float] | None,
    note: str,
) -> None:
    """Draw wheels.png.

    Raises
    ------
    RunError
        It can't be written.
    """
    from bench.draw.style import save  # matplotlib takes a second to load
    from bench.wheels.picture import draw_wheels

    save(draw_wheels(vehicle, "Wheel angles, seen from above", note, truth), out / "wheels.png")
