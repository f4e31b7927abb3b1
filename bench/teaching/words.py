"""Words of a teaching picture: numbers as texts, headline, mark, lesson."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.scene.model import Bay
from bench.teaching.captions import OUTCOMES, Captions
from bench.teaching.edges import moved_px, step_px
from bench.teaching.judgement import ROTATION, judge, judged_by, outcome_of
from bench.teaching.scenes import SWEEP_SET
from bench.teaching.trials import Illustrated
from bench.teaching.views import degrees, lamp_of

# Small angles are drawn so many times as large, or nobody would see them.
DRAWN = {"lean": 30.0, "bump": 60.0, "plate": 20.0, "wheels": 60.0}
DRAWN_SLIP, DRAWN_TWIST = 15.0, 20.0
# White and black of a picture: shares of its pixels that are darker, so that no single pixel's
# noise decides.
DARKEST, BRIGHTEST = 0.02, 0.98


@dataclass(frozen=True)
class Said:
    """The texts of a picture.

    Attributes
    ----------
    title, mark, headline, numbers, lesson, more, why : str
        As the catalogue words them; a good view has no lesson of its own, and `more` is what
        the numbers add to it, if anything.
    outcome : str
        The class of outcome that `more` speaks of; see `bench.teaching.judgement`.
    verdict : str
        What `headline` words.
    error_deg, low_deg, high_deg : float or None
        What the verdict speaks of, with its interval.
    tolerance_deg : float
        What it is held against.
    """

    title: str
    mark: str
    headline: str
    numbers: str
    lesson: str
    more: str
    why: str
    outcome: str
    verdict: str
    error_deg: float | None
    low_deg: float | None
    high_deg: float | None
    tolerance_deg: float


def values_of(
    shown: Illustrated, bay: Bay, captions: Captions, about: Illustrated | None = None
) -> dict[str, str]:
    """Return the placeholders' texts; `about` is the spoilt picture beside a good one."""
    say, numbers, scene = captions.number, shown.numbers, shown.scene
    own, optics = judge(shown, bay), shown.setting.imaging.optics
    dark, bright, full = light_of(shown)
    lamp = lamp_of(bay, scene, shown.T_camera_target)
    counts = ("n", "usable", "missed", "wrong_id", "alarms", "steps")
    values = {
        **{name: str(numbers[name]) for name in counts if name in numbers},
        "step": str(numbers.get("step_shown", "–")),
        "doubt": str(numbers["mirrored"] + numbers["unsure"]),
        "lost": str(numbers["n"] - numbers["usable"]),
        "range": say(shown.range_m, "m", 3),
        "tilt": say(round(shown.tilt_deg, 1), "deg", 3),
        "size": say(round(shown.size_px), "px", 4),
        "across": say(round(shown.size_px * math.cos(math.radians(shown.tilt_deg))), "px", 4),
        "margin": say(round(shown.margin_px), "px", 4),
        "rms": say(own.rms_deg, "deg"),
        "low": say(own.error_low_deg),
        "high": say(own.error_high_deg, "deg"),
        "error": say(own.error_deg, "deg"),
        "along": say(numbers.get("rms_along_mm"), "mm"),
        "tolerance": say(own.tolerance_deg, "deg", 3),
        "within": str(own.within),
        "needed": str(own.needed),
        "quantity": captions.texts[f"words.{quantity_of(shown, bay)}"],
        "by": say(abs(degrees(scene.by)), "deg"),
        "slip": say(degrees(scene.slip or 0.0), "deg"),
        "slipped": say(numbers.get("slipped_px"), "px"),
        "motion": say(optics.motion_length_px, "px"),
        "focus": say(scene.focus, "m"),
        "twist": say(1e3 * scene.twist, "mm"),
        "dark": say(round(100.0 * dark), "%", 3),
        "bright": say(round(100.0 * bright), "%", 3),
        "saturated": say(100.0 * full, "%"),
        "moved": say(moved_px(shown), "px"),
        "pictures": captions.texts[f"words.as_{'built' if numbers.get('as_built') else 'drawn'}"],
        "factor": say(DRAWN.get(scene.astray, DRAWN_SLIP)),
    }
    if lamp is not None:
        values["cure"] = say(abs(lamp[1]), "deg", 3)
        values["lamp_angle"] = say(_between(lamp[0], shown), "deg", 3)
    if shown.reference is not None:
        values["along_good"] = say(shown.reference.numbers.get("rms_along_mm"), "mm")
    if scene.other_id:
        there = min(bay.target.markers)
        step = len(bay.target.markers)
        values |= {"there": str(there), "wanted": str(there + (step if there < step else -step))}
    none = own.error_low_deg is None or own.error_high_deg is None
    values["interval"] = "" if none else captions.say("words.interval", values)
    if about is None or not np.isnan(shown.turn_deg):
        values["step_px"] = say(step_px(shown, about), "px")
    return values


def _between(lamp: np.ndarray, shown: Illustrated) -> float:
    """Return the angle between lamp and camera as the plate's middle sees them, degrees."""
    eye = shown.T_camera_target.inverse().translation
    cosine = float(lamp @ eye / np.linalg.norm(lamp) / np.linalg.norm(eye))
    return round(math.degrees(math.acos(cosine)))


def light_of(shown: Illustrated) -> tuple[float, float, float]:
    """Return dark and bright grey, fractions of full scale, and the share that is saturated."""
    grey, full = shown.picture.grey, shown.picture.full_scale
    dark, bright = np.quantile(grey, [DARKEST, BRIGHTEST]) / full
    return float(dark), float(bright), float(np.mean(grey >= full))


def quantity_of(shown: Illustrated, bay: Bay) -> str:
    """Return what is judged: ``"rate"`` of rotations, ``"toe"`` or ``"camber"``."""
    return {ROTATION: "rate", "err_toe_deg": "toe"}.get(judged_by(shown, bay)[0], "camber")


def sentence(text: str) -> str:
    """Return a text with its full stop, which a trainer's own may lack."""
    return text if not text or text[-1] in ".!?" else f"{text}."


def said(
    shown: Illustrated,
    bay: Bay,
    captions: Captions,
    scene_key: str | None = None,
    about: Illustrated | None = None,
) -> Said:
    """Return a picture's texts.

    `scene_key` takes another scene's title and lesson; `about` is the spoilt picture beside a
    good one, whose edge both marks speak of.
    """
    key = f"scene.{scene_key or shown.scene.key}"
    values = values_of(shown, bay, captions, about)
    own, outcome = judge(shown, bay), outcome_of(shown, bay)
    rated = quantity_of(shown, bay) == "rate"
    headline: str = own.verdict
    if headline in ("inside", "outside", "unsure") and not rated:
        headline = f"mean_{headline}"
    elif headline == "unsure" and own.needed is None:
        headline = "unsure_level"
    numbers = "numbers" if rated else "numbers_mean"
    if shown.scene.slip is not None:
        numbers = "numbers_slip"
    elif own.error_deg is None:
        numbers = "numbers_none"
    bad = shown.reference is not None
    mark = captions.say(f"{key}.mark", values)
    tail = _tail(shown, about)
    if tail:
        # how far an edge moves by a degree is no step of a registration
        values |= {"step": values.get("step_px", "–")}
        mark = f"{sentence(mark)} {captions.say(f'words.{tail}', values)}"
    texts = captions.texts
    return Said(
        title=captions.say(f"{key}.title", values),
        mark=mark,
        headline=captions.say(f"words.{headline}", values),
        numbers=captions.say(f"words.{numbers}", values),
        lesson=captions.say(f"{key}.lesson", values) if f"{key}.lesson" in texts else "",
        more=captions.say(f"outcome.{outcome}", values) if bad and outcome in OUTCOMES else "",
        why=captions.say(f"{key}.why", values) if f"{key}.why" in texts else "",
        outcome=outcome,
        verdict=own.verdict,
        error_deg=own.error_deg,
        low_deg=own.error_low_deg,
        high_deg=own.error_high_deg,
        tolerance_deg=own.tolerance_deg,
    )


def _tail(shown: Illustrated, about: Illustrated | None) -> str | None:
    """Return the name of the sentence that says how far the edge moved, if any does."""
    pair = shown if about is None else about
    if shown.scene.slip is not None or shown.scene.astray:
        return None
    if not shown.found:
        return "lost"
    other = pair.scene.set == SWEEP_SET if pair.reference is None else not pair.same_view
    if other and pair.scene.margin is None:
        return "step"
    return "moved" if moved_px(shown) is not None else None
