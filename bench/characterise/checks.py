"""A predicted number held against the observed one, and what it says of the camera."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

State = Literal["inside", "outside", "undecided"]
COVERAGE = 2.0
PREDICTS, CONTRADICTED, UNDECIDED = 0, 1, 3


@dataclass(frozen=True)
class Check:
    """One comparison: what, and what to do where it is off (`remedy`).

    Attributes
    ----------
    value, u, unit : float, float, str
        Observed against predicted, and its standard uncertainty.
    low, high : float
        Within which the bench predicts this camera.
    state : State
        By a guard band of 2 u on either side; of a test, by its level.
    matters : float
        What it would gain to put it right: about the share by which claims are off.
    """

    what: str
    value: float
    u: float
    low: float
    high: float
    unit: str
    state: State
    matters: float
    remedy: str

    @property
    def words(self) -> str:
        """Say it in a line."""
        held = {"inside": "as predicted", "outside": "off", "undecided": "can't be told"}
        spread = f" ± {self.u:.2g}" if math.isfinite(self.u) and self.u > 0.0 else ""
        return (
            f"{self.what}: {self.value:.3g}{spread}{self.unit}, predicted within {self.low:.3g} "
            f"to {self.high:.3g}: {held[self.state]}"
        )


def compare(
    what: str, value: float, u: float, limits: tuple[float, float], unit: str, matters: float,
    remedy: str
) -> Check:  # fmt: skip
    """Return a comparison judged with a guard band (ISO 14253-1)."""
    low, high = limits
    least, most = value - COVERAGE * u, value + COVERAGE * u  # of what isn't finite, neither
    state: State = "inside" if low <= least and most <= high else "undecided"
    if most < low or least > high:
        state = "outside"
    return Check(what, value, u, low, high, unit, state, matters, remedy)


def exit_code(checks: Sequence[Check]) -> int:
    """Return 0 where all is as predicted, 1 where something is off, 3 where it can't be told."""
    states = {check.state for check in checks}
    if "outside" in states:
        return CONTRADICTED
    return UNDECIDED if "undecided" in states or not checks else PREDICTS


def what_to_do(checks: Sequence[Check]) -> list[str]:
    """Return what to do about what is off, in the order of what it would gain, each once."""
    off = sorted((c for c in checks if c.state == "outside"), key=lambda c: -c.matters)
    return list(dict.fromkeys(check.remedy for check in off))
