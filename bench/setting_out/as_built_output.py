"""Files and words of the verdict on a bay as built."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl

from bench.envelope import Facts, Kind, Origin, write_result
from bench.errors import ConfigError
from bench.files import remove_files, write_atomically
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.scene.occupancy import clear_width
from bench.setting_out.as_built import differences, out_of_square
from bench.setting_out.as_built_file import Measured
from bench.setting_out.as_built_verdict import PLUMB, AsBuiltVerdict
from bench.setting_out.bay_text import bay_text
from bench.setting_out.corrections import Advice, Correction
from bench.setting_out.off_plan import Off, off_words, shim_words, size_words
from bench.setting_out.photo_pose import COMPONENTS
from bench.setting_out.slack import Knob
from bench.sighting.prediction import COVERAGE, Predictor
from bench.tables import finite_or_none

FILES = ("as_built.json", "as_built.csv", "as-built-bay.toml")
AS_BUILT = Kind("bay as built", FILES[0], "site --as-built", Facts)
LISTED = 6  # broken limits and corrections that are said aloud
STATES = {
    "holds": "The bay as built keeps every limit",
    "fails": "The bay as built breaks limits",
    "undecided": "The bay as built can't be told to keep every limit: measure better",
}


def words_of(verdict: AsBuiltVerdict, measured: Measured, advice: Advice) -> list[str]:
    """Return the verdict in lines: state, squareness, what isn't as planned, what to move."""
    lines = [f"{STATES[verdict.state]}."]
    if verdict.state == "holds":
        least = min(verdict.checks, key=lambda c: c.relative)
        lines[0] = (
            f"{STATES['holds']}. The nearest: {least.words}, {least.planned:.2f} as planned."
        )
    lines += [f"  {check.state}: {check.words}" for check in verdict.broken[:LISTED]]
    if len(verdict.broken) > LISTED:
        lines.append(f"  and {len(verdict.broken) - LISTED} more, see as_built.csv")
    lines += [f"Off the plan: {off_words(one)}." for one in verdict.off[:LISTED]]
    if len(verdict.off) > LISTED:
        lines.append(f"  and {len(verdict.off) - LISTED} more, see as_built.json")
    lines += shim_words(verdict.plan.towers, verdict.plan.surroundings.column, measured)
    lines += square_words(verdict, measured)
    for tower, photo in measured.photos.items():
        u = photo.u
        chosen = "; of two solutions the one nearer to the plan" if photo.by_plan else ""
        lines.append(
            f"Photograph of the {tower} tower ({photo.pipeline}): place ± "
            f"{1000.0 * COVERAGE * max(u[c] for c in COMPONENTS[:3]):.1f} mm, aim ± "
            f"{math.degrees(COVERAGE * max(u[c] for c in COMPONENTS[3:])):.3f} deg (k = 2)"
            f"{chosen}."
        )
    lines.append(f"Decision rule: {verdict.plan.tolerance.rule_words}.")
    if not measured.directions():
        lines.append("No uncertainty is given: what was measured counts as exact.")
    unmeasured = [
        t.name
        for t in verdict.plan.towers
        if not any(k.startswith(f"{t.name}/") for k in measured.numbers)
    ]
    if unmeasured:
        lines.append(f"Nothing was measured of {', '.join(unmeasured)}: taken as planned.")
    # what leans is mended as said, and by nothing else
    wanting = any(check.limit != PLUMB for check in verdict.broken)
    return lines + (advice_words(advice, verdict.off) if wanting else [])


def square_words(verdict: AsBuiltVerdict, measured: Measured) -> list[str]:
    """Say how square the bay is, where its diagonals were measured."""
    if "square/one_three" not in measured.numbers:
        return []
    angle = out_of_square(verdict.plan, measured, measured.numbers)
    apart = measured.numbers["square/one_three"] - measured.numbers["square/two_four"]
    end = "away from" if angle > 0.0 else "toward"
    return [
        f"Out of square by {abs(math.degrees(angle)):.3f} deg: the diagonals differ by "
        f"{1000.0 * abs(apart):.1f} mm, the tower line's left end is turned {end} the vehicle."
        if apart
        else "Square: the diagonals agree."
    ]


def advice_words(advice: Advice, off: Sequence[Off] = ()) -> list[str]:
    """Say what to move: first what stands off the plan itself."""
    back = {one.knob: -one.by for one in off}
    if advice.nothing_new:
        return [
            "What is broken the plan breaks too: nothing on site mends it; site the bay again."
        ]
    if advice.singles:
        first, *rest = sorted(advice.singles, key=lambda c: not _leads_back(c, back))
        lines = [f"Smallest single correction: {correction_words(first, back)}."]
        return lines + [f"  or {correction_words(one, back)}" for one in rest[: LISTED - 1]]
    if len(advice.together) == 1:
        ((knob, amount),) = advice.together
        return [f"Smallest single correction: {knob_words(knob)} by {amount_words(knob, amount)}."]
    if advice.together:
        moves = ", ".join(f"{knob_words(k)} by {amount_words(k, v)}" for k, v in advice.together)
        return [f"No single correction is enough. Together: {moves}."]
    return ["No correction was found: bring everything back to the plan as said above."]


def _leads_back(one: Correction, back: Mapping[Knob, float]) -> bool:
    """Tell whether a correction leads toward the plan, no farther than it."""
    way = back.get(one.knob, 0.0)
    return way * one.least > 0.0 and abs(one.least) <= abs(way) * (1.0 + 1e-6)


def correction_words(one: Correction, back: Mapping[Knob, float]) -> str:
    """Return a correction in words; `back` is what leads each number back to the plan."""
    least = f"{knob_words(one.knob)} by {amount_words(one.knob, one.least)} at least"
    if _leads_back(one, back):
        way = back[one.knob]
        sign = "-" if way < 0.0 else "+"
        return f"{least}, {sign}{size_words(one.knob, way)} back to plan ({one.effort})"
    return f"{least}, {amount_words(one.knob, one.middle)} for most room ({one.effort})"


def knob_words(knob: Knob) -> str:
    """Return what is to be moved."""
    if knob.name == "standoff":
        return "all vehicles' standoff"
    return f"{knob.where} tower's {knob.name}"


def amount_words(knob: Knob, value: float) -> str:
    """Return a signed amount, rounded away from 0 so that it is enough."""
    step, digits = (1.0, 0) if knob.is_length else (0.01, 2)
    size = math.ceil(abs(knob.shown(value)) / step - 1e-9) * step
    return f"{'-' if value < 0.0 else '+'}{size:.{digits}f} {knob.unit}"


def write_as_built(
    directory: Path,
    verdict: AsBuiltVerdict,
    measured: Measured,
    advice: Advice,
    predictor: Predictor,
    origin: Origin,
) -> tuple[list[Path], str]:
    """Write `FILES`; return those written and a note, empty unless the bay file couldn't be.

    Raises
    ------
    RunError
        A file can't be written.
    """
    summary, table, bay = (directory / name for name in FILES)
    value = {
        "verdict": verdict.state,
        "decision_rule": verdict.plan.tolerance.rule_words,
        "words": words_of(verdict, measured, advice),
        "predicted_from": predictor.basis,
        "plan": {"name": verdict.plan.name, "digest": verdict.plan.digest},
        "measured": measured.numbers,
        "standard_uncertainties": measured.u,
        "towers": _towers(verdict),
        "photographs": {name: photo.u for name, photo in measured.photos.items()},
        "out_of_square_deg": math.degrees(out_of_square(verdict.plan, measured, measured.numbers)),
        "checks": [_finite(asdict(check)) for check in verdict.checks],
        "corrections": [_correction(one) for one in advice.singles],
        "together": [_move(knob, value) for knob, value in advice.together],
    }
    write_result(summary, AS_BUILT, value, origin)
    rows = [_finite(asdict(check)) for check in verdict.checks]
    write_atomically(
        table, pl.DataFrame(rows, infer_schema_length=None).write_csv(float_precision=6).encode()
    )
    comment = f"{verdict.plan.name} as built, from {measured.path.name}."
    error = _write_bay(bay, verdict.built, comment)
    if not error:
        return [summary, table, bay], ""
    left = _way_through(verdict.built)
    if left is None or _write_bay(bay, verdict.built, comment, left):
        return [summary, table], f"No {bay.name}: {error}"
    words = error.removeprefix(f"{bay}: ")
    return (
        [summary, table, bay],
        f"{bay.name} has drive_through = {1e3 * left:.0f} mm, what the towers leave: {words}.",
    )


def _write_bay(path: Path, built: Bay, comment: str, drive_through: float | None = None) -> str:
    """Write a bay file; return why there is none, empty where there is."""
    try:
        write_atomically(path, bay_text(built, comment, drive_through).encode())
        load_bay(path)
    except ConfigError as error:
        remove_files([path])
        return str(error)
    return ""


def _way_through(built: Bay) -> float | None:
    """Return the room that is left on either side of the widest vehicle, whole mm, metres.

    None where none is left, or none was asked for.
    """
    asked = built.surroundings.drive_through
    left = min(clear_width(built)) - 0.5 * max(vehicle.width for vehicle in built.vehicles)
    if asked is None or not 0.0 < left < asked:
        return None
    return 1e-3 * math.floor(1e3 * left)


def _towers(verdict: AsBuiltVerdict) -> list[dict[str, Any]]:
    found = []
    for tower, name, plan, built in differences(verdict.plan, verdict.built):
        knob = Knob(tower, name)
        found.append(
            {
                "tower": tower,
                "what": name,
                "unit": knob.unit,
                "plan": knob.shown(plan),
                "as_built": knob.shown(built),
                "off": knob.shown(built - plan),
            }
        )
    return found


def _correction(one: Correction) -> dict[str, Any]:
    most = one.knob.shown(one.most)
    return _move(one.knob, one.least) | {"most": most, "effort": one.effort}


def _move(knob: Knob, value: float) -> dict[str, Any]:
    by = knob.shown(value)
    return {"where": knob.where, "what": knob.name, "unit": knob.unit, "by": by}


def _finite(row: dict[str, Any]) -> dict[str, Any]:
    return {
        key: finite_or_none(value) if isinstance(value, float) else value
        for key, value in row.items()
    }
