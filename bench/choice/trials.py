"""The fewest pictures a cell that a comparison of drawings takes."""

from __future__ import annotations

from bench.survey.statistics import MIN_BOOTSTRAP, trials_for_quantile_bound, trials_to_decide_rate
from bench.survey.verdicts import Request


def default_trials(request: Request) -> int:
    """Return the fewest pictures a cell that can show what is asked, if none of them fails."""
    rate = trials_to_decide_rate(1, 1, request.detection, request.confidence)
    assert rate is not None  # a rate of exactly 1 can't be asked for
    if request.statistic == "rms":
        return max(rate, MIN_BOOTSTRAP)
    return max(rate, trials_for_quantile_bound(0.95, request.confidence))
