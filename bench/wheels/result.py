"""Measured wheel angles as a result that other commands read: wheels.json."""

from __future__ import annotations

from pydantic import Field

from bench.envelope import Kind
from bench.strict import Section


class AngleRow(Section):
    """An angle or length with its standard uncertainty, in its unit."""

    name: str
    refers_to: str
    unit: str
    value: float
    u: float
    toe_mm: float | None
    true: float | None = None
    error: float | None = None


class RunOut(Section):
    """What rolling showed of a wheel and the target on it."""

    rolled_deg: list[float]
    target_from_axis_deg: float
    wobble_deg: float
    p_value: float
    centre_from: str


class WheelsValue(Section):
    """Everything measured on a vehicle's wheels."""

    table: str
    vertical: str = Field(default="")
    """What camber stands on: "level", "floor", "wheel centres' plane", "table's z"."""
    rows: list[AngleRow]
    decision_rule: str = ""
    decisions: list[str] = Field(default_factory=list)
    """Whether the angles' uncertainties are inside tolerance, in words."""
    contradictions: list[str] = Field(default_factory=list)
    """What readings say against each other, in words."""
    run_out: dict[str, RunOut]


WHEELS = Kind("wheel measurement", "wheels.json", "wheels", WheelsValue)
