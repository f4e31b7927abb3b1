"""Deviations allowed to an installer, in sentences."""

from __future__ import annotations

import math

from bench.setting_out.deviations import Allowance, Allowances
from bench.setting_out.joint_deviations import Joint


def deviation_words(single: Allowances, together: Joint) -> list[str]:
    """Say what may be off least, of lengths and of angles, and what may be off at once."""
    lines = []
    for is_length, unit, scale in ((True, "mm", 1000.0), (False, "deg", 180.0 / math.pi)):
        one = min((a for a in single.each if a.knob.is_length is is_length), key=_least)
        breaks = one.breaks_minus if one.minus <= one.plus else one.breaks_plus
        lines.append(
            f"Least allowed alone, of {'lengths' if is_length else 'angles'}: {one.knob.words} "
            f"{scale * one.least:.2f} {unit}, then {breaks or 'nothing'} breaks."
        )
    return [*lines, f"Together: {together.words}."]


def _least(one: Allowance) -> float:
    return one.least
