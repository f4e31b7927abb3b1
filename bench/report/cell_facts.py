"""The numbers of a cell in words, as its details show them."""

from __future__ import annotations

from typing import Any

from bench.draw import style
from bench.survey.columns import OUTCOMES
from bench.survey.plan import number
from bench.units import figures, readable

Row = dict[str, Any]
# What a verdict's mark is; the word always stands beside it.
MARKS = {"holds": "●", "undecided": "?", "fails": "×", "none": "×"}

LABELS = (
    "verdict",
    "cases",
    "outcomes",
    "usable and within tolerance",
    "usable rate",
    "detection rate",
    "rotation error, RMS",
    "rotation error, 95th percentile",
    "rotation error, median",
    "about the target's x (pitch)",
    "about the target's y (turn)",
    "about the target's z (roll)",
    "position along the line of sight",
    "position to the right",
    "position upwards",
    "bound on the rotation, all pixels",
    "bound on the rotation, points found",
    "efficiency of the rotation",
    "bound along the line of sight",
    "pattern, face-on",
)


def cell_facts(row: Row) -> list[str]:
    """Return a value for each of `LABELS`.

    Parameters
    ----------
    row : dict
        Of the table of cells, with its verdict and what the verdict says.
    """
    counts = ", ".join(
        f"{row[f'n_{name}']} {name.replace('_', ' ')}" for name in OUTCOMES if row[f"n_{name}"]
    )
    cut = f"; pattern partly outside the frame in {row['n_cut']}" if row["n_cut"] else ""
    return [
        f"{row['verdict']}: {row['words']}",
        f"{row['n']}{cut}",
        counts,
        _success(row),
        _rate(row, "usable_rate"),
        _rate(row, "detection_rate"),
        _with_interval(row, "rms_rot_deg", "deg"),
        _with_interval(row, "p95_rot_deg", "deg"),
        _value(row["median_rot_deg"], "deg"),
        _parts(row, "rot_x", "deg"),
        _parts(row, "rot_y", "deg"),
        _parts(row, "rot_z", "deg"),
        f"RMS {_with_interval(row, 'rms_along_mm', 'mm')}; {_parts(row, 'along', 'mm')}",
        _parts(row, "right", "mm"),
        _parts(row, "up", "mm"),
        _value(row["bound_rot_deg"], "deg"),
        _value(row["corner_bound_rot_deg"], "deg"),
        _efficiency(row),
        _value(row["bound_along_mm"], "mm"),
        f"{figures(row['size_px'], 3)} px",
    ]


def place_words(row: Row) -> str:
    """Say where a cell lies: range, turn and pitch, or tilt where the turn alone is the tilt."""
    if row["pitch_deg"] == 0.0 and row["turn_deg"] >= 0.0:
        view = f"tilt {number(row['turn_deg'])} deg"
    else:
        view = f"turn {number(row['turn_deg'])} deg, pitch {number(row['pitch_deg'])} deg"
    return f"{number(row['range_m'])} m, {view}"


def percent(rate: float) -> str:
    """Return a rate, 0 to 1, in per cent."""
    return f"{style.percent(rate)} %"


def efficiency_words(value: float) -> str:
    """Return how near an error comes to its bound, in per cent."""
    return f"{figures(100.0 * value)} %"


def case_words(row: Row) -> str:
    """Say what became of one case, and how far off it was."""
    outcome = str(row["outcome"]).replace("_", " ")
    if row["err_rot_deg"] is None:
        return outcome
    return (
        f"{outcome}, rotation {_value(row['err_rot_deg'], 'deg')} off, "
        f"{_value(row['err_along_mm'], 'mm')} along the line of sight"
    )


def colour_words(value: float | None) -> str:
    """Return an error in as few digits as a cell has room for."""
    return style.number(value) if value else figures(None)


def _value(value: float | None, unit: str) -> str:
    (found,), unit = readable(unit, value)
    return found if value is None else f"{found} {unit}"


def _with_interval(row: Row, name: str, unit: str) -> str:
    value, low, high = (row[f"{name}{end}"] for end in ("", "_lo", "_hi"))
    if value is None or (low is None and high is None):
        return _value(value, unit) + ("" if value is None else ", too few cases for an interval")
    (middle, least, most), unit = readable(unit, value, low, high)
    return f"{middle} {unit} ({least} to {most.replace(figures(None), 'unbounded')})"


def _rate(row: Row, name: str) -> str:
    low, high = (style.percent(row[f"{name}_{end}"]) for end in ("lo", "hi"))
    return f"{percent(row[name])} ({low} to {high})"


def _success(row: Row) -> str:
    """Return the judged rate with its one-sided bounds."""
    low, high = (style.percent(row[f"success_{end}"]) for end in ("low", "high"))
    rate = f"{percent(row['success_rate'])}, {row['n_within']} of {row['n']}"
    return f"{rate} (one-sided bounds {low} and {high})"


def _parts(row: Row, component: str, unit: str) -> str:
    bias, std = row[f"bias_{component}_{unit}"], row[f"std_{component}_{unit}"]
    if bias is None:
        return figures(None)
    return f"bias {_value(bias, unit)}, standard deviation {_value(std, unit)}"


def _efficiency(row: Row) -> str:
    value = row["efficiency_rot"]
    if value is None:
        return figures(None)
    note = "" if row["bound_holds"] else "; so near face-on the bound doesn't hold"
    return f"{efficiency_words(value)}{note}"
