"""The aim check: every target in its tower's picture with room to spare, and measured well."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from bench.envelope import Facts, Kind, Origin, write_result
from bench.errors import ConfigError
from bench.files import write_atomically
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.wheel_ids import cannot_tell, marker_id
from bench.sighting.prediction import COVERAGE, Predictor
from bench.sighting.sighting import Sighting, sightings_of
from bench.sighting.visibility import sight
from bench.siting.constraints import Constraint, amount, sighting_constraints
from bench.survey.setup import find_tower
from bench.tables import finite_or_none

AIM_FILES = ("aim.csv", "aim.json")
AIM = Kind("aim", AIM_FILES[1], "aim", Facts)


@dataclass(frozen=True, eq=False)
class Aim:
    """What the aim check finds.

    Attributes
    ----------
    bay : Bay
        As it was judged.
    predictor : Predictor
        What uncertainties were predicted from.
    towers : tuple of Tower
        Those judged.
    sightings : tuple of Sighting
        Of all targets on these towers' sides, tower by tower, nearest first.
    constraints : tuple of tuple of Constraint
        What each sighting must keep.
    """

    bay: Bay
    predictor: Predictor
    towers: tuple[Tower, ...]
    sightings: tuple[Sighting, ...]
    constraints: tuple[tuple[Constraint, ...], ...]

    @property
    def failures(self) -> tuple[str, ...]:
        """What fails, in words with numbers; empty where nothing does."""
        return tuple(
            f"{one.tower} tower, {one.name}: {words}"
            for one, kept in zip(self.sightings, self.constraints, strict=True)
            for words in failures_of(one, kept, self.bay)
        )

    @property
    def worst(self) -> Sighting:
        """The sighting with the largest uncertainty over tolerance."""
        return max(self.sightings, key=lambda one: one.prediction.share(self.bay.tolerance))

    @property
    def tightest(self) -> Sighting:
        """The sighting with the least margin."""
        return min(self.sightings, key=lambda one: one.margin)


def judge_aim(
    bay: Bay, predictor: Predictor, tower: str | None = None, visible: bool = True
) -> Aim:
    """Return what the aim check finds.

    Parameters
    ----------
    bay : Bay
        As it stands.
    predictor : Predictor
        What to predict uncertainties from.
    tower : str, optional
        Name of the one to judge; all when left out.
    visible : bool
        Whether to compute visible fractions.

    Raises
    ------
    ConfigError
        There is no such tower, or no wheel on any tower's side.
    """
    towers = bay.towers if tower is None else (find_tower(bay, tower),)
    found = [
        one
        for t in towers
        for one in sorted(
            sightings_of(bay, t, wheels_of_tower(bay, t), predictor, visible),
            key=lambda one: one.range,
        )
    ]
    if not found:
        raise ConfigError(f"{bay.path}: no wheel is on the side of any tower")
    kept = tuple(sighting_constraints(bay, one) for one in found)
    return Aim(bay, predictor, towers, tuple(found), kept)


def failures_of(one: Sighting, constraints: tuple[Constraint, ...], bay: Bay) -> list[str]:
    """Return what fails of one sighting, in words with numbers."""
    if not one.imaged:
        return ["has no image: it is beside or behind the camera's view"]
    found = [_constraint_words(one, c, bay) for c in constraints if not c.holds]
    tolerance = bay.tolerance
    for name, limit in (("toe", tolerance.toe), ("camber", tolerance.camber)):
        value = COVERAGE * getattr(one.prediction, name)
        decision = tolerance.holds(name, value)
        if math.isinf(value):
            found += [] if found else [f"{name} can't be measured"]
        elif decision.state != "inside":
            found.append(
                f"expanded uncertainty of {name} {math.degrees(value):.4f} deg is outside the "
                f"tolerance of {math.degrees(limit):.4g} deg, {value / limit:.2f} times it"
                f"{decision.chance_words}"
            )
    return found


def _constraint_words(one: Sighting, c: Constraint, bay: Bay) -> str:
    short = amount(abs(c.slack), c.unit)
    if c.name == "margin":
        what = "is cut by" if one.margin_px < 0.0 else "is too near"
        return (
            f"{what} the picture's {one.edge} edge, with {c.value:.2f} plate widths of margin of "
            f"{c.limit:.2f}: {abs(c.slack):.2f} ({abs(c.slack) * one.size_px:.0f} px) short"
        )
    more = "below" if c.value < c.limit else "above"
    what = {"visible": "visible part of the plate", "focus": "defocus"}.get(c.name, "tilt")
    words = f"{what} {amount(c.value, c.unit)} is {more} {amount(c.limit, c.unit)} by {short}"
    if c.name == "visible":
        words += f", {sight(bay, find_tower(bay, one.tower), one.wheel).hidden_words}"
    return words


def aim_table(aim: Aim) -> pl.DataFrame:
    """Return one row a sighting, units in the columns' names; expanded uncertainties, k = 2."""
    return pl.DataFrame(
        [
            _row(one, kept, aim.bay)
            for one, kept in zip(aim.sightings, aim.constraints, strict=True)
        ],
        infer_schema_length=None,
    )


def _row(one: Sighting, kept: tuple[Constraint, ...], bay: Bay) -> dict[str, Any]:
    wheel, seen, prediction = one.wheel, one.imaged, one.prediction

    def real(value: float) -> float | None:
        return float(value) if seen and math.isfinite(value) else None

    failures = failures_of(one, kept, bay)
    share = prediction.share(bay.tolerance)
    return {
        "tower": one.tower,
        "vehicle": wheel.vehicle,
        "station": wheel.station,
        "wheel": wheel.name,
        "marker_id": marker_id(bay, wheel.name),
        "range_m": one.range,
        "turn_deg": math.degrees(one.turn),
        "pitch_deg": math.degrees(one.pitch),
        "tilt_deg": math.degrees(one.tilt),
        "across_percent": real(100.0 * one.place[0]),
        "down_percent": real(100.0 * one.place[1]),
        "u_px": real(one.centre_px[0]),
        "v_px": real(one.centre_px[1]),
        "size_px": one.size_px,
        "margin_px": real(one.margin_px),
        "margin_widths": real(one.margin),
        "nearest_edge": one.edge if seen else None,
        "visible": finite_or_none(one.visible),
        "expanded_toe_deg": finite_or_none(COVERAGE * math.degrees(prediction.toe)),
        "expanded_camber_deg": finite_or_none(COVERAGE * math.degrees(prediction.camber)),
        "expanded_along_mm": finite_or_none(COVERAGE * 1e3 * prediction.along),
        "expanded_across_mm": finite_or_none(COVERAGE * 1e3 * prediction.across),
        "over_tolerance": finite_or_none(share),
        "inside_map": prediction.measured,
        "verdict": "; ".join(failures) if failures else f"holds, {share:.2f} of tolerance",
    }


def write_aim(directory: Path, aim: Aim, origin: Origin) -> list[Path]:
    """Write the table as aim.csv and, with what fails, as aim.json.

    Raises
    ------
    RunError
        A file can't be written.
    """
    table = aim_table(aim)
    csv, document = (directory / name for name in AIM_FILES)
    write_atomically(csv, table.write_csv(float_precision=5).encode())
    value = {
        "basis": aim.predictor.basis,
        "coverage_factor": COVERAGE,
        "tolerance_deg": {
            "toe": math.degrees(aim.bay.tolerance.toe),
            "camber": math.degrees(aim.bay.tolerance.camber),
        },
        "decision_rule": aim.bay.tolerance.rule_words,
        "margin_widths": aim.bay.siting.margin,
        "holds": not aim.failures,
        "failures": list(aim.failures),
        "targets": cannot_tell(aim.bay) or "told apart by their ids",
        "sightings": table.to_dicts(),
    }
    return [csv, write_result(document, AIM, value, origin)]
