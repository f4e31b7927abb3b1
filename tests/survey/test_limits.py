import numpy as np
import polars as pl
import pytest

from bench.errors import ConfigError
from bench.survey.limits import find_limits
from bench.survey.verdicts import Request, judge_cells

RNG = np.random.default_rng(11)
REQUEST = Request(rotation_deg=0.05, detection=0.99, confidence=0.95)


def verdict(cases, request=REQUEST):
    (cell,) = judge_cells(cases, request).to_dicts()
    return cell


def test_a_cell_holds_where_both_bounds_are_inside(cell_cases):
    cell = verdict(cell_cases(RNG.normal(0, 0.04, 300)))
    assert cell["verdict"] == "holds"
    assert cell["rotation_high_deg"] <= 0.05
    assert cell["usable_rate_low"] >= 0.99
    assert cell["n_needed"] is None


def test_a_cell_fails_where_the_good_end_is_outside(cell_cases):
    cell = verdict(cell_cases(RNG.normal(0, 0.08, 300)))
    assert (cell["verdict"], cell["rotation_verdict"]) == ("fails", "fails")
    assert cell["words"].startswith("RMS 0.0")
    assert "deg of 0.05 (at least 0.0" in cell["words"]


def test_a_cell_between_is_undecided_and_says_how_many_trials_it_would_take(cell_cases):
    # RMS 0.048 of 0.05: the upper bound at n = 100 is about 0.048 (1 + 1.645 / √200) = 0.0536
    errors = 0.048 * np.sqrt(2) * np.sin(np.linspace(0, 2 * np.pi, 101)[:-1])
    cell = verdict(cell_cases(errors), Request(0.05, 0.9))
    assert cell["rotation_verdict"] == "undecided"
    reach = cell["rotation_high_deg"] - cell["rotation_deg"]
    gap = 0.05 - cell["rotation_deg"]
    assert cell["n_needed"] == int(np.ceil(100 * (reach / gap) ** 2))
    assert "trials would decide" in cell["words"]


def test_the_trials_named_do_decide(cell_cases):
    # take the advice: a sample of that many from the same distribution is decided nine times
    # in ten or so, as the needed number is where the bound meets the tolerance; ask for twice
    few = verdict(cell_cases(RNG.normal(0, 0.046, 100)), Request(0.05, 0.9))
    assert few["verdict"] == "undecided"
    many = RNG.normal(0, few["rotation_deg"], 2 * few["n_needed"])
    assert verdict(cell_cases(many), Request(0.05, 0.9))["rotation_verdict"] != "undecided"


def test_detection_of_99_percent_holds_from_268_trials_without_failure(cell_cases):
    # closed form, see test_statistics; the rotation is small enough not to matter
    errors = np.full(268, 0.001)
    assert verdict(cell_cases(errors))["verdict"] == "holds"
    cell = verdict(cell_cases(errors[:267]))
    assert (cell["verdict"], cell["n_needed"]) == ("undecided", 268)


def test_failing_detection_fails_the_cell_however_good_the_rest(cell_cases):
    cell = verdict(cell_cases(np.full(250, 0.001), n=300))
    assert (cell["verdict"], cell["rotation_verdict"]) == ("fails", "holds")
    assert "usable 83.33 % of 99 % wanted (at most 86" in cell["words"]


def test_a_cell_without_any_pose_fails_by_detection(cell_cases):
    cell = verdict(cell_cases(np.empty(0), n=300))
    assert cell["verdict"] == "fails"
    assert cell["rotation_deg"] is None


def test_mirrored_cases_count_against_the_usable_rate_alone(cell_cases):
    cell = verdict(cell_cases(np.full(300, 0.01), n=330, outcome="mirrored"))
    assert cell["rotation_verdict"] == "holds"
    assert cell["usable_verdict"] == "fails"


def test_too_few_poses_leave_the_rotation_undecided(cell_cases):
    cell = verdict(cell_cases(np.full(10, 0.001), n=20), Request(0.05, 0.3))
    assert cell["rotation_verdict"] == "undecided"
    assert cell["n_needed"] == 60  # 30 ok cases at the rate seen so far


def test_the_95th_percentile_needs_59_poses(cell_cases):
    request = Request(0.05, 0.5, statistic="p95")
    assert verdict(cell_cases(np.full(59, 0.04)), request)["verdict"] == "holds"
    cell = verdict(cell_cases(np.full(58, 0.04)), request)
    assert (cell["rotation_verdict"], cell["n_needed"]) == ("undecided", 59)


def grid(cell_cases, sizes, pipeline="d/s", pitch_deg=0.0):
    """Cases of a table {(range, turn): RMS}, 300 each; None is a cell that is never found."""
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
    assert row["words"].startswith("2 m (fails at 4 m: RMS 0.09 deg of 0.05")
    assert not row["all_tested"]


def test_a_limit_at_the_longest_range_tested_says_so(cell_cases):
    cases = grid(cell_cases, {(2.0, 0.0): 0.01, (4.0, 0.0): 0.02})
    (row,) = find_limits(cases, REQUEST).ranges.to_dicts()
    assert (row["longest_range_m"], row["all_tested"]) == (4.0, True)
    assert row["words"] == "4 m (the longest tested)"


def test_a_tilt_not_tested_at_the_shortest_ranges_says_so(cell_cases):
    # as an adaptive survey has them: turn 20 came in between, at two ranges alone
    errors = RNG.normal(0, 0.02, 400)
    cells = [(2.0, 0.0), (4.0, 0.0), (8.0, 0.0), (4.0, 20.0), (8.0, 20.0)]
    cases = pl.concat([cell_cases(errors, range_m=r, turn_deg=t) for r, t in cells])
    given, between = find_limits(cases, REQUEST).ranges.to_dicts()
    assert (given["shortest_tested_m"], between["shortest_tested_m"]) == (2.0, 4.0)
    assert given["words"] == "8 m (the longest tested)"
    assert between["words"] == "8 m (the longest tested; nothing nearer than 4 m was tested)"


def test_nothing_holds_is_none_with_the_number_that_fails(cell_cases):
    limits = find_limits(grid(cell_cases, {(4.0, 0.0): 0.31, (6.0, 0.0): 0.01}), REQUEST)
    (row,) = limits.ranges.to_dicts()
    assert (row["verdict"], row["longest_range_m"]) == ("none", None)
    assert row["words"].startswith("none (fails at 4 m: RMS 0.31 deg of 0.05 (at least 0.31)")
    assert limits.verdict == "none"


def test_undecided_at_the_first_range_is_undecided_with_its_trials(cell_cases):
    cases = cell_cases(np.full(200, 0.001))
    limits = find_limits(cases, REQUEST)
    (row,) = limits.ranges.to_dicts()
    assert (row["verdict"], row["n_needed"]) == ("undecided", 268)
    assert "about 268 trials would decide" in row["words"]
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
    assert row["words"].startswith("none (nearest, turn 30 deg: RMS 0.09 deg of 0.05")


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


def test_a_limit_is_declared_wrongly_no_more_often_than_its_confidence_allows(cell_cases):
    # truth sits exactly on the tolerance, where a wrong "holds" is most likely: 5 % at each
    # cell, and at most 5 % for the pair since both must hold
    wrong, repeats = 0, 400
    for repeat in range(repeats):
        rng = np.random.default_rng([77, repeat])
        cases = cell_cases(rng.normal(0, 0.05, 100), range_m=2.0 + repeat)
        cell = verdict(cases, Request(0.05, 0.5))
        wrong += cell["verdict"] == "holds"
    # 0.05 + the bootstrap's 0.01 at this n (0.935 to 0.948 measured between n = 30 and 300)
    # + 3.3 standard deviations of counting
    assert wrong / repeats < 0.06 + 3.3 * np.sqrt(0.05 * 0.95 / repeats)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"rotation_deg": 0.0}, "rotation tolerance: 0 deg lies outside 0 to 180 deg"),
        ({"rotation_deg": -1.0}, "rotation tolerance: -1 deg"),
        ({"detection": 1.0}, "detection: 1 lies outside 0 to 1, both excluded"),
        ({"confidence": 0.4}, "confidence: 0.4 lies outside 0.5 to 1"),
        ({"statistic": "mean"}, "statistic: 'mean' is not one of rms, p95"),
    ],
)
def test_a_request_out_of_its_limits_is_refused(values, words):
    with pytest.raises(ConfigError) as caught:
        Request(**values)
    assert words in str(caught.value)


def test_trials_beyond_what_a_plan_takes_are_no_number(cell_cases):
    # 59 small errors and one that lifts the RMS to just below the tolerance: the bootstrap's upper
    # bound is 1e11 deg, so that (reach / gap)² is beyond any integer that a table holds
    errors = np.append(np.full(59, 0.01) + 1e-4 * RNG.normal(size=59), 2.3237)
    cell = judge_cells(cell_cases(errors), Request(0.3001, 0.5, 0.9875)).row(0, named=True)
    assert cell["verdict"] == "undecided"
    assert cell["rotation_high_deg"] is None or cell["rotation_high_deg"] > 1e6
    assert cell["n_needed"] is None
    assert "no number of trials is known" in cell["words"]
