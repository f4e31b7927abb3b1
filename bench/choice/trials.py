"""The fewest pictures a cell that a comparison of drawings takes."""

from __future__ import annotations

from bench.survey.statistics import trials_for_misses
from bench.survey.verdicts import Request


def default_trials(request: Request) -> int:
    """Return the pictures a cell that show what is asked with one miss.

    The fewest, without any, would leave a drawing that misses once in a hundred undecided in
    every second cell.
    """
    return trials_for_misses(1, request.success, request.confidence)
