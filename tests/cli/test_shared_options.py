"""Options that commands share: one spelling, one form, and the same answer everywhere."""

import re

import numpy as np
import pytest
from fixtures.bar_lists import both_ways

from bench.budget.measured import NOTHING, camera_errors
from bench.budget.registration import planned_steps, registration_response
from bench.cli import main as cli
from bench.cli.main import main
from bench.registration.level_plan import default_plan
from bench.registration.plan import in_bay, progress
from bench.registration.rehearsal import Errors, Faults, draw_scene, find_points
from bench.scene.bar_section import poses_toml
from bench.scene.load import load_bay
from bench.sighting.prediction import predictor_of, sigma_of_corner
from bench.solve.default_pipeline import default_pipeline
from bench.solve.pipeline import pipeline_from_name
from bench.targets.spec import target_from_spec

WITH_SIGMA = (
    ("aim",),
    ("site",),
    ("budget",),
    ("register", "plan"),
    ("register", "rehearse"),
    ("level", "rehearse"),
    ("proof", "length", "plan"),
    ("proof", "moved", "plan"),
)


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture
def poses(bay, tmp_path):
    path = tmp_path / "poses.toml"
    listed = both_ways(bay, 45.0)
    path.write_text(poses_toml(listed), encoding="utf-8")
    return listed, str(path)


def options(command, path=()):
    """Return (command, option, parameter) of all commands."""
    if getattr(command, "commands", None):
        for name, inner in command.commands.items():
            yield from options(inner, (*path, name))
        return
    for parameter in command.params:
        if parameter.param_type_name == "option":
            yield " ".join(path), parameter.opts[0], parameter


@pytest.fixture(scope="module")
def every_option():
    return [o for name in cli.COMMANDS for o in options(cli._load(name), (name,))]


@pytest.mark.parametrize(
    ("option", "metavar", "commands"),
    [
        ("--corner-sigma", "PIXELS", WITH_SIGMA),
        (
            "--poses",
            "POSES.toml",
            (("register", "solve"), ("budget",), ("proof", "length", "plan")),
        ),
    ],
)
def test_a_shared_option_has_one_form(every_option, option, metavar, commands):
    found = {name: parameter for name, one, parameter in every_option if one == option}
    assert {" ".join(command) for command in commands} <= set(found)
    assert {parameter.metavar for parameter in found.values()} == {metavar}


def test_solved_results_are_the_files_that_solve_writes(every_option):
    for option in ("--registration", "--level"):
        shown = {n: p.metavar for n, one, p in every_option if one == option and n != "report"}
        # a report adds whole runs, each by its directory
        assert set(shown.values()) == {f"{option.strip('-')}.json"}


def test_angles_and_lengths_say_so(capsys):
    for command, count in ((("register", "rehearse"), 2), (("level", "rehearse"), 5)):
        assert main([*command, "--help"]) == 0
        said = capsys.readouterr().out
        assert len(re.findall(r"^ +--[a-z-]+ +(?:ANGLE|LENGTH)\b", said, re.MULTILINE)) == count
        assert not re.search(r"<(?:float|function|ANGLE|LENGTH)", said)


@pytest.mark.parametrize("command", WITH_SIGMA, ids=" ".join)
def test_a_corner_s_sigma_needs_its_unit_everywhere(tmp_path, capsys, command):
    assert main([*command, "--corner-sigma", "0.1", "--out", str(tmp_path)]) == 2
    error = capsys.readouterr().err
    assert "'0.1' lacks a unit" in error
    assert "0.6 px" in error
    assert error.count("\n") == 1


@pytest.mark.parametrize("command", ["aim", "site", "budget"])
def test_a_corner_s_sigma_contradicts_the_image_s_bound(tmp_path, capsys, command):
    given = ["--bound", "image", "--corner-sigma", "0.1 px", "--out", str(tmp_path)]
    assert main([command, *given]) == 2
    error = capsys.readouterr().err
    assert "corner sigma: the image's bound knows no corners; give one of them" in error
    assert error.count("\n") == 1


def test_one_rule_gives_a_corner_s_sigma(bay):
    claimed = predictor_of(bay, "corner").sigma_px
    assert sigma_of_corner(bay) == claimed
    assert default_plan(bay).corner_px == claimed
    assert sigma_of_corner(bay, 0.2) == 0.2


def test_a_rehearsal_s_corners_scatter_as_the_detector_claims(bay, poses):
    rng = np.random.default_rng(3)
    scene = draw_scene(bay, poses[0], Errors(), Faults(), rng)
    (step, *_) = find_points(bay, scene, Errors(), rng)
    assert {sight.sigma_px for sight in step.sights} == {predictor_of(bay, "corner").sigma_px}


def test_register_and_budget_linearise_the_same_registration(bay, poses):
    ours = progress(bay, poses[0])[-1]
    steps, errors = planned_steps(bay, poses[0]), camera_errors(bay, NOTHING)
    response = registration_response(bay, steps, sigma_of_corner(bay), errors)
    theirs = in_bay(bay, response.covariance)
    # both invert the same normal matrix, one by its singular values; its condition number, some
    # 1e5 after scaling, leaves nine digits of sixteen
    assert ours.sigma_rotation == pytest.approx(theirs[0], rel=1e-8)
    assert ours.sigma_translation == pytest.approx(theirs[1], rel=1e-8)


@pytest.mark.slow
def test_register_plan_and_budget_print_the_same_registration(tmp_path, capsys, poses):
    _, path = poses
    main(["register", "plan", "--poses", path, "--steps", "3", "--out", str(tmp_path / "plan")])
    planned = next(li for li in capsys.readouterr().out.splitlines() if f"{path}: all" in li)
    given = ["--poses", path, "--trials", "20000", "--quiet", "--out", str(tmp_path / "budget")]
    main(["budget", *given])
    said = capsys.readouterr().out.splitlines()
    budgeted = next(li for li in said if li.startswith("registration:"))
    axes = r"([0-9.]+ deg about the bay's x \(to camber\), .* its z \(to toe\))"
    assert re.search(axes, planned)[1] == re.search(axes, budgeted)[1]


@pytest.mark.parametrize(
    ("spec", "name"),
    [
        ("marker:36h11:0:0.2 m", "apriltag/photometric"),
        ("grid:36h11:2x2:80 mm:20 mm", "apriltag/photometric"),
        ("marker:6x6_250:0:0.2 m", "aruco-subpix/photometric"),
        ("charuco:4x4_50:5x5:40 mm:30 mm", "charuco/photometric"),
        ("circles:4x11:20 mm:15 mm", "circles/photometric"),
    ],
)
def test_one_rule_gives_the_pipeline_for_a_target(spec, name):
    target = target_from_spec(spec)
    assert default_pipeline(target) == name
    assert pipeline_from_name(name).refusal(target) is None


def test_of_pipelines_that_a_bay_names_the_first_photometric_one_predicts(bay):
    named = ("aruco-subpix/ippe-lm", "apriltag/photometric", "charuco/photometric")
    assert default_pipeline(bay.target, named) == named[1]
    assert default_pipeline(bay.target, named[:1]) == named[0]


@pytest.mark.parametrize("command", [("aim",), ("site",), ("budget",)], ids=" ".join)
def test_help_names_the_rule_that_the_code_follows(capsys, command):
    assert main([*command, "--help"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "the bay's first photometric one, else its first" in said


@pytest.mark.parametrize("command", [("measure",), ("register", "solve")], ids=" ".join)
def test_help_names_the_pipeline_for_a_target(capsys, command):
    assert main([*command, "--help"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "photometric on the detector that suits the target" in said
