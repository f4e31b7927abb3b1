import json

import pytest

from bench.errors import RunError
from bench.report.other_runs import (
    budget_section,
    level_section,
    registration_section,
    siting_section,
    wheels_section,
)
from bench.report.verification import verification_section

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
BUDGET = {
    "command": "sightbench budget",
    "bay": {"digest": "abc"},
    "words": ["Inside tolerance: all 1 angles."],
    "basis": ["target poses: bound"],
    "worst": "front left toe to thrust line of cart at floor",
    "lines": [LINE],
}


def write(folder, name, content):
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(json.dumps(content), encoding="utf-8")
    return folder


def test_a_budget_shows_its_verdict_angles_and_causes_largest_first(tmp_path):
    section = budget_section(write(tmp_path / "b", "budget.json", BUDGET), "abc")
    assert section.lead[0] == "Inside tolerance: all 1 angles."
    assert not any("another bay" in line for line in section.lead)
    angles, causes = section.tables
    assert angles.rows[0][:2] == ("front left toe to thrust line of cart at floor", "0.0167 deg")
    assert [row[0] for row in causes.rows] == ["mount play", "run out"]


def test_a_result_of_another_bay_says_so(tmp_path):
    place = write(tmp_path / "b", "budget.json", BUDGET)
    assert any("another bay" in line for line in budget_section(place, "xyz").lead)


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda place: siting_section(place, None), "site.json"),
        (lambda place: budget_section(place, None), "budget.json"),
        (lambda place: registration_section(place, None), "registration.json"),
        (lambda place: level_section(place, None), "level.json"),
        (lambda place: wheels_section(place, None), "wheels.json"),
        (verification_section, "junit.xml"),
    ],
    ids=["siting", "budget", "registration", "level", "wheels", "verification"],
)
@pytest.mark.parametrize("content", [None, "not what it should be", "[]", '{"other": 1}', "<a/>"])
def test_wrong_input_is_refused_in_one_line_that_names_it(tmp_path, make, name, content):
    if content is not None:
        (tmp_path / name).write_text(content, encoding="utf-8")
    with pytest.raises(RunError) as refused:
        make(tmp_path)
    assert name in str(refused.value) or str(tmp_path) in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_budget_without_lines_is_refused(tmp_path):
    place = write(tmp_path / "b", "budget.json", BUDGET | {"lines": []})
    with pytest.raises(RunError, match="isn't what `sightbench budget` writes"):
        budget_section(place, None)


def test_a_verification_puts_what_got_worse_first(tmp_path):
    (tmp_path / "junit.xml").write_text(
        "<testsuites><testsuite name='sightbench verify core'><properties>"
        "<property name='verdict' value='worse in 1 of 2 tests'/>"
        "<property name='named 1' value='corners moved'/></properties>"
        "<testcase classname='verdict' name='verdict'/>"
        "<testcase classname='near' name='a'><system-out>as good</system-out></testcase>"
        "<testcase classname='far' name='b'><failure message='worse: b'/></testcase>"
        "</testsuite></testsuites>",
        encoding="utf-8",
    )
    section = verification_section(tmp_path)
    assert section.lead[:2] == ("Worse in 1 of 2 tests.", "Named: corners moved")
    assert section.tables[0].rows == (("far", "b", "worse: b"), ("near", "a", "as good"))
    assert section.source.endswith("made by sightbench verify compare on the suite core")
