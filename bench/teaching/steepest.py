"""Advice on the steepest turn that holds: the sweep, bent plates and grazing light."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from bench.built.response import responses
from bench.draw import style
from bench.scene.model import Bay
from bench.solve.response import PLATE
from bench.teaching.captions import Captions
from bench.teaching.judgement import judge
from bench.teaching.marks import BLUE, RED, draw_verdict
from bench.teaching.slide import DPI, LEFT, SLIDE, balanced, frame_of, wrapped
from bench.teaching.trials import Illustrated


@dataclass(frozen=True)
class Advice:
    """What a sweep of turns allows to be planned.

    Attributes
    ----------
    turns_deg, errors_deg : tuple of float
        Of each step that gave usable poses, with what 95 of 100 errors stay below.
    verdicts : tuple of str
        Of each step of the whole sweep, as `bench.teaching.judgement` words them.
    bends_m : tuple of float
        At each step of the whole sweep, the bend of the corners that would by itself turn the
        pose by the whole tolerance, in its worst combination of bow and twist.
    first_deg, steepest_deg, next_deg : float or None
        Ends of the run of steps, up from the least, that are shown to hold; the step after it.
    """

    turns_deg: tuple[float, ...]
    errors_deg: tuple[float, ...]
    verdicts: tuple[str, ...]
    bends_m: tuple[float, ...]
    first_deg: float | None
    steepest_deg: float | None
    next_deg: float | None


def advice_of(frames: Sequence[Illustrated], bay: Bay) -> Advice:
    """Return what the frames of the sweep, least turn first, allow to be planned."""
    judged = [judge(one, bay) for one in frames]
    holds = [one.verdict == "inside" for one in judged]
    turns = [one.turn_deg for one in frames]
    first = holds.index(True) if any(holds) else None
    last = first
    while last is not None and last + 1 < len(holds) and holds[last + 1]:
        last += 1
    after = None if last is None or last + 1 == len(turns) else turns[last + 1]
    errors = [one.error_deg for one in judged]
    usable = [(t, e) for t, e in zip(turns, errors, strict=True) if e is not None]
    return Advice(
        tuple(t for t, _ in usable),
        tuple(e for _, e in usable),
        tuple(one.verdict for one in judged),
        tuple(math.radians(judged[0].tolerance_deg) / _by_bend(one) for one in frames),
        None if first is None else turns[first],
        None if last is None else turns[last],
        after,
    )


def _by_bend(shown: Illustrated) -> float:
    """Return the most that a plate bent by so much turns the pose, radians a metre.

    To first order, `bench.built.response`; bow across, bow up and twist each either way.
    """
    camera = shown.setting.camera
    response = responses(shown.setting.target, shown.T_camera_target, camera, np.zeros((9, 0)))
    plate = response[:3, 2 : 2 + len(PLATE)]
    signs = np.array(list(itertools.product((-1.0, 1.0), repeat=len(PLATE))))
    return float(np.max(np.linalg.norm(signs @ plate.T, axis=1)))


def advice_words(
    frames: Sequence[Illustrated], advice: Advice, bay: Bay, captions: Captions
) -> tuple[str, str]:
    """Return the lesson, and what bent plates and light have to do with it."""
    say = captions.number
    last = advice.steepest_deg

    def at(turn: float) -> str:
        k = [one.turn_deg for one in frames].index(turn)
        bend = {"bend": say(1e3 * advice.bends_m[k], "mm"), "tilt": say(turn, "deg", 3)}
        return captions.say("words.steepest_bend_at", bend)

    by_turn = {one.turn_deg: one for one in frames}
    middle = min(by_turn, key=lambda turn: abs(turn - 40.0))
    shown = by_turn[last if last is not None else middle]
    level = [one.setting.imaging.illumination.level for one in (shown, frames[0])]
    bends = dict.fromkeys(t for t in (middle, last, advice.next_deg) if t is not None)
    values = {
        "steepest": say(last, "deg", 3),
        "first": say(advice.first_deg, "deg", 3),
        "next": say(advice.next_deg, "deg", 3),
        "bends": ", ".join(at(turn) for turn in bends),
        "flatness": say(1e3 * bay.budget.flatness, "mm"),
        "light": say(100.0 * level[0] / level[1], "%"),
    }
    which = "steepest_open" if last is None or advice.next_deg is None else "steepest_lesson"
    return captions.say(f"words.{which}", values), captions.say("words.steepest_bend", values)


def advice_figure(frames: Sequence[Illustrated], bay: Bay, captions: Captions) -> Figure:
    """Return the slide: error against turn, the tolerance, and the steepest step that holds."""
    advice, words = advice_of(frames, bay), captions.texts
    tolerance = judge(frames[0], bay).tolerance_deg
    turns = [one.turn_deg for one in frames]
    figure = style.new_figure(*SLIDE, DPI)
    frame = frame_of(figure, words["words.steepest"], words["set.tilt"])
    axes = figure.add_axes((0.1, 0.37, 0.86, 0.51))
    plate = [tolerance * bay.budget.flatness / bend for bend in advice.bends_m]
    axes.plot(turns, plate, color=RED, ls="--", lw=1.6, label=words["words.steepest_plate"])
    axes.plot(advice.turns_deg, advice.errors_deg, color=BLUE, lw=2.2, marker="o", ms=4,
              label=words["words.steepest_all"])  # fmt: skip
    axes.axhline(tolerance, color=style.INK, lw=1.8)
    values = {"tolerance": captions.number(tolerance, "deg", 3)}
    # what a bend does face-on is next to nothing: no reason to show it
    low, high = 0.02 * tolerance, 6.0 * max([*advice.errors_deg, tolerance])
    axes.set(yscale="log", xlim=(-3, 91), ylim=(low, high), xlabel=words["words.steepest_axis"])
    axes.set_ylabel(words["words.steepest_error"])
    axes.text(-2.5, tolerance * 1.08, captions.say("words.tolerance", values), ha="left",
              size=style.SMALL)  # fmt: skip
    axes.xaxis.set_major_locator(FixedLocator(turns))
    ticks = [m * 10.0**e for e in range(-4, 3) for m in (1, 2, 5)]
    axes.yaxis.set_major_locator(FixedLocator([t for t in ticks if low <= t <= high]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: captions.number(v)))
    axes.legend(loc="lower right", frameon=False, fontsize=style.SMALL)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    box = axes.get_position()
    for turn, verdict in zip(turns, advice.verdicts, strict=True):
        across = box.x0 + box.width * (turn + 3.0) / 94.0
        draw_verdict(frame, (across * SLIDE[0], box.y1 * SLIDE[1] - 0.12), verdict, 0.085)
    if advice.steepest_deg is not None and advice.first_deg is not None:
        axes.axvspan(advice.first_deg, advice.steepest_deg, color=BLUE, alpha=0.08, lw=0)
    lesson, more = advice_words(frames, advice, bay, captions)
    lines = balanced(lesson, SLIDE[0] - 2 * LEFT, 15.0)
    look: dict[str, Any] = {"va": "top", "linespacing": 1.15}
    frame.text(LEFT, 1.25, "\n".join(lines), size=15, weight="bold", **look)
    text = "\n".join(wrapped(more, SLIDE[0] - 2 * LEFT, 9.5))
    frame.text(LEFT, 0.62, text, size=9.5, color=style.MUTED, **look)
    return figure
