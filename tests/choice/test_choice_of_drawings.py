"""Drawings ranked by invented cases whose verdicts are known."""

import json
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from bench.choice.candidates import Candidate
from bench.choice.choice import CHOICE_SCHEMA, Surveyed, choose_drawing
from bench.choice.tables import write_choice
from bench.choice.words import (
    limit_words,
    recommendation_words,
    table_lines,
    trait_words,
)
from bench.envelope import Origin
from bench.survey.verdicts import Request
from bench.targets.fill import Plate
from bench.targets.spec import target_from_spec

REQUEST = Request(within_deg=0.05, success=0.9)
N = 60
# Rotation errors, degrees. 90 % of 60 pictures are shown with one miss at most, so that errors all
# alike are certain. None: all missed.
GOOD, BAD, LOST = 0.01, 0.2, None


def open_cell(rng):
    """Return errors of which four are beyond: 56 of 60 has bounds on both sides of 90 %."""
    errors = np.full(N, GOOD)
    errors[rng.choice(N, 4, replace=False)] = BAD
    return errors


@pytest.fixture
def surveyed(cell_cases):
    """A maker of a candidate with cells, (turn, range) -> errors, for each pipeline."""

    def make(name, *, outcome="missed", **cells_by_solver):
        parts = []
        for solver, cells in cells_by_solver.items():
            for (turn, range_m), errors in cells.items():
                if errors is None:
                    errors = np.empty(0)
                elif np.isscalar(errors):
                    errors = np.full(N, errors)
                parts.append(
                    cell_cases(
                        errors,
                        n=N,
                        outcome=outcome,
                        pipeline=f"eye/{solver.replace('_', '-')}",
                        range_m=range_m,
                        turn_deg=turn,
                    )
                )
        target = SimpleNamespace(name=name, kind="marker")
        pipelines = tuple(f"eye/{s.replace('_', '-')}" for s in cells_by_solver)
        candidate = Candidate(f"spec-of-{name}", target, pipelines)
        return Surveyed.of(candidate, pl.concat(parts), REQUEST)

    return make


def along(turn, *errors):
    """Return the cells of one turn at 2, 4, 6, … metres."""
    return {(turn, 2.0 * (i + 1)): e for i, e in enumerate(errors)}


def row(choice, candidate, turn=30.0):
    return choice.table.filter(pl.col("candidate") == candidate, pl.col("turn_deg") == turn).row(
        0, named=True
    )


def test_table_counts_what_holds_what_may_hold_and_what_ends_it(surveyed):
    rng = np.random.default_rng(1)
    open_ = open_cell(rng)
    a = surveyed("a", corners=along(30.0, GOOD, GOOD, open_, GOOD, BAD, GOOD))
    choice = choose_drawing([a], REQUEST)
    found = row(choice, "a")
    assert found["verdict"] == "holds"
    assert (found["longest_range_m"], found["possible_range_m"]) == (4.0, 8.0)
    assert (found["cells"], found["cells_held"], found["cells_possible"]) == (6, 2, 4)
    assert (found["ends_at_m"], found["ended_by"]) == (6.0, "undecided")
    assert found["n"] == N
    assert found["n_needed"] > N
    assert not found["all_tested"]
    assert choice.table.schema == CHOICE_SCHEMA


def test_longest_range_tested_is_marked(surveyed):
    a = surveyed("a", corners=along(30.0, GOOD, GOOD))
    found = row(choose_drawing([a], REQUEST), "a")
    assert found["all_tested"]
    assert found["ends_at_m"] is None
    assert found["ended_by"] is None


def half_lost(cell_cases_errors=GOOD):
    return np.full(N // 2, cell_cases_errors)


@pytest.mark.parametrize(
    ("errors", "outcome", "ended_by"),
    [
        (BAD, "missed", "rotation error"),
        (LOST, "missed", "missed targets"),
        (half_lost(), "mirrored", "mirrored poses"),
        (half_lost(), "ambiguous", "ambiguous poses"),
        (half_lost(), "wrong_id", "wrong ids"),
        (half_lost(), "not_finite", "poses that aren't finite"),
        (half_lost(BAD), "mirrored", "mirrored poses and rotation error"),
    ],
)
def test_what_ends_a_limit_is_named(surveyed, errors, outcome, ended_by):
    a = surveyed("a", outcome=outcome, corners=along(30.0, GOOD, errors))
    assert row(choose_drawing([a], REQUEST), "a")["ended_by"] == ended_by


def test_drawing_that_surely_holds_more_is_recommended(surveyed):
    a = surveyed("a", corners=along(30.0, GOOD, BAD, BAD))
    b = surveyed("b", corners=along(30.0, GOOD, GOOD, BAD))
    choice = choose_drawing([a, b], REQUEST)
    assert choice.ranking.best.candidate == "b"
    assert (choice.ranking.rivals, choice.ranking.equals) == ((), ())
    (first, *_) = recommendation_words(choice, ())
    assert first.startswith(
        "Recommended: b, with eye/corners: it holds in 2 of 3 cells of range and tilt, to 4 m at "
        "tilt 30 deg; next is a with 1."
    )


def test_cells_beyond_a_failing_one_count_for_nothing(surveyed):
    a = surveyed("a", corners=along(30.0, GOOD, BAD, GOOD, GOOD))
    b = surveyed("b", corners=along(30.0, GOOD, GOOD, BAD, BAD))
    assert choose_drawing([a, b], REQUEST).ranking.best.candidate == "b"


def test_rival_that_may_hold_more_leaves_the_choice_undecided(surveyed):
    rng = np.random.default_rng(2)
    a = surveyed("a", corners=along(30.0, GOOD, GOOD, BAD, BAD))
    b = surveyed("b", corners=along(30.0, GOOD, open_cell(rng), open_cell(rng), BAD))
    choice = choose_drawing([a, b], REQUEST)
    assert choice.ranking.best.candidate == "a"
    assert [s.candidate for s in choice.ranking.rivals] == ["b"]
    (first, *_) = recommendation_words(choice, ())
    assert first.startswith("Undecided, but first comes a, with eye/corners:")
    assert "against b (1, perhaps 3)" in first
    assert choice.verdict == "holds"  # some drawing does, whichever is best


def test_open_cells_of_the_first_itself_leave_nothing_undecided(surveyed):
    rng = np.random.default_rng(3)
    a = surveyed("a", corners=along(30.0, GOOD, GOOD, open_cell(rng)))
    b = surveyed("b", corners=along(30.0, GOOD, BAD, BAD))
    assert choose_drawing([a, b], REQUEST).ranking.rivals == ()


def noisy(scale, seed):
    return scale * np.abs(np.random.default_rng(seed).normal(0.0, 1.0, N))


def test_of_drawings_that_hold_as_much_the_more_accurate_comes_first(surveyed):
    a = surveyed("a", corners=along(30.0, noisy(0.02, 1), noisy(0.02, 2), BAD))
    b = surveyed("b", corners=along(30.0, noisy(0.005, 3), noisy(0.005, 4), BAD))
    ranking = choose_drawing([a, b], REQUEST).ranking
    assert ranking.best.candidate == "b"
    assert [s.candidate for s in ranking.equals] == ["a"]
    assert ranking.ratios["a"].high < 1.0
    assert ranking.ratios["a"].cells == 2


def test_more_accurate_of_equals_is_undecided_against_one_that_may_hold_more(surveyed):
    rng = np.random.default_rng(9)
    a = surveyed("a", corners=along(30.0, noisy(0.02, 1), open_cell(rng)))
    b = surveyed("b", corners=along(30.0, noisy(0.005, 3), BAD))
    choice = choose_drawing([a, b], REQUEST)
    assert choice.ranking.best.candidate == "b"
    assert [s.candidate for s in choice.ranking.rivals] == ["a"]
    (first, *_) = recommendation_words(choice, ())
    assert first.startswith("Undecided, but first comes b")
    assert f"--trials {row(choice, 'a')['n_needed']} might decide" in first


def test_errors_are_compared_with_rivals_equals_and_the_most_accurate(surveyed):
    a = surveyed("a", corners=along(30.0, noisy(0.01, 1), noisy(0.01, 2)))
    b = surveyed("b", corners=along(30.0, noisy(0.015, 3), BAD))
    c = surveyed("c", corners=along(30.0, noisy(0.002, 4), BAD))
    (first, *_) = recommendation_words(choose_drawing([a, b, c], REQUEST), ())
    assert "times as much as c" in first
    assert "times as much as b" not in first


def test_of_drawings_that_nothing_tells_apart_the_first_given_stays_first(surveyed):
    same = along(30.0, noisy(0.01, 1), noisy(0.01, 2), BAD)
    choice = choose_drawing([surveyed("a", corners=same), surveyed("b", corners=same)], REQUEST)
    assert choice.ranking.best.candidate == "a"
    assert choice.ranking.ratios["b"].value == pytest.approx(1.0)
    (first, *_) = recommendation_words(choice, ())
    assert "as many as b" in first


def test_drawing_is_judged_by_its_best_pipeline(surveyed):
    a = surveyed(
        "a", corners=along(30.0, GOOD, GOOD, BAD), all_pixels=along(30.0, GOOD, GOOD, BAD)
    )
    b = surveyed(
        "b", corners=along(30.0, GOOD, BAD, BAD), all_pixels=along(30.0, GOOD, GOOD, GOOD)
    )
    choice = choose_drawing([a, b], REQUEST)
    assert (choice.ranking.best.candidate, choice.ranking.best.pipeline) == ("b", "eye/all-pixels")


def test_rival_counts_what_any_of_its_pipelines_may_hold(surveyed):
    rng = np.random.default_rng(5)
    a = surveyed("a", corners=along(30.0, GOOD, GOOD, BAD))
    b = surveyed(
        "b",
        corners=along(30.0, GOOD, BAD, BAD),
        all_pixels=along(30.0, open_cell(rng), open_cell(rng), open_cell(rng)),
    )
    (rival,) = choose_drawing([a, b], REQUEST).ranking.rivals
    assert (rival.pipeline, rival.held, rival.possible) == ("eye/corners", 1, 3)


def test_nothing_that_holds_is_said_with_the_nearest_cell(surveyed):
    a = surveyed("a", corners=along(30.0, BAD, 0.3))
    b = surveyed("b", corners=along(30.0, np.append(np.full(50, BAD), np.full(10, GOOD)), LOST))
    choice = choose_drawing([a, b], REQUEST)
    assert choice.verdict == "none"
    assert choice.ranking.best is None
    (words,) = recommendation_words(choice, ())
    assert words.startswith("None: no drawing holds at the shortest range of any tilt; nearest ")
    assert "comes b, with eye/corners, at 2 m, tilt 30 deg: 10 of 60 within 0.05 deg" in words


def test_nothing_decided_is_said_with_the_pictures_it_would_take(surveyed):
    rng = np.random.default_rng(6)
    a = surveyed("a", corners=along(30.0, open_cell(rng), BAD))
    choice = choose_drawing([a], REQUEST)
    assert choice.verdict == "undecided"
    (words,) = recommendation_words(choice, ())
    assert words.startswith("Undecided: no drawing surely holds")
    assert "pictures would decide" in words


def test_no_usable_pose_at_all_is_said(surveyed):
    choice = choose_drawing([surveyed("a", corners=along(30.0, LOST, LOST))], REQUEST)
    assert recommendation_words(choice, ())[0].endswith("no picture gave a usable pose.")


def test_axles_within_reach_are_named_by_tilt(surveyed):
    cells = along(0.0, GOOD, BAD, BAD) | along(30.0, GOOD, GOOD, GOOD)
    choice = choose_drawing([surveyed("a", corners=cells)], REQUEST)
    axles = (("cart front", 1.9), ("cart rear", 4.5))
    assert recommendation_words(choice, axles)[1] == (
        "It reaches the farthest axle, cart rear at 4.50 m, at tilt 30 deg, not at tilt 0 deg."
    )
    # ranges varied by 2 % within the cells, the last of which is at 6 m
    assert "reaches the farthest axle" in recommendation_words(choice, (("a", 6.1),), 0.02)[1]
    assert "doesn't reach" in recommendation_words(choice, (("a", 6.1),), 0.01)[1]
    too_far = (("van rear", 7.0),)
    assert recommendation_words(choice, too_far)[1] == (
        "It doesn't reach the farthest axle, van rear at 7.00 m, at any tilt."
    )


def test_what_limits_each_drawing_is_said(surveyed):
    cells = along(0.0, GOOD, BAD) | along(20.0, GOOD, GOOD) | along(40.0, GOOD, LOST)
    choice = choose_drawing([surveyed("a", corners=cells)], REQUEST)
    assert limit_words(choice) == [
        "What limits a (eye/corners): rotation error from 4 m at tilt 0 deg; missed targets from "
        "4 m at tilt 40 deg; nothing as far as tested at tilt 20 deg."
    ]


def test_table_marks_ends_of_the_grid_and_open_limits(surveyed):
    rng = np.random.default_rng(8)
    a = surveyed(
        "a",
        corners=along(0.0, BAD, BAD) | along(20.0, GOOD, GOOD) | along(40.0, GOOD, BAD),
        all_pixels=along(0.0, open_cell(rng), BAD)
        | along(20.0, GOOD, open_cell(rng))
        | along(40.0, LOST, LOST),
    )
    lines = table_lines(choose_drawing([a], REQUEST))
    assert lines[1].split() == ["tilt", "(deg)", "0", "20", "40"]
    assert lines[2] == "a"
    assert lines[3].split() == ["eye/all-pixels", "undecided", "2?", "none"]
    assert lines[4].split() == ["eye/corners", "none", "4+", "2"]


@pytest.mark.parametrize(
    ("spec", "says", "not_"),
    [
        ("marker:36h11:0:0.2 m", "is lost when its outline is covered", "turned"),
        ("grid:36h11:2x2:80 mm:20 mm", "is still found", "turned"),
        ("circles:5x5:20 mm:10 mm:symmetric", "looks the same turned by a quarter", "half"),
        ("circles:5x4:20 mm:10 mm:symmetric", "looks the same turned by a half", "quarter"),
        ("circles:4x10:20 mm:10 mm", "looks the same turned by a half", "quarter"),
        ("circles:4x11:20 mm:10 mm", "every circle must be seen", "turned"),
    ],
)
def test_traits_follow_from_the_drawing(spec, says, not_):
    words = trait_words(target_from_spec(spec))
    assert says in words
    assert not_ not in words


@pytest.mark.parametrize(
    "spec",
    [
        "circles:5x5:20 mm:10 mm:symmetric",
        "circles:5x4:20 mm:10 mm:symmetric",
        "circles:4x10:20 mm:10 mm",
        "circles:4x11:20 mm:10 mm",
    ],
)
def test_said_symmetry_of_circles_is_that_of_their_centres(spec):
    target = target_from_spec(spec)
    points = target.points - target.points.mean(axis=0)

    def alike(turned):
        apart = np.linalg.norm(points[:, None] - turned[None], axis=2)
        return bool(apart.min(axis=1).max() < 1e-9)

    words = trait_words(target)
    assert alike(points[:, ::-1] * (1, -1)) == ("turned by a quarter" in words)
    if "quarter" not in words:
        assert alike(-points) == ("turned by a half" in words)


def test_files_hold_what_was_found(surveyed, tmp_path):
    a = surveyed("a", corners=along(30.0, noisy(0.01, 1), BAD))
    b = surveyed("b", corners=along(30.0, noisy(0.01, 2), noisy(0.01, 3)))
    choice = choose_drawing([a, b], REQUEST)
    # traits need a whole target
    csv, summary = write_choice(
        tmp_path, choice, Plate(0.3, 0.2), ["words"], {"tower": "left"}, Origin("choose", "2026")
    )
    assert pl.read_csv(csv).height == choice.table.height
    told = json.loads(summary.read_text())["value"]
    assert told["verdict"] == "holds"
    assert told["plate_m"] == [0.3, 0.2]
    assert told["ranking"]["first"] == "b"
    assert told["ranking"]["decided"] is True
    assert [c["name"] for c in told["candidates"]] == ["a", "b"]
    assert told["tower"] == "left"
    assert told["ranking"]["error_ratio_to"]["a"]["n"] == N
