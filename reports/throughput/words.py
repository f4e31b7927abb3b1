"""Numbers of a benchmark as the report prints them."""

from __future__ import annotations

import math
from typing import Any


def number(values: dict[str, Any]) -> str:
    """Return a median."""
    return f"{values['median']:.3g}"


def within(values: dict[str, Any]) -> str:
    """Return a median and, in brackets, the quartiles."""
    middle, low, high = (_short(values[k]) for k in ("median", "q25", "q75"))
    return f"{middle} [{low}, {high}]"


def exponent(values: dict[str, Any]) -> str:
    """Return an exponent and its interval."""
    if math.isnan(values["low"]):
        return f"{values['exponent']:.2f}"
    return f"{values['exponent']:.2f} [{values['low']:.2f}, {values['high']:.2f}]"


def share(value: float) -> str:
    """Return a share as per cent."""
    return f"{100.0 * value:.1f} %" if value < 0.1 else f"{100.0 * value:.0f} %"


def _short(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1000.0 else f"{value:.3g}"
