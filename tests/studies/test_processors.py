"""Comparing tables between types of processor, on invented tables."""

import polars as pl
import pytest

from reports.processors.__main__ import (
    CLAIMED,
    EMULATIONS,
    HERE,
    PICTURE,
    against_claims,
    by_pipeline,
    compared,
    differences,
    pipelines,
)


@pytest.fixture
def here():
    rows = [
        {
            "key": f"case {i}",
            "pipeline": pipeline,
            "outcome": "ok",
            "n_points": 4,
            "range_m": 2.0,
            PICTURE: f"digest {i}",
            **dict.fromkeys(CLAIMED, 0.5),
            **dict.fromkeys(CLAIMED.values(), 0.25),
        }
        for i in range(3)
        for pipeline in ("a/s", "b/s")
    ]
    return pl.DataFrame(rows)


def changed(table, column, value, row=0):
    values = table[column].to_list()
    values[row] = value
    return table.with_columns(pl.Series(column, values))


def test_equal_tables_have_no_differences(here):
    assert differences(here, here).is_empty()
    row = compared("same", here, here)
    assert row["columns_equal"] == row["columns_of_numbers"]
    assert (row["pictures_differ"], row["outcomes_differ"]) == (0, 0)


def test_a_difference_is_held_against_the_cases_own_claim(here):
    there = changed(here, "err_rot_x_deg", 0.5 + 0.025)
    assert differences(here, there)["column"].to_list() == ["err_rot_x_deg"]
    shares = against_claims(here, there)
    assert shares["err_rot_x_deg"] == pytest.approx(0.1)
    assert max(share for name, share in shares.items() if name != "err_rot_x_deg") == 0.0
    each = by_pipeline(here, there)
    assert each["rows_differ"].to_list() == [1, 0]


def test_an_outcome_that_turns_is_counted_and_its_error_is_not(here):
    there = changed(changed(here, "outcome", "mirrored"), "err_along_mm", 1e3)
    assert compared("other", here, there)["outcomes_differ"] == 1
    assert against_claims(here, there)["err_along_mm"] == 0.0


def test_a_picture_counts_once_however_many_pipelines_saw_it(here):
    there = changed(changed(here, PICTURE, "other", 0), PICTURE, "other", 1)
    assert compared("other", here, there)["pictures_differ"] == 1


def test_every_detector_and_solver_that_takes_the_target_is_tried():
    names = pipelines()
    assert {n.partition("/")[2] for n in names} >= {"ippe", "ippe-lm", "epnp", "photometric"}
    assert {n.partition("/")[0] for n in names} >= {"apriltag", "aruco-subpix", "aruco-none"}
    assert [e.name for e in EMULATIONS].count(HERE) == 1
