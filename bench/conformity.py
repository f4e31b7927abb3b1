"""Decision rules: whether a number with its uncertainty is inside its tolerance.

A rule is chosen once, in the bay file's ``[tolerance] rule`` or by ``--rule``, and stated wherever
a number is compared:

simple
    The number alone counts (simple acceptance; JCGM 106:2012, 8.2). Near a limit a bad one passes
    about as often as not.
guard
    The number with its expanded uncertainty U, k = 2, must lie inside: a guard band of U on the
    inside proves conformity, one on the outside its opposite, and between them neither is proved
    (ISO 14253-1; JCGM 106:2012, 8.3). The default: whoever states a bay's accuracy has to prove
    it, so that the measurement's uncertainty counts against the one who measures.
probability
    The probability of conformity (JCGM 106:2012, clause 7) must reach a level. What is left of it
    is the specific consumer's risk of accepting, itself the specific producer's risk of rejecting
    (9.3; clauses from memory).

Some of what is compared is itself an expanded uncertainty, held against the largest that may be:
that of a reading to come, whose error is expected to be 0. There U is the guard band of a 0, so
that simple acceptance and guard band are the same comparison; the probability is that of the
error lying within the tolerance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Rule = Literal["simple", "guard", "probability"]
State = Literal["inside", "outside", "undecided"]
DEFAULT: Rule = "guard"
LEVEL = 0.95  # least probability of conformity
COVERAGE = 2.0  # k of the guard band
# Of a limit's own size: what rounding may take from a number that lies on it.
HAIR = 1e-9


def probability_of_conformity(value: float, u: float, low: float, high: float) -> float:
    """Return the probability that a quantity lies inside its tolerance.

    JCGM 106:2012, 7.4: of a normal distribution about the estimate.

    Parameters
    ----------
    value, u : float
        Estimate and its standard uncertainty, which may be 0.
    low, high : float
        The tolerance's limits, which may be infinite.
    """
    if u <= 0.0:
        return 1.0 if low <= value <= high else 0.0
    # a difference of two small tails would lose its digits
    below, above = _normal((low - value) / u), _normal((value - high) / u)
    return max(1.0 - below - above, 0.0)


def _normal(z: float) -> float:
    """Return the standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


@dataclass(frozen=True)
class Decision:
    """A number held against its tolerance by a stated rule.

    Attributes
    ----------
    state : {"inside", "outside", "undecided"}
        Undecided where neither is proved.
    value, expanded : float
        The number and its expanded uncertainty; of an uncertainty the number is 0.
    limit : float
        The tolerance's nearest limit.
    rule : Rule
        By which it was decided.
    level : float
        Probability that the rule of that name asks for.
    probability : float
        Of conformity.
    """

    state: State
    value: float
    expanded: float
    limit: float
    rule: Rule
    level: float
    probability: float

    @property
    def consumers_risk(self) -> float:
        """Probability that it is outside all the same, where it is accepted."""
        return 1.0 - self.probability

    @property
    def producers_risk(self) -> float:
        """Probability that it is inside all the same, where it is rejected."""
        return self.probability

    @property
    def rule_words(self) -> str:
        """The rule, in words."""
        return rule_words(self.rule, self.level)

    @property
    def risk_words(self) -> str:
        """The risk of the decision, in words."""
        if self.state == "outside":
            return f"risk of a wrong fail {percent(self.producers_risk)}"
        return f"risk of a wrong pass {percent(self.consumers_risk)}"

    @property
    def chance_words(self) -> str:
        """What a sentence on it ends with: the probability and the risk, if the rule asks it."""
        if self.rule != "probability":
            return ""
        return f", {percent(self.probability)} probable, {self.risk_words}"


def decide(
    value: float, u: float, low: float, high: float, rule: Rule = DEFAULT, level: float = LEVEL
) -> Decision:
    """Decide whether a measured quantity is inside its tolerance.

    Parameters
    ----------
    value, u : float
        Estimate and its standard uncertainty, which may be 0.
    low, high : float
        The tolerance's limits, either of which may be infinite.
    rule : Rule
        See the module.
    level : float
        Least probability of conformity that is taken for inside; one less than what is missing
        from 1 for outside.
    """
    p = probability_of_conformity(value, u, low, high)
    expanded = COVERAGE * u
    hair = HAIR * max((abs(v) for v in (low, high) if math.isfinite(v)), default=0.0) + HAIR
    room = min(value - low, high - value)
    state: State
    if rule == "simple":
        state = "inside" if room >= -hair else "outside"
    elif rule == "guard":
        if room - expanded >= -hair:
            state = "inside"
        else:
            state = "outside" if room + expanded < 0.0 else "undecided"
    else:
        state = "inside" if p >= level else "outside" if p <= 1.0 - level else "undecided"
    limit = low if value - low < high - value else high
    return Decision(state, value, expanded, limit, rule, level, p)


def decide_uncertainty(
    expanded: float, limit: float, k: float = COVERAGE, rule: Rule = DEFAULT, level: float = LEVEL
) -> Decision:
    """Decide whether an expanded uncertainty is inside the largest that may be.

    Parameters
    ----------
    expanded : float
        Of a reading to come, whose error is expected to be 0.
    limit : float
        The largest that may be.
    k : float
        Coverage factor of `expanded`.
    rule, level
        See `decide`.
    """
    p = 0.0
    if not math.isnan(expanded) and expanded < math.inf:
        p = probability_of_conformity(0.0, expanded / k, -limit, limit)
    inside = p >= level if rule == "probability" else expanded <= limit
    return Decision("inside" if inside else "outside", 0.0, expanded, limit, rule, level, p)


def rule_words(rule: Rule, level: float = LEVEL) -> str:
    """Return a rule in words, as a sentence may end with it."""
    if rule == "simple":
        return "simple acceptance: the number alone counts"
    if rule == "guard":
        return f"guard band of U, k = {COVERAGE:g}, as ISO 14253-1"
    return f"probability of conformity {percent(level)} or more, JCGM 106"


def percent(p: float) -> str:
    """Return a probability in per cent; what is rare isn't 0, what is likely not 100."""
    if 0.0 < p < 1e-4:
        return "under 0.01 %"
    if 0.9999 < p < 1.0:
        return "over 99.99 %"
    digits = 2 if p < 0.01 or p > 0.99 else 1
    return f"{100.0 * p:.{digits}f}".rstrip("0").rstrip(".") + " %"
