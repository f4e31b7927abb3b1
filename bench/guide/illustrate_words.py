"""What a teaching picture says: numbers as texts, the result line, the verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.guide.illustrate_captions import Captions
from bench.guide.illustrate_run import Illustrated
from bench.scene.model import Bay

# Small angles are drawn so many times as large, or nobody would see them.
DRAWN_LEAN, DRAWN_SLIP = 40.0, 10.0


@dataclass(frozen=True)
class Said:
    """The texts of a picture.

    Attributes
    ----------
    title, why, result, verdict : str
        As the catalogue words them.
    error_deg : float or None
        What the verdict speaks of.
    tolerance_deg : float
        What it is held against.
    good : bool
        Whether it holds: enough usable poses, and the error inside tolerance, in these pictures.
    """

    title: str
    why: str
    result: str
    verdict: str
    error_deg: float | None
    tolerance_deg: float
    good: bool


def values_of(shown: Illustrated, bay: Bay, captions: Captions) -> dict[str, str]:
    """Return the placeholders' texts."""
    say, numbers, scene = captions.number, shown.numbers, shown.scene
    optics = shown.setting.imaging.optics
    error, tolerance = _judged(shown, bay)
    counts = ("n", "usable", "missed", "mirrored", "unsure", "alarms")
    return {
        **{name: str(numbers[name]) for name in counts if name in numbers},
        "range": say(shown.range_m, "m", 3),
        "tilt": say(round(shown.tilt_deg, 1), "deg", 3),
        "turn": say(round(shown.turn_deg, 1), "deg", 3),
        "size": say(round(shown.size_px), "px", 4),
        "margin": say(round(shown.margin_px), "px", 4),
        "rms": say(error, "deg"),
        "p95": say(numbers.get("p95_rot_deg"), "deg"),
        "along": say(numbers.get("rms_along_mm"), "mm"),
        "tolerance": say(tolerance, "deg", 3),
        "camber": say(numbers.get("mean_camber_deg"), "deg"),
        "toe": say(numbers.get("rms_toe_deg"), "deg"),
        "lean": say(scene.lean_deg, "deg"),
        "slip": say(scene.slip_deg, "deg"),
        "slipped": say(numbers.get("slipped_px"), "px"),
        "blur": say(optics.sigma_px, "px"),
        "motion": say(math.hypot(*optics.motion_px), "px"),
        "light": say(100.0 * scene.light, "%", 3),
        "fit": say(numbers.get("rmse_px"), "px"),
        "second": say(numbers.get("runner_up_rmse_px"), "px"),
        "asked": say(100.0 * bay.tolerance.detection, "%", 3),
        "factor": say(DRAWN_SLIP if scene.diagram == "bar" else DRAWN_LEAN),
    }


def said(shown: Illustrated, bay: Bay, captions: Captions, scene_key: str | None = None) -> Said:
    """Return a picture's texts; `scene_key` takes another scene's title and reason."""
    key = f"scene.{scene_key or shown.scene.key}"
    values = values_of(shown, bay, captions)
    error, tolerance = _judged(shown, bay)
    n, usable = shown.numbers["n"], shown.numbers["usable"]
    enough = usable >= bay.tolerance.detection * n
    # a registration that raised the alarm is done again, however near the truth it came
    alarmed = 2 * shown.numbers.get("alarms", 0) > n
    good = enough and not alarmed and error is not None and error <= tolerance
    if error is None:
        verdict = "none"
    elif alarmed:
        verdict = "alarm"
    elif not enough:
        verdict = "too_few"
    else:
        verdict = "inside" if good else "outside"
    return Said(
        title=captions.say(f"{key}.title", values),
        why=captions.say(f"{key}.why", values),
        result=captions.say(f"words.{_result(shown, error)}", values),
        verdict=captions.say(f"words.{verdict}", values),
        error_deg=error,
        tolerance_deg=tolerance,
        good=good,
    )


def _result(shown: Illustrated, error: float | None) -> str:
    if shown.scene.slip_deg is not None:
        return "result_slip"
    if error is None:
        return "result_none"
    return "result" if shown.scene.lean_deg is None else "result_plumb"


def _judged(shown: Illustrated, bay: Bay) -> tuple[float | None, float]:
    """Return the error that matters in a scene and its tolerance, degrees."""
    tolerance, numbers = bay.tolerance, shown.numbers
    if shown.scene.slip_deg is not None:
        return numbers["rms_toe_deg"], math.degrees(tolerance.toe)
    if shown.scene.lean_deg is not None:
        return numbers["rms_camber_deg"], math.degrees(tolerance.camber)
    return numbers["rms_rot_deg"], math.degrees(tolerance.rotation)
