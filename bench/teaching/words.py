"""Words of a teaching picture: numbers as texts, the result, the verdict, and why."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from bench.scene.model import Bay
from bench.teaching.captions import ANY, Captions, outcome_key
from bench.teaching.judgement import compared, judge, lacks, outcome_of
from bench.teaching.trials import Illustrated

# Small angles are drawn so many times as large, or nobody would see them.
DRAWN_LEAN, DRAWN_SLIP = 40.0, 10.0
# White and black of a picture: shares of its pixels that are darker, so that no single pixel's
# noise decides.
DARKEST, BRIGHTEST = 0.02, 0.98


@dataclass(frozen=True)
class Said:
    """The texts of a picture.

    Attributes
    ----------
    title, why, result, verdict : str
        As the catalogue words them.
    outcome : str
        The class of outcome that `why` speaks of; see `bench.teaching.judgement`.
    verdict_class : str
        What `verdict` words.
    error_deg, low_deg, high_deg : float or None
        What the verdict speaks of, with its interval.
    tolerance_deg : float
        What it is held against.
    """

    title: str
    why: str
    result: str
    verdict: str
    outcome: str
    verdict_class: str
    error_deg: float | None
    low_deg: float | None
    high_deg: float | None
    tolerance_deg: float


def values_of(shown: Illustrated, bay: Bay, captions: Captions) -> dict[str, str]:
    """Return the placeholders' texts."""
    say, numbers, scene = captions.number, shown.numbers, shown.scene
    optics, own = shown.setting.imaging.optics, judge(shown, bay)
    counts = ("n", "usable", "missed", "mirrored", "unsure", "alarms", "steps")
    dark, bright, full = light_of(shown)
    values = {
        **{name: str(numbers[name]) for name in counts if name in numbers},
        "step": str(numbers.get("step_shown", "–")),
        "range": say(shown.range_m, "m", 3),
        "tilt": say(round(shown.tilt_deg, 1), "deg", 3),
        "turn": say(round(shown.turn_deg, 1), "deg", 3),
        "size": say(round(shown.size_px), "px", 4),
        "across": say(round(shown.size_px * math.cos(math.radians(shown.tilt_deg))), "px", 4),
        "margin": say(round(shown.margin_px), "px", 4),
        "rms": say(own.rms_deg, "deg"),
        "low": say(own.low_deg),
        "high": say(own.high_deg, "deg"),
        "along": say(numbers.get("rms_along_mm"), "mm"),
        "tolerance": say(own.tolerance_deg, "deg", 3),
        "camber": say(numbers.get("mean_camber_deg"), "deg"),
        "toe": say(numbers.get("rms_toe_deg"), "deg"),
        "lean": say(scene.lean_deg, "deg"),
        "slip": say(scene.slip_deg, "deg"),
        "slipped": say(numbers.get("slipped_px"), "px"),
        "blur": say(optics.sigma_px, "px"),
        "motion": say(math.hypot(*optics.motion_px), "px"),
        "light": say(100.0 * scene.light, "%", 3),
        "dark": say(round(100.0 * dark), "%", 3),
        "bright": say(round(100.0 * bright), "%", 3),
        "saturated": say(100.0 * full, "%"),
        "fit": say(numbers.get("rmse_px"), "px"),
        "second": say(numbers.get("runner_up_rmse_px"), "px"),
        "asked": say(100.0 * bay.tolerance.success, "%", 3),
        "pictures": captions.texts[f"words.as_{'built' if numbers.get('as_built') else 'drawn'}"],
        "rolls": say(numbers.get("roll_spread_deg"), "deg"),
        "within": "–" if own.within is None else str(own.within),
        "factor": say(DRAWN_SLIP if scene.diagram == "bar" else DRAWN_LEAN),
    }
    interval = "no_interval" if own.low_deg is None else "interval"
    values["interval"] = captions.say(f"words.{interval}", values)
    values["fits"] = captions.say(f"words.{_fits(numbers)}", values)
    return values | _values_of_reference(shown, bay, captions)


def _values_of_reference(shown: Illustrated, bay: Bay, captions: Captions) -> dict[str, str]:
    if shown.reference is None:
        return {}
    its = values_of(shown.reference, bay, captions)
    return {
        "reference": captions.say(f"scene.{shown.reference.scene.key}.title", its),
        "reference_rms": its["rms"],
        "reference_interval": its["interval"],
        "reference_along": its["along"],
        "reference_size": its["size"],
    }


def light_of(shown: Illustrated) -> tuple[float, float, float]:
    """Return dark and bright grey, fractions of full scale, and the share that is saturated."""
    grey, full = shown.picture.grey, shown.picture.full_scale
    dark, bright = np.quantile(grey, [DARKEST, BRIGHTEST]) / full
    return float(dark), float(bright), float(np.mean(grey >= full))


def said(shown: Illustrated, bay: Bay, captions: Captions, scene_key: str | None = None) -> Said:
    """Return a picture's texts; `scene_key` takes another scene's title and reason."""
    key = f"scene.{scene_key or shown.scene.key}"
    values = values_of(shown, bay, captions)
    own, outcome, against = judge(shown, bay), outcome_of(shown, bay), compared(shown, bay)
    result = [captions.say(f"words.{_result(shown)}", values)]
    if against is not None:
        result.append(captions.say(f"words.{against}", values))
    if shown.numbers.get("rms_along_mm") is not None and shown.scene.lean_deg is None:
        along = "along" if against is None else "along_against"
        result.append(captions.say(f"words.{along}", values))
    reason = captions.say(f"{key}.why", values)
    # a set's own text blames what it varies, and a reference has none of that
    blames = shown.reference is not None or outcome not in ("few", "none") or "alarms" in values
    then = captions.say(outcome_key(shown.scene.set if blames else ANY, outcome), values)
    verdict: str = own.verdict
    if verdict in ("inside", "outside", "unsure") and own.within is not None:
        verdict = f"{verdict}_within"
    elif verdict == "unsure" and lacks(shown, bay):
        verdict = "unsure_rate"
    return Said(
        title=captions.say(f"{key}.title", values),
        why=f"{reason} {then}",
        result=" ".join(result),
        verdict=captions.say(f"words.{verdict}", values),
        outcome=outcome,
        verdict_class=own.verdict,
        error_deg=own.error_deg,
        low_deg=own.error_low_deg,
        high_deg=own.error_high_deg,
        tolerance_deg=own.tolerance_deg,
    )


def _fits(numbers: dict[str, Any]) -> str:
    """Return the name of the sentence about the two solutions' fits."""
    if numbers.get("rmse_px") is None:
        return "fits_none"
    return "fits_alone" if numbers.get("runner_up_rmse_px") is None else "fits"


def _result(shown: Illustrated) -> str:
    """Return the name of the sentence that says what was found."""
    numbers, scene = shown.numbers, shown.scene
    if scene.slip_deg is not None:
        return "result_slip" if numbers["usable"] else "result_slip_none"
    if not numbers["usable"]:
        return "result_none"
    if scene.lean_deg is not None:
        return "result_plumb"
    return "result" if numbers["usable"] == numbers["n"] else "result_some"
