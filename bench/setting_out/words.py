"""Deviations allowed to an installer, in sentences."""

from __future__ import annotations

import math

from bench.setting_out.deviations import Allowances
from bench.setting_out.joint_deviations import Joint


def deviation_words(single: Allowances, together: Joint) -> list[str]:
    """Say what may be off least, of lengths and of angles, and what may be off at once."""
    lines = []
    for what in ("lengths", "angles"):
        each = (a for a in single.each if a.knob.is_length is (what == "lengths"))
        one = min(each, key=lambda a: a.least)
        breaks = one.breaks_minus if one.minus <= one.plus else one.breaks_plus
        most = one.knob.shown(one.least)
        shown = f"{math.floor(most)}" if one.knob.is_length else f"{most:.2f}"
        amount = f"{shown} {one.knob.unit}"
        said = f"{amount}, then {breaks} breaks" if breaks else f"more than {amount}"
        lines.append(f"Least allowed alone, of {what}: {one.knob.words} {said}.")
    return [*lines, f"Together: {together.words}."]
