import json
import math
from pathlib import Path

import numpy as np
import pytest

from bench.budget.result import BUDGET
from bench.envelope import BayMark, Origin, Result, write_result
from bench.errors import ConfigError
from bench.report.other_runs import (
    budget_section,
    level_section,
    registration_section,
    siting_section,
    wheels_section,
)
from bench.report.verification import verification_section
from bench.verify.result import COMPARISON

LINE = {
    "vehicle": "cart",
    "station": "floor",
    "axle": "front",
    "side": "left",
    "quantity": "toe",
    "reference": "thrust line",
    "u_deg": 0.0167,
    "k": 2.0,
    "expanded_deg": 0.0334,
    "tolerance_deg": 0.05,
    "share_of_tolerance": 0.67,
    "verdict": "inside",
    "largest": "mount play",
    "u_mount_play_deg": 0.0147,
    "u_run_out_deg": 0.0056,
}
VALUE = {
    "tolerance_deg": {"toe": 0.05},
    "verdict": "inside",
    "words": ["Inside tolerance: all 1 angles."],
    "basis": ["target poses: bound"],
    "confidence": 0.95,
    "trials": 20000,
    "trials_stable": True,
    "largest_difference_deg": 0.001,
    "worst": "front left toe to thrust line of cart at floor",
    "lines": [LINE],
}
STARTED = "2026-01-01T00:00:00+00:00"


def bay(digest):
    return BayMark(name="Workshop", file="workshop.toml", digest=digest)


def a_map(digest="abc", target="12"):
    """Return a map's run as far as sections look at it."""
    return Result(None, Path("map/run.json"), "", bay(digest), {"target": target}, "")


@pytest.fixture
def budget(tmp_path):
    def write(value=VALUE, parts=None):
        origin = Origin("sightbench budget", STARTED, bay("abc"), parts or {"target": "12"})
        write_result(tmp_path, BUDGET, value, origin)
        return tmp_path

    return write


def test_a_budget_shows_its_verdict_angles_and_causes_largest_first(budget):
    section = budget_section(budget(), a_map())
    assert section.lead[0] == "Inside tolerance: all 1 angles."
    assert not any("another bay" in line for line in section.lead)
    angles, causes = section.tables
    assert angles.rows[0][:2] == ("front left toe to thrust line of cart at floor", "0.0167 deg")
    assert [row[0] for row in causes.rows] == ["mount play", "run out"]
    assert section.source.endswith("made by: sightbench budget")


def test_a_result_of_another_state_of_the_bay_file_says_so(budget):
    lead = budget_section(budget(), a_map(digest="xyz")).lead
    assert any("another bay file, or another state of it" in line for line in lead)


def test_a_result_for_another_target_is_refused_and_named(budget):
    with pytest.raises(
        ConfigError, match=r"made for another target of workshop\.toml than the map"
    ):
        budget_section(budget(), a_map(target="13"))


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda place: siting_section(place, a_map()), "site.json"),
        (lambda place: budget_section(place, a_map()), "budget.json"),
        (lambda place: registration_section(place, a_map()), "registration.json"),
        (lambda place: level_section(place, a_map()), "level.json"),
        (lambda place: wheels_section(place, a_map()), "wheels.json"),
        (verification_section, "comparison.json"),
    ],
    ids=["siting", "budget", "registration", "level", "wheels", "verification"],
)
@pytest.mark.parametrize("content", [None, "not what it should be", "[]", '{"other": 1}', "<a/>"])
def test_wrong_input_is_refused_in_one_line_that_names_it(tmp_path, make, name, content):
    if content is not None:
        (tmp_path / name).write_text(content, encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        make(tmp_path)
    assert name in str(refused.value) or str(tmp_path) in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_budget_without_lines_is_not_written(budget):
    with pytest.raises(ConfigError, match="lines: needs at least 1"):
        budget(VALUE | {"lines": []})


def test_a_verification_puts_what_got_worse_first(tmp_path):
    tests = [
        {"group": "near", "test": "a", "state": "same", "words": "as good"},
        {"group": "far", "test": "b", "state": "worse", "words": "worse: b"},
    ]
    value = {
        "suite": "core",
        "suite_digest": "12",
        "verdict": 1,
        "headline": "worse in 1 of 2 tests",
        "named": ["corners moved"],
        "environment": "the same",
        "tests": tests,
    }
    write_result(tmp_path, COMPARISON, value, Origin("sightbench verify compare", STARTED))
    section = verification_section(tmp_path)
    assert section.lead[:2] == ("Worse in 1 of 2 tests.", "Likely cause: corners moved")
    assert section.tables[0].rows == (("far", "b", "worse: b"), ("near", "a", "as good"))
    assert section.source.endswith("made by: sightbench verify compare")


def test_a_registration_shows_its_uncertainty_in_its_own_units():
    place = Path("reports/handover/book/register-2")
    variances = np.diag(
        json.loads((place / "registration.json").read_text())["value"]["covariance"]
    )
    (table,) = registration_section(place, None).tables
    (_, _, shift), (_, _, turn) = table.rows
    # root of the three directions' sum: of metres squared, and of radians squared
    assert float(shift.removesuffix(" mm")) == pytest.approx(
        1e3 * math.sqrt(variances[3:].sum()), rel=0.05
    )
    assert float(turn.removesuffix(" deg")) == pytest.approx(
        math.degrees(math.sqrt(variances[:3].sum())), rel=0.05
    )
