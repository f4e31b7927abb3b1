"""Angles that a holder can be set to: whole multiples of a protractor's step within a range."""

from __future__ import annotations

import math

from bench.errors import ConfigError
from bench.units import format_angle

# Of a step: what an angle written in degrees loses when it is read in radians, and far more.
ROUNDING = 1e-9


def stepped(
    limits: tuple[float, float], step: float, spacing: float | None = None
) -> tuple[float, ...]:
    """Return angles within limits, ascending, in whole steps.

    Parameters
    ----------
    limits : (float, float)
        Least and greatest angle, radians.
    step : float
        Angles are whole multiples of it, radians.
    spacing : float, optional
        Wanted between neighbours at most, radians: as few angles as that takes, evenly spread to
        the step, both ends among them. Every step when left out.

    Raises
    ------
    ConfigError
        No multiple of the step lies within the limits.
    """
    first = math.ceil(limits[0] / step - ROUNDING)
    last = math.floor(limits[1] / step + ROUNDING)
    if last < first:
        raise ConfigError(
            f"no whole multiple of {format_angle(step)} lies from {format_angle(limits[0])} to "
            f"{format_angle(limits[1])}"
        )
    apart = step if spacing is None else max(spacing, step)
    gaps = max(1, math.ceil((last - first) * step / apart - ROUNDING))
    places = {first + round(k * (last - first) / gaps) for k in range(gaps + 1)}
    return tuple(place * step for place in sorted(places))
