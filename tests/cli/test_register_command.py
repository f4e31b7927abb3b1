"""`sightbench register`: plan, rehearse and solve, and their refusals."""

import csv
import json

import numpy as np
import pytest
from fixtures.bar_lists import both_ways, turned_alone

from bench.cli.main import main
from bench.registration.bar_views import cameras_of
from bench.registration.judgement import judge
from bench.registration.rehearsal import Errors, Faults, draw_scene, find_points
from bench.registration.result import registration_value
from bench.registration.sights import Cameras
from bench.registration.table import measured_steps, pose_table, read_pose_table
from bench.scene.bar_section import poses_toml, read_poses
from bench.scene.load import load_bay


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def poses(bay):
    return both_ways(bay, 45.0)


@pytest.fixture(scope="module")
def table(bay, poses):
    rng = np.random.default_rng(8)
    scene = draw_scene(bay, poses, Errors(), Faults(), rng)
    steps = find_points(bay, scene, Errors(), rng)
    return pose_table(measured_steps(steps, cameras_of(bay)))


def test_plan_writes_a_list_that_it_takes_again(tmp_path, capsys, bay):
    assert main(["register", "plan", "--steps", "3", "--out", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "found by search: all 12 directions determined" in said
    found = read_poses(tmp_path / "plan.toml")
    assert len(found) == 4
    assert found[-1] == found[0]
    assert "back to pose 1" in said
    assert "a target that slips by" in said
    for name in ("sets.csv", "sets.json", "plan_poses.png", "plan.json"):
        assert (tmp_path / name).stat().st_size > 0


@pytest.mark.slow
def test_a_list_of_ones_own_that_leaves_a_direction_open_is_a_negative_verdict(
    tmp_path, capsys, bay
):
    mine = tmp_path / "mine.toml"
    mine.write_text(poses_toml(turned_alone(bay)), encoding="utf-8")
    arguments = ["register", "plan", "--poses", str(mine), "--steps", "3"]
    assert main([*arguments, "--out", str(tmp_path / "out")]) == 1
    assert f"{mine}: 1 of 12 directions undetermined" in capsys.readouterr().out


def test_rehearse_gives_a_verdict_with_a_number(tmp_path, capsys, bay, poses):
    plan = tmp_path / "poses.toml"
    plan.write_text(poses_toml(poses), encoding="utf-8")
    out = tmp_path / "out"
    code = main(["register", "rehearse", "--poses", str(plan), "--trials", "3", "--out", str(out)])
    said = capsys.readouterr().out
    assert ("inside tolerance" in said) == (code == 0)
    rows = json.loads((out / "rehearsals.json").read_text(encoding="utf-8"))["value"]
    assert len(rows["rows"]) == 3


def test_solve_takes_a_table_and_a_plan(tmp_path, capsys, table, poses):
    (tmp_path / "poses.csv").write_text(table, encoding="utf-8")
    (tmp_path / "plan.toml").write_text(poses_toml(poses), encoding="utf-8")
    arguments = ["register", "solve", "--table", str(tmp_path / "poses.csv")]
    arguments += ["--poses", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "out")]
    assert main(arguments) == 0, capsys.readouterr()
    found = json.loads((tmp_path / "out" / "registration.json").read_text(encoding="utf-8"))[
        "value"
    ]
    assert found["T_left_right"]["translation_m"][0] == pytest.approx(-3.13, abs=0.05)
    assert (tmp_path / "out" / "residuals.png").stat().st_size > 0


def test_table_survives_being_written_and_read(tmp_path, table):
    path = tmp_path / "poses.csv"
    path.write_text(table, encoding="utf-8")
    steps = read_pose_table(path)
    assert len(steps) == 6
    assert len(pose_table(steps).splitlines()) == len(table.splitlines())


@pytest.mark.parametrize(
    ("column", "value", "message"),
    [
        ("x_mm", "", "line 3: x_mm is empty"),
        ("x_mm", "far", "line 3: x_mm: 'far' must be a number"),
        ("u_x_mm", "0", "line 3: u_x_mm: 0 must be above 0"),
        ("tower", "middle", "line 3: tower: 'middle' must be left or right"),
        ("target", "C", "line 3: target: 'C' must be A or B"),
        ("c_12", "2", "line 3: correlations c_12 to c_56 contradict"),
        ("y_mm", "inf", "line 3: y_mm: 'inf' must be finite"),
        ("y_mm", "1e300", "line 3: y_mm: 1e+300 must be within 200,000 either way"),
    ],
)
def test_a_table_with_a_gap_or_nonsense_is_refused_by_line(
    tmp_path, capsys, table, column, value, message
):
    rows = list(csv.reader(table.splitlines()))
    rows[2][rows[0].index(column)] = value
    path = tmp_path / "poses.csv"
    path.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
    assert main(["register", "solve", "--table", str(path), "--out", str(tmp_path)]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1


@pytest.mark.slow
def test_errors_of_cameras_and_sizes_are_in_what_the_next_command_reads(bay, poses):
    rng = np.random.default_rng(9)
    scene = draw_scene(bay, poses, Errors(), Faults(), rng)
    steps = find_points(bay, scene, Errors(), rng)
    errors = Errors(size=2e-4, focal=2e-4, centre_px=0.5)
    causes = errors.causes(cameras_of(bay))
    judged = judge(steps, cameras_of(bay), bay, None, poses, causes)
    plain = judge(steps, cameras_of(bay), bay, None, poses)
    written = np.array(registration_value(judged)["covariance"])
    added = written - np.array(registration_value(plain)["covariance"])
    expected = judged.registration.systematic
    np.testing.assert_allclose(added, expected, rtol=1e-6, atol=1e-12 * np.max(expected))
    # the principal point's half pixel over some 3500 px turns each camera's rays by 0.008 deg;
    # what both cameras share cancels in part, but not an order of magnitude of it
    assert np.sqrt(added[1, 1]) > np.radians(0.0008)
    # a table's poses hold their cameras' share already
    assert errors.causes(Cameras()).cameras == {}


def test_a_pose_without_a_tower_is_refused(tmp_path, capsys, table):
    lines = table.splitlines()
    path = tmp_path / "poses.csv"
    path.write_text("\n".join(lines[:4] + lines[5:]), encoding="utf-8")
    assert main(["register", "solve", "--table", str(path), "--out", str(tmp_path)]) == 2
    assert "pose 2 has no row for the right tower" in capsys.readouterr().err


def test_fewer_poses_than_needed_are_refused(tmp_path, capsys, table):
    path = tmp_path / "poses.csv"
    path.write_text("\n".join(table.splitlines()[:5]), encoding="utf-8")
    assert main(["register", "solve", "--table", str(path), "--out", str(tmp_path)]) == 2
    assert "at least 3 poses when each tower sees its own target, got 2" in capsys.readouterr().err


def test_pictures_of_another_camera_are_refused(tmp_path, capsys, bay):
    import cv2

    from bench.scene.camera_file import write_camera

    for side, camera in (("left", bay.towers[0].camera), ("right", bay.towers[1].camera)):
        write_camera(tmp_path / f"{side}.toml", camera)
        cv2.imwrite(str(tmp_path / f"{side}1.png"), np.zeros((48, 64), dtype=np.uint8))
    arguments = ["register", "solve", "--out", str(tmp_path / "out")]
    for side in ("left", "right"):
        arguments += [f"--{side}", str(tmp_path / f"{side}1.png")]
        arguments += [f"--{side}-camera", str(tmp_path / f"{side}.toml")]
    assert main(arguments) == 2
    assert "is 64 x 48 px, but the camera file is for" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[pose]]\n", "pose.0.distance is missing"),
        ('[[pose]]\ndistance = "3 m"\nspin = "1 deg"\n', "unknown key pose.0.spin"),
    ],
)
def test_a_faulty_list_of_poses_is_refused(tmp_path, capsys, text, message):
    path = tmp_path / "poses.toml"
    path.write_text(text, encoding="utf-8")
    assert main(["register", "rehearse", "--poses", str(path), "--out", str(tmp_path)]) == 2
    assert message in capsys.readouterr().err
