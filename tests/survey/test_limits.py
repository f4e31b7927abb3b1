import numpy as np
import polars as pl
import pytest
from scipy import stats

from bench.errors import ConfigError
from bench.survey.limits import find_limits
from bench.survey.verdicts import Request, judge_cells

REQUEST = Request(within_deg=0.05)


def verdict(cases, request=REQUEST):
    (cell,) = judge_cells(cases, request).to_dicts()
    return cell


def within(k, n, size=0.04, off=0.06):
    """Return errors (n,), k of which are within 0.05 deg."""
    return np.concatenate((np.full(k, size), np.full(n - k, off)))


def test_a_cell_holds_where_enough_of_all_pictures_are_usable_and_within(cell_cases):
    cell = verdict(cell_cases(within(123, 124)))
    assert (cell["verdict"], cell["n_within"], cell["n_needed"]) == ("holds", 123, None)
    assert cell["words"] == "123 of 124 within 0.05 deg (at least 96.2 %)"
    # the closed form of the exact bound: 124 pictures with one miss
    assert stats.binom.cdf(1, 124, 1.0 - cell["success_low"]) == pytest.approx(0.05)


def test_a_cell_fails_where_the_contrary_is_shown(cell_cases):
    cell = verdict(cell_cases(within(80, 100)))
    assert cell["verdict"] == "fails"
    assert cell["words"] == (
        "80 of 100 within 0.05 deg (at most 86.3 %, 95 % asked); 20 off by more"
    )


def test_a_cell_between_is_undecided_and_says_how_many_pictures_it_would_take(cell_cases):
    cell = verdict(cell_cases(within(98, 100)))
    assert (cell["verdict"], cell["n_needed"]) == ("undecided", 157)
    assert cell["words"].endswith("2 off by more; about 157 pictures would decide")
    assert verdict(cell_cases(within(154, 157)))["verdict"] == "holds"


def test_the_pictures_named_are_those_of_a_rate_without_a_miss(cell_cases):
    assert verdict(cell_cases(within(59, 59)))["verdict"] == "holds"
    cell = verdict(cell_cases(within(58, 58)))
    assert (cell["verdict"], cell["n_needed"]) == ("undecided", 59)  # Wilks 1941


def test_a_cell_at_the_tolerance_is_said_to_lie_there(cell_cases):
    # 950 of 1000: no number of pictures at that rate tells it from 95 %
    cell = verdict(cell_cases(within(951, 1000)))
    assert (cell["verdict"], cell["n_needed"]) == ("undecided", None)
    assert "it lies at the tolerance" in cell["words"]


def test_a_gross_failure_is_a_miss_however_good_the_rest(cell_cases):
    cell = verdict(cell_cases(np.full(250, 0.001), n=300))
    assert (cell["verdict"], cell["n_within"]) == ("fails", 250)
    assert cell["words"].endswith("; 50 missed")
    mirrored = verdict(cell_cases(np.full(300, 0.01), n=330, outcome="mirrored"))
    assert mirrored["words"].endswith("; 30 mirrored")


def test_failures_and_large_errors_add_up(cell_cases):
    # 4 of each: either alone would leave 96 of 100
    cell = verdict(cell_cases(within(86, 93), n=100))
    assert cell["verdict"] == "fails"
    assert cell["words"].endswith("; 7 off by more, 7 missed")


def test_a_cell_without_any_pose_fails(cell_cases):
    cell = verdict(cell_cases(np.empty(0), n=300))
    assert (cell["verdict"], cell["n_ok"], cell["n_within"]) == ("fails", 0, 0)


def test_an_error_of_just_the_tolerance_is_within(cell_cases):
    assert verdict(cell_cases(np.full(59, 0.05)))["n_within"] == 59


def test_only_how_many_are_within_counts_not_how_far_off_the_others_are(cell_cases):
    near, wild = (within(120, 124, off=off) for off in (0.051, 170.0))
    rows = [verdict(cell_cases(errors)) for errors in (near, wild)]
    assert rows[0] == rows[1]


def grid(cell_cases, sizes, pipeline="d/s", pitch_deg=0.0):
    """Cases of a table {(range, turn): error}, 300 each; None is a cell that is never found."""
    return pl.concat(
        cell_cases(
            np.empty(0) if rms is None else np.full(300, rms),
            n=300,
            pipeline=pipeline,
            range_m=range_m,
            turn_deg=turn,
            pitch_deg=pitch_deg,
        )
        for (range_m, turn), rms in sizes.items()
    )


def test_the_longest_range_does_not_jump_over_a_failing_cell(cell_cases):
    cases = grid(cell_cases, {(2.0, 0.0): 0.01, (4.0, 0.0): 0.09, (6.0, 0.0): 0.01})
    (row,) = find_limits(cases, REQUEST).ranges.to_dicts()
    assert (row["verdict"], row["longest_range_m"]) == ("holds", 2.0)
    assert (row["next_range_m"], row["next_verdict"]) == (4.0, "fails")
    assert row["words"].startswith("2 m (fails at 4 m: 0 of 300 within 0.05 deg")
    assert not row["all_tested"]


def test_a_limit_at_the_longest_range_tested_says_so(cell_cases):
    cases = grid(cell_cases, {(2.0, 0.0): 0.01, (4.0, 0.0): 0.02})
    (row,) = find_limits(cases, REQUEST).ranges.to_dicts()
    assert (row["longest_range_m"], row["all_tested"]) == (4.0, True)
    assert row["words"] == "4 m (the grid's end)"


def test_a_tilt_not_tested_at_the_shortest_ranges_says_so(cell_cases):
    # as an adaptive survey has them: turn 20 came in between, at two ranges alone
    errors = np.full(100, 0.02)
    cells = [(2.0, 0.0), (4.0, 0.0), (8.0, 0.0), (4.0, 20.0), (8.0, 20.0)]
    cases = pl.concat([cell_cases(errors, range_m=r, turn_deg=t) for r, t in cells])
    given, between = find_limits(cases, REQUEST).ranges.to_dicts()
    assert (given["shortest_tested_m"], between["shortest_tested_m"]) == (2.0, 4.0)
    assert given["words"] == "8 m (the grid's end)"
    assert between["words"] == "8 m (the grid's end; nothing nearer than 4 m was tested)"


def test_nothing_holds_is_none_with_the_number_that_fails(cell_cases):
    limits = find_limits(grid(cell_cases, {(4.0, 0.0): 0.31, (6.0, 0.0): 0.01}), REQUEST)
    (row,) = limits.ranges.to_dicts()
    assert (row["verdict"], row["longest_range_m"]) == ("none", None)
    assert row["words"].startswith("none (fails at 4 m: 0 of 300 within 0.05 deg (at most 0.994 %")
    assert limits.verdict == "none"


def test_undecided_at_the_first_range_is_undecided_with_its_trials(cell_cases):
    cases = cell_cases(np.full(40, 0.001))
    limits = find_limits(cases, REQUEST)
    (row,) = limits.ranges.to_dicts()
    assert (row["verdict"], row["n_needed"]) == ("undecided", 59)
    assert "about 59 pictures would decide" in row["words"]
    assert "fail" not in row["words"]
    assert limits.verdict == "undecided"


def test_one_limit_that_holds_is_the_verdict(cell_cases):
    cases = grid(cell_cases, {(4.0, 0.0): 0.3, (4.0, 30.0): 0.01})
    assert find_limits(cases, REQUEST).verdict == "holds"


def test_tilt_bands_are_the_contiguous_runs_of_holding_turns(cell_cases):
    sizes = {(4.0, t): rms for t, rms in ((-30.0, 0.01), (-15.0, 0.02), (0.0, 0.4), (15.0, 0.01))}
    bands = find_limits(grid(cell_cases, sizes), REQUEST).bands
    assert bands.select("from_deg", "to_deg").rows() == [(-30.0, -15.0), (15.0, 15.0)]
    assert bands["along"].to_list() == ["turn", "turn"]
    assert bands["words"][0] == "turn -30 to -15 deg"


def test_a_range_without_a_band_names_the_nearest_cell(cell_cases):
    sizes = {(4.0, 0.0): 0.4, (4.0, 30.0): 0.09, (4.0, 60.0): None}
    (row,) = find_limits(grid(cell_cases, sizes), REQUEST).bands.to_dicts()
    assert (row["verdict"], row["from_deg"]) == ("none", None)
    assert row["words"].startswith("none (nearest, turn 0 deg: 0 of 300 within 0.05 deg")


def test_bands_run_along_pitch_where_pitch_alone_varies(cell_cases):
    cases = pl.concat(
        grid(cell_cases, {(4.0, 0.0): 0.01}, pitch_deg=pitch) for pitch in (0.0, 20.0)
    )
    (row,) = find_limits(cases, REQUEST).bands.to_dicts()
    assert (row["along"], row["from_deg"], row["to_deg"]) == ("pitch", 0.0, 20.0)


def test_pipelines_are_judged_apart(cell_cases):
    cases = pl.concat(
        [
            grid(cell_cases, {(4.0, 0.0): 0.01}, "a/s"),
            grid(cell_cases, {(4.0, 0.0): 0.3}, "b/s"),
        ]
    )
    assert find_limits(cases, REQUEST).ranges["verdict"].to_list() == ["holds", "none"]


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"within_deg": 0.0}, "within: 0 deg lies outside 0 to 180 deg"),
        ({"within_deg": -1.0}, "within: -1 deg"),
        ({"success": 1.0}, "success: 1 lies outside 0 to 1, both excluded"),
        ({"confidence": 0.4}, "confidence: 0.4 lies outside 0.5 to 1"),
    ],
)
def test_a_request_out_of_its_limits_is_refused(values, words):
    with pytest.raises(ConfigError) as caught:
        Request(**values)
    assert words in str(caught.value)
