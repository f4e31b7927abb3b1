"""A siting as a result that other commands read: site.json."""

from __future__ import annotations

from typing import Any

from bench.envelope import Kind
from bench.strict import Section


class ConstraintRow(Section):
    """A constraint with its value and limit, in its unit."""

    name: str
    where: str
    value: float | None
    limit: float | None
    slack: float | None
    unit: str
    holds: bool


class WordsRow(Section):
    """What limits the layout, or would help it: `words`, and the numbers behind them."""

    model_config = Section.model_config | {"extra": "allow"}
    words: str


class SightingRow(Section):
    """A tower's view of a wheel's target, as aim.csv has it."""

    model_config = Section.model_config | {"extra": "allow"}
    tower: str
    vehicle: str
    wheel: str
    station: str
    range_m: float | None
    tilt_deg: float | None
    expanded_toe_deg: float | None
    expanded_camber_deg: float | None
    verdict: str


class SitingValue(Section):
    """The layout found, by what it was judged, and what it comes to."""

    basis: str
    coverage_factor: float
    starts: int
    evaluated_only: bool
    spare: float
    feasible: bool
    over_tolerance: float | None
    decision_rule: str = ""
    """By which `over_tolerance` was judged, in words."""
    sited_digest: str | None = None
    """Digest of sited.toml, the bay file with the layout found; null where none was written."""
    layout: dict[str, float | None]
    mounts: list[dict[str, Any]]
    lenses: list[dict[str, Any]]
    limits: list[WordsRow]
    gains: list[WordsRow]
    constraints: list[ConstraintRow]
    sightings: list[SightingRow]


SITING = Kind("siting", "site.json", "site", SitingValue)
