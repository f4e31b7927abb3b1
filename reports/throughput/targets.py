"""What was asked of throughput, and whether it is met: words with a number."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from reports.throughput.scale import CASES

Parts = dict[str, Any]


@dataclass(frozen=True)
class TargetVerdict:
    """One target: what was asked, what was measured, and in words whether that meets it."""

    what: str
    asked: str
    measured: str
    word: str


@dataclass(frozen=True)
class _Target:
    what: str
    part: str
    value: Callable[[Parts], float]
    limit: float
    at_least: bool
    unit: str
    factor: str = ""

    def verdict(self, parts: Parts) -> TargetVerdict:
        asked = f"{'≥' if self.at_least else '≤'} {self.limit:g}{self.unit}"
        if self.part not in parts:
            return TargetVerdict(self.what, asked, "not measured", "not judged")
        result = parts[self.part]["result"]
        if "missing" in result:
            return TargetVerdict(self.what, asked, result["missing"], "not judged")
        value = self.value(result)
        met = value >= self.limit if self.at_least else value <= self.limit
        return TargetVerdict(
            self.what, asked, f"{value:.3g}{self.unit}", "met" if met else "not met"
        )


TARGETS = (
    _Target(
        "full frame against pyrender at equal corner accuracy",
        "opengl",
        lambda r: float(r["frame"]["ratio"]["median"]),
        100.0,
        True,
        " times",
    ),
    _Target(
        "region against the path tracer at equal noise",
        "path_tracer",
        lambda r: float(r["ratio"]["median"]),
        1000.0,
        True,
        " times",
    ),
    _Target(
        "rasterise 100 x 100 px",
        "pictures",
        lambda r: float(r["steps_ms"]["rasterise, distorted"]["median"]),
        0.5,
        False,
        " ms",
    ),
    _Target(
        "100 x 100 px with optics and sensor",
        "pictures",
        lambda r: float(r["steps_ms"]["optics, light, sensor"]["median"]),
        1.5,
        False,
        " ms",
    ),
    _Target(
        "a survey's own overhead by a corner pipeline",
        "overhead",
        lambda r: 100.0 * float(r["share"]["median"]),
        10.0,
        False,
        " %",
    ),
    _Target(
        "two workers over two independent copies",
        "workers",
        lambda r: float(r["ratio"]["median"]),
        0.95,
        True,
        "",
    ),
    _Target(
        f"a map of {CASES:,} cases by a corner pipeline",
        "maps",
        lambda r: float(r["seconds_for_asked"]) / 60.0,
        10.0,
        False,
        " min",
    ),
)
# A peak that grew with the cases would have the exponent 1; caches and page granularity leave a
# little: this is a tenth more for each doubling at most.
FLAT_EXPONENT = 0.14


def verdicts(parts: Parts) -> list[TargetVerdict]:
    """Return every target's verdict, in the order they were asked."""
    found = [target.verdict(parts) for target in TARGETS]
    asked = f"exponent ≤ {FLAT_EXPONENT:g}"
    if "memory" not in parts:
        return [*found, TargetVerdict("memory by cases", asked, "not measured", "not judged")]
    grown = float(parts["memory"]["result"]["growth"]["exponent"])
    word = "met" if grown <= FLAT_EXPONENT else "not met"
    return [*found, TargetVerdict("memory by cases", asked, f"exponent {grown:.2f}", word)]
