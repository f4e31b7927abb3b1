"""Errors of plates that hang along the pixel grid against those of all rolls."""

import numpy as np
import polars as pl
import pytest

from bench.survey.grid_phase import grid_phase, phase_lines, roll_words

N = 2000


@pytest.fixture
def rolled(cell_cases):
    """Cases whose rolls are spread by ±15 deg, those along the grid `factor` times as far off."""

    def make(factor, spread_deg=15.0):
        rng = np.random.default_rng(5)
        roll = rng.uniform(-spread_deg, spread_deg, N)
        # the pattern is 100 px wide: an edge crosses one row at a roll of a hundredth
        along = np.abs(np.tan(np.radians(roll))) * 100.0 <= 1.0
        errors = np.abs(rng.normal(0.0, 0.03, N)) * np.where(along, factor, 1.0)
        cases = cell_cases(errors).with_columns(roll_true_deg=pl.Series(roll))
        return cases, along, errors

    return make


def test_a_pipeline_that_errs_more_on_plates_along_the_grid_is_warned_of(rolled):
    cases, along, errors = rolled(2.0)
    (row,) = grid_phase(cases, 0.05).to_dicts()
    assert row["n"] == along.sum()
    assert row["n_within"] == (errors[along] <= 0.05).sum()
    assert row["rate_of_cells"] == pytest.approx((errors <= 0.05).mean())
    rms = np.sqrt(np.mean(errors**2))
    assert row["rms_ratio"] == pytest.approx(np.sqrt(np.mean(errors[along] ** 2)) / rms)
    assert 1.0 < row["rms_ratio_low"] < row["rms_ratio"]
    (line,) = phase_lines(grid_phase(cases, 0.05))
    assert line.startswith("warning: d/s errs ")
    assert "as at roll 0" in line


def test_one_that_does_not_is_not(rolled):
    cases, *_ = rolled(1.0)
    phase = grid_phase(cases, 0.05)
    assert phase["verdict"].to_list() == ["not worse"]
    assert list(phase_lines(phase)) == []


def test_too_few_pictures_along_the_grid_say_nothing(rolled):
    cases, *_ = rolled(2.0)
    few = cases.filter(pl.col("roll_true_deg").abs() > 0.5)
    assert grid_phase(few, 0.05)["verdict"].to_list() == ["unknown"]


def test_rolls_are_said_in_words():
    assert roll_words(0.0, 15.0) == "rolls spread by ±15 deg"
    assert roll_words(90.0, 2.5) == "rolls spread by ±2.5 deg about 90 deg"
    assert roll_words(0.0, 0.0) == "every plate at roll 0 deg"
