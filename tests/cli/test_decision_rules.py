"""One decision rule for all commands: chosen by bay file or option, stated with each verdict."""

import json
import math
from typing import get_args

import numpy as np
import pytest

from bench.assets import asset
from bench.cli.main import main
from bench.conformity import Rule
from bench.proof.moved_words import angle_words
from bench.proof.repeat import Design, evaluate
from bench.proof.repeat_words import chance_below, gauge_verdict
from bench.scene.load import SHIPPED_BAY, load_bay

RULES = get_args(Rule)


@pytest.fixture
def bay(tmp_path):
    """Return a function that writes the shipped bay with a rule."""

    def write(rule):
        text = asset(SHIPPED_BAY).read_text()
        path = tmp_path / "bay.toml"
        path.write_text(text.replace('# rule = "guard"', f'rule = "{rule}"'))
        return path

    return write


@pytest.mark.parametrize("rule", RULES)
def test_a_bay_file_chooses_the_rule(bay, capsys, rule):
    path = bay(rule)
    assert load_bay(path).tolerance.rule == rule
    assert main(["bay", str(path)]) == 0
    said = capsys.readouterr().out
    standard = {"simple": "simple acceptance", "guard": "ISO 14253-1", "probability": "JCGM 106"}
    assert f"Decision rule: {standard[rule]}" in said or standard[rule] in said


def test_a_bay_file_without_a_rule_has_a_guard_band_and_its_old_digest(tmp_path):
    assert load_bay(None).tolerance.rule == "guard"


@pytest.mark.parametrize(
    "command",
    [
        ("aim", "--no-pictures"),
        ("site", "--evaluate"),
        ("budget",),
        ("wheels",),
        ("proof", "repeat", "evaluate", "x.csv"),
        ("proof", "moved", "evaluate", "x.csv"),
    ],
)
def test_an_unknown_rule_is_refused_in_one_line(tmp_path, capsys, command):
    assert main([*command, "--rule", "generous", "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "'simple', 'guard', 'probability'" in said


def test_aim_states_the_rule_and_the_risk(tmp_path, capsys):
    out = tmp_path / "out"
    options = ("--no-pictures", "--no-visibility", "--corner-sigma", "2 px")
    assert main(["aim", *options, "--rule", "probability", "--out", str(out)]) == 1
    said = capsys.readouterr().out
    assert "Decision rule: probability of conformity 95 % or more, JCGM 106." in said
    assert "risk of a wrong fail" in said
    value = json.loads((out / "aim.json").read_text())["value"]
    assert "JCGM 106" in value["decision_rule"]


def readings():
    rng = np.random.default_rng(3)
    return rng.normal(0.0, 0.01, (4, 3, 3)) + rng.normal(0.0, 0.1, (4, 1, 1))


def test_the_confidence_that_a_gauge_is_below_its_interval_s_ends_is_the_interval_s():
    design = Design(("a", "b", "c", "d"), ("A", "B", "C"), 3)
    study = evaluate(design, readings(), 0.95)
    gauge = study.component("gauge")
    # 95 %, two-sided, leaves 2.5 % at either end; bisection ends within 1e-6
    assert chance_below(study, readings(), math.sqrt(gauge.high)) == pytest.approx(0.975, abs=1e-4)
    assert chance_below(study, readings(), math.sqrt(gauge.low)) == pytest.approx(0.025, abs=1e-4)


def test_a_gauge_near_its_tolerance_is_decided_as_the_rule_has_it(bay):
    design = Design(("a", "b", "c", "d"), ("A", "B", "C"), 3)
    found = {}
    for scale in (1.0, 2.2, 6.0):
        given = readings() * scale
        study = evaluate(design, given, 0.95)
        found[scale] = tuple(
            gauge_verdict("toe", study, load_bay(bay(rule)), given)[0] for rule in RULES
        )
    assert found[1.0] == ("inside", "inside", "inside")
    assert found[2.2] == ("inside", "undecided", "undecided")
    assert found[6.0] == ("outside", "outside", "outside")


class Moved:
    """A tower that turned by 0.04 deg about the vertical, known to 0.01 deg."""

    class plan:  # noqa: N801
        tower = "left"

    move = np.radians([0.0, 0.0, 0.04, 0.0, 0.0, 0.0])
    sigma = np.radians([0.01, 0.01, 0.01, 0.0, 0.0, 0.0])


def test_what_a_moved_tower_does_to_toe_is_held_against_the_tolerance(bay):
    said = {rule: angle_words([Moved()], load_bay(bay(rule)).tolerance)[0] for rule in RULES}
    assert "total toe inside tolerance, +0.0400 ± 0.0200 deg of 0.050" in said["simple"]
    assert "total toe undecided" in said["guard"]
    # the limit lies one standard uncertainty off
    assert "84.1 % probable" in said["probability"]
