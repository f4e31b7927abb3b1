"""A budget as a result that other commands read: budget.json."""

from __future__ import annotations

from pydantic import Field

from bench.envelope import Kind
from bench.strict import Section


class BudgetLine(Section):
    """An angle's uncertainty, degrees; each contribution is a key ``u_…_deg`` more."""

    model_config = Section.model_config | {"extra": "allow"}
    vehicle: str
    station: str
    axle: str
    side: str
    quantity: str
    reference: str
    u_deg: float
    k: float
    expanded_deg: float
    tolerance_deg: float | None
    share_of_tolerance: float | None
    verdict: str | None
    largest: str

    @property
    def contributions(self) -> dict[str, float]:
        """Standard uncertainty by cause, degrees, the largest first."""
        extra = self.model_extra or {}
        found = {
            name[2:].removesuffix("_deg").replace("_", " "): float(value)
            for name, value in extra.items()
            if name.startswith("u_")
        }
        return dict(sorted(found.items(), key=lambda item: -item[1]))


class BudgetValue(Section):
    """The uncertainty of every angle of every vehicle at every station."""

    tolerance_deg: dict[str, float]
    verdict: str
    words: list[str]
    decision_rule: str = ""
    basis: list[str]
    measured: dict[str, str] = Field(default_factory=dict)
    """Which parts were measured on site, and from which file; the others were rehearsed."""
    confidence: float
    trials: int
    trials_stable: bool
    largest_difference_deg: float
    worst: str
    lines: list[BudgetLine] = Field(min_length=1)


BUDGET = Kind("budget", "budget.json", "budget", BudgetValue)
