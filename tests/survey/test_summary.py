import numpy as np
import polars as pl

from bench.survey.cells import summarise
from bench.survey.limit_words import reach_of
from bench.survey.limits import find_limits
from bench.survey.summary import failure_words, reach_words
from bench.survey.verdicts import Request

REQUEST = Request(0.05, 0.9)


def test_the_farthest_range_is_named_with_its_tilt_and_the_face_on_one_beside(cell_cases):
    cases = pl.concat(
        cell_cases(np.full(300, rms), range_m=r, turn_deg=t)
        for r, t, rms in ((4, 0, 0.31), (4, 45, 0.01), (8, 45, 0.02), (12, 45, 0.2))
    )
    assert reach_words(find_limits(cases, REQUEST, rolls="rolls spread by ±15 deg")) == (
        "At least 90 % of all pictures usable and within 0.05 deg (angle of the rotation error), "
        "at 95 % confidence; 300 pictures a cell, rolls spread by ±15 deg: holds farthest, to 8 m "
        "at tilt 45 deg, by d/s; at tilt 0 deg: none (fails at 4 m: 0 of 300 within 0.05 deg (at "
        "most 0.994 %, 90 % asked); 300 off by more)."
    )


def test_tilts_that_reach_as_far_are_a_range_and_the_end_of_the_grid_is_called_that(cell_cases):
    cases = pl.concat(
        cell_cases(np.full(60, error), range_m=r, turn_deg=t, pipeline=pipeline)
        for r in (4, 8)
        for t in (0, 20, 40, 62, 75)
        for pipeline, far in (("d/s", (20, 40, 62)), ("d/t", (40,)))
        for error in (0.01 if t in far or r == 4 else 0.2,)
    )
    limits = find_limits(cases, REQUEST)
    words = reach_words(limits)
    assert "holds farthest, to the grid's end, 8 m, at tilts 20 to 62 deg, by d/s" in words
    assert "; as far at tilt 40 deg by d/t; at tilt 0 deg: 4 m (fails at 8 m" in words
    assert reach_of(limits, "d/s") == (
        "to the grid's end, 8 m, at tilts 20 to 62 deg; to 4 m at tilts 0 and 75 deg"
    )


def test_where_nothing_holds_the_nearest_cell_is_named(cell_cases):
    cases = pl.concat(
        cell_cases(np.append(np.full(k, 0.01), np.full(300 - k, 0.3)), range_m=r)
        for r, k in ((4, 20), (8, 10))
    )
    words = reach_words(find_limits(cases, REQUEST))
    assert "no pipeline holds it at the shortest range of any tilt" in words
    assert "nearest comes d/s at 4 m" in words


def test_what_is_undecided_is_not_said_to_fail(cell_cases):
    words = reach_words(find_limits(cell_cases(np.full(20, 0.01)), REQUEST))
    assert "no pipeline is shown to hold it" in words
    assert "fail" not in words


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
