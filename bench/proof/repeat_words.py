"""A study of repeatability's plan and result, as tables and in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import polars as pl
import scipy

from bench.conformity import percent
from bench.proof.repeat import Design, Study, evaluate
from bench.scene.model import Bay
from bench.typing import Array


def plan_words(design: Design, seed: int) -> list[str]:
    """Return what a study can show."""
    low, high = design.repeatability_interval()
    ratio = design.detectable_ratio()
    count = len(design.order(seed))
    return [
        f"{count} readings: {len(design.wheels)} wheels, {len(design.operators)} operators, "
        f"{design.repeats} each, in {design.repeats} rounds of random order (seed {seed}).",
        f"Repeatability will be known to between {low:.2f} and {high:.2f} times its estimate "
        "(95 %).",
        *(
            f"Operators that scatter {trial:g} times as much as one repeats are shown to differ "
            f"with {100 * design.operator_power(trial):.0f} % chance."
            for trial in (0.5, 1.0, 2.0)
        ),
        f"With 80 % chance: from {ratio:.2f} times on. All at 5 % of false alarms, without "
        "interaction. More operators help most.",
    ]


def order_table(order: Sequence[tuple[str, str, int]]) -> pl.DataFrame:
    """Return a row for each reading, in the order in which to take them."""
    return pl.DataFrame(
        [{"round": repeat, "wheel": name, "operator": who} for name, who, repeat in order]
    )


def study_words(name: str, study: Study) -> list[str]:
    """Return a quantity's components, and whether operators differ."""
    pooled = "; taken for repetition" if study.pooled else ""
    return [
        f"{name}, standard deviations in degrees ({100 * study.confidence:g} % intervals)",
        *(f"  {component.words}" for component in study.components),
        f"  operators differ: p = {study.p_operator:.3g}; wheel by operator: p = "
        f"{study.p_interaction:.3g}{pooled}",
    ]


def gauge_verdict(name: str, study: Study, bay: Bay, readings: Array) -> tuple[str, str]:
    """Return inside, outside or undecided for a quantity's gauge, and a sentence.

    Parameters
    ----------
    name : str
        ``"toe"`` or ``"camber"``.
    study : Study
        What was found.
    bay : Bay
        Whose tolerance.
    readings : (W, O, R) float64
        Degrees, a cell for each wheel and operator.
    """
    if not np.any(np.ptp(readings, axis=2)):
        return "undecided", (
            f"{name}: undecided, no repeated reading differs: rounded too coarsely, or copied"
        )
    gauge = study.component("gauge")
    k = float(scipy.stats.norm.isf(0.025))
    tolerance = math.degrees(getattr(bay.tolerance, name))
    size, low, high = k * gauge.sigma, k * math.sqrt(gauge.low), k * math.sqrt(gauge.high)
    rule, level, chance = bay.tolerance.rule, bay.tolerance.confidence, ""
    if rule == "simple":
        answer = "inside" if size <= tolerance else "outside"
    elif rule == "guard":
        answer = "inside" if high <= tolerance else "outside" if low > tolerance else "undecided"
    else:
        p = chance_below(study, readings, tolerance / k)
        answer = "inside" if p >= level else "outside" if p <= 1.0 - level else "undecided"
        risk = f"fail {percent(p)}" if answer == "outside" else f"pass {percent(1.0 - p)}"
        chance = f", {percent(p)} probable, risk of a wrong {risk}"
    return answer, (
        f"{name}: {answer}, gauge {size:.4f} deg ({low:.4f} to {high:.4f}, k = {k:.2f}) of "
        f"{tolerance:.3f}{chance}"
    )


def chance_below(study: Study, readings: Array, sigma: float) -> float:
    """Return the confidence with which a study's gauge is below a standard deviation.

    That of the one-sided interval which ends there, by bisection.
    """
    pool = -1.0 if study.pooled else 1.0  # as the study itself decided

    def end(p: float) -> float:
        found = evaluate(study.design, readings, abs(2.0 * p - 1.0), pool).component("gauge")
        return math.sqrt(found.high if p >= 0.5 else found.low)

    low, high = 1e-4, 1.0 - 1e-4
    for _ in range(20):  # to 1e-6
        middle = 0.5 * (low + high)
        low, high = (middle, high) if end(middle) <= sigma else (low, middle)
    return 0.5 * (low + high)


def components_table(name: str, study: Study) -> pl.DataFrame:
    """Return a row for each component of a quantity's variance."""
    return pl.DataFrame(
        [
            {
                "quantity": name,
                "component": c.name,
                "variance_deg2": c.variance,
                "sigma_deg": c.sigma,
                "sigma_low_deg": math.sqrt(c.low),
                "sigma_high_deg": math.sqrt(c.high),
                "negative": c.variance < 0.0,
            }
            for c in study.components
        ]
    )
