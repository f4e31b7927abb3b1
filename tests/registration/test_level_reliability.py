"""Faults while level is found: what rows show of them, and what they do to the result."""

from dataclasses import replace

import numpy as np
import pytest

from bench.geometry.pose import Pose
from bench.registration.bar_views import T_left_right_of
from bench.registration.level import equations, find_level
from bench.registration.level_plan import (
    default_plan,
    level_of_plan,
    planned_up,
    reference_of,
    settings_of,
)
from bench.registration.level_reliability import level_fault_words, level_faults
from bench.scene.load import load_bay


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def plan(bay):
    return default_plan(bay)


def test_a_planted_slip_raises_chi_square_and_turns_up_as_predicted(bay, plan):
    settings = settings_of(bay, plan)
    slipped = Pose(np.eye(3), np.array([2e-4, -1e-4, 1e-4]))  # small, so that first order holds
    *first, last = settings[2].poses
    changed = [*settings[:2], replace(settings[2], poses=(*first, last @ slipped)), *settings[3:]]
    level, T = level_of_plan(bay, plan), T_left_right_of(bay)
    change = equations(changed, level.linear, T) - equations(settings, level.linear, T)
    found = find_level(changed, reference_of(bay, plan), T, expected=planned_up(bay))
    assert found.chi2 == pytest.approx(change @ level.linear.rest @ change, rel=0.01)
    turn = level.linear.turns @ change
    moved = np.cross(level.up("left").direction, found.up("left").direction)
    np.testing.assert_allclose(moved, turn, atol=0.01 * np.abs(turn).max())


@pytest.mark.slow
def test_a_fault_that_stays_hidden_and_costs_is_warned_of(bay, plan):
    assert not any(one.is_warned_of for one in level_faults(bay, plan))
    # a tolerance of a tenth: what cost 20 % of it costs twice as much as it is
    strict = replace(bay, tolerance=replace(bay.tolerance, camber=0.1 * bay.tolerance.camber))
    faults = level_faults(strict, plan)
    assert any(one.is_warned_of for one in faults)
    warned = [line for line in level_fault_words(faults) if line.startswith("warning: ")]
    assert any("noted the wrong way round may stay hidden" in line for line in warned)


def test_a_bend_that_a_spirit_level_cannot_see_shows_between_both_ends(bay, plan):
    bend = next(one for one in level_faults(bay, plan) if "bends" in one.words)
    assert bend.least < 1.0
