import numpy as np
import polars as pl

from bench.survey.cells import summarise
from bench.survey.limits import find_limits
from bench.survey.summary import failure_words, reach_words
from bench.survey.verdicts import Request

REQUEST = Request(0.05, 0.9)


def test_the_farthest_range_is_named_with_its_tilt_and_the_face_on_one_beside(cell_cases):
    cases = pl.concat(
        cell_cases(np.full(300, rms), range_m=r, turn_deg=t)
        for r, t, rms in ((4, 0, 0.31), (4, 45, 0.01), (8, 45, 0.02), (12, 45, 0.2))
    )
    assert reach_words(find_limits(cases, REQUEST)) == (
        "RMS rotation error of 0.05 deg, 90 % usable poses, 95 % confidence: holds farthest at "
        "tilt 45 deg, to 8 m, by d/s; at tilt 0 deg: none (fails at 4 m: RMS 0.31 deg of 0.05 "
        "(at least 0.31))."
    )


def test_where_nothing_holds_the_nearest_cell_is_named(cell_cases):
    cases = pl.concat(cell_cases(np.full(300, rms), range_m=r) for r, rms in ((4, 0.31), (8, 0.6)))
    words = reach_words(find_limits(cases, REQUEST))
    assert "no pipeline is shown to hold it at the shortest range of any tilt" in words
    assert "nearest comes d/s at 4 m" in words


def test_where_nothing_was_usable_that_is_said(cell_cases):
    words = reach_words(find_limits(cell_cases(np.empty(0), n=50), REQUEST))
    assert words.endswith("no case gave a usable pose.")


def test_gross_failures_are_counted_by_kind_and_placed(cell_cases):
    cases = pl.concat(
        (
            cell_cases(np.full(90, 0.1), n=100, outcome="missed", range_m=6, turn_deg=60),
            cell_cases(np.full(98, 0.1), n=100, outcome="wrong_id", range_m=4),
        )
    )
    assert failure_words(summarise(cases)) == (
        "Gross failures: 12 of 200 cases (10 missed, 2 wrong id); most in d/s at 6 m, tilt 60 "
        "deg: 10 of 100."
    )


def test_no_gross_failure_is_said_too(cell_cases):
    assert failure_words(summarise(cell_cases(np.ones(5)))) == "Gross failures: none in 5 cases."
