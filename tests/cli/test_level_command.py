"""`sightbench level`: bare runs, its own table solved again, bad input in a line."""

import json

import numpy as np
import pytest

from bench.cli.main import main
from bench.envelope import Origin, write_result
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.registration.bar_views import T_left_right_of
from bench.registration.result import REGISTRATION, pose_value
from bench.scene.load import load_bay


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory):
    out = tmp_path_factory.mktemp("level")
    assert main(["level", "rehearse", "--trials", "3", "--quiet", "--out", str(out)]) == 0
    return out


def test_rehearse_writes_tables_and_sheets(rehearsed):
    rows = json.loads((rehearsed / "shares.json").read_text())["value"]["rows"]
    assert {row["plan"] for row in rows} >= {"as planned", "bar not reversed", "one distance only"}
    assert (rehearsed / "shares.csv").read_text().startswith("plan,source,u_across_deg")
    assert (rehearsed / "level-sheet-a4.pdf").stat().st_size > 10_000
    head = json.loads((rehearsed / "rehearsals.json").read_text())["sightbench"]
    assert head["seed"] == load_bay().survey.seed


def test_solve_finds_up_in_the_rehearsed_table(rehearsed, tmp_path, capsys):
    code = main(["level", "solve", str(rehearsed / "rehearsal.csv"), "--out", str(tmp_path)])
    assert code == 0
    said = capsys.readouterr().out
    assert "up against gravity" in said
    assert "the bar's own error cancels" in said
    level = json.loads((tmp_path / "level.json").read_text())["value"]
    up = np.array(level["towers"]["left"]["up_camera"])
    # the shipped tower looks down, so up is up in the picture (-y) and toward the camera (-z)
    assert up[1] < -0.9
    assert abs(np.linalg.norm(up) - 1.0) < 1e-9


def test_solve_says_that_a_floor_is_not_gravity(rehearsed, tmp_path, capsys):
    table = str(rehearsed / "rehearsal.csv")
    assert main(["level", "solve", table, "--floor", "--out", str(tmp_path)]) == 0
    assert "not gravity" in capsys.readouterr().out
    assert (
        json.loads((tmp_path / "level.json").read_text())["value"]["found"] == "the floor's normal"
    )


def test_solve_with_one_distance_exits_with_could_not_judge(rehearsed, tmp_path, capsys):
    lines = (rehearsed / "rehearsal.csv").read_text().splitlines()
    near = [line for line in lines if line.startswith(("place", lines[1].split(",")[0]))]
    (tmp_path / "near.csv").write_text("\n".join(near) + "\n")
    code = main(["level", "solve", str(tmp_path / "near.csv"), "--out", str(tmp_path)])
    assert code == 3
    assert "along the bay: not determined" in capsys.readouterr().out


def test_rows_that_contradict_each_other_are_a_negative_verdict(rehearsed, tmp_path, capsys):
    # nobody noted which settings had the bar end for end: four turns at a place that aren't of
    # one axis, half a turn and more from each other
    table = (rehearsed / "rehearsal.csv").read_text().replace(",yes,", ",no,")
    (tmp_path / "unnoted.csv").write_text(table)
    code = main(["level", "solve", str(tmp_path / "unnoted.csv"), "--out", str(tmp_path)])
    assert code == 1
    assert "don't use this level: rows contradict each other" in capsys.readouterr().out


def test_the_setting_that_the_others_agree_without_is_named(rehearsed, tmp_path, capsys):
    lines = (rehearsed / "rehearsal.csv").read_text().splitlines()
    cells = lines[1].split(",")
    at = lines[0].split(",").index("ry_deg")
    cells[at] = str(float(cells[at]) + 2.0)
    (tmp_path / "odd.csv").write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n")
    assert main(["level", "solve", str(tmp_path / "odd.csv"), "--out", str(tmp_path)]) == 1
    odd = f"place {cells[0]}, {'not ' if cells[1] == 'no' else ''}reversed, {cells[2]} tower"
    assert f"the others agree without {odd}" in capsys.readouterr().out


def put(rows, value, column="u_z_mm"):
    cells = rows[1].split(",")
    cells[rows[0].split(",").index(column)] = value
    return ",".join(cells)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda rows: [rows[0], *(r.replace("yes", "perhaps") for r in rows[1:])], "yes or no"),
        (lambda rows: [rows[0], rows[1]], "takes two or more"),
        (lambda rows: [rows[0].replace("tower", "camera"), *rows[1:]], "column tower is missing"),
        (lambda rows: [rows[0], put(rows, ""), *rows[2:]], "u_z_mm is empty"),
        (lambda rows: [rows[0], put(rows, "0"), *rows[2:]], "must be above 0"),
        (lambda rows: [rows[0], put(rows, "-1800", "z_mm"), *rows[2:]], "must be above 0"),
        (lambda rows: [rows[0], put(rows, "1.8", "z_mm"), *rows[2:]], "in metres"),
        (lambda rows: [rows[0], put(rows, "1", "c_12"), *rows[2:]], "contradict each other"),
        (lambda rows: rows[:1], "has no rows"),
        (lambda rows: [rows[0], rows[1], put(rows, "1", "x_mm")], "turn it farther"),
        (lambda rows: [*rows, rows[1]], "repeats line 2, number for number"),
        (lambda rows: [rows[0], put(rows, "1e300", "x_mm"), *rows[2:]], "within 200,000"),
        (lambda rows: [rows[0], put(rows, "1e-300"), *rows[2:]], "must be 1e-09 or more"),
    ],
)
def test_bad_tables_are_refused_in_a_line(rehearsed, tmp_path, capsys, change, words):
    rows = (rehearsed / "rehearsal.csv").read_text().splitlines()
    path = tmp_path / "bad.csv"
    path.write_text("\n".join(change(rows)) + "\n")
    assert main(["level", "solve", str(path), "--out", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1


def test_a_missing_or_foreign_registration_is_refused(rehearsed, tmp_path, capsys):
    table = str(rehearsed / "rehearsal.csv")
    wrong = tmp_path / "registration.json"
    wrong.write_text("{}")
    options = ["--registration", str(wrong), "--out", str(tmp_path)]
    assert main(["level", "solve", table, *options]) == 2
    assert "registration.json: " in capsys.readouterr().err
    assert main(["level", "rehearse", "--height-uncertainty", "0", "--out", str(tmp_path)]) == 2
    assert "above 0" in capsys.readouterr().err


def test_a_registration_of_another_stand_of_the_towers_is_told_as_the_cause(
    rehearsed, tmp_path, capsys
):
    T = T_left_right_of(load_bay())
    turned = Pose(T.rotation @ exp_rotvec(np.radians([3.0, 0.0, 4.0])), T.translation)
    value = {
        "T_left_right": pose_value(turned).model_dump(),
        "covariance": 1e-12 * np.eye(6),
        "covariance_from_noise": 1e-12 * np.eye(6),
        "covariance_of": "rotation, translation",
        "chi_square": 1.0,
        "degrees": 1,
        "p_value": 0.5,
        "variance_factor": 1.0,
        "T_left_a": {},
        "weakest_direction": {"words": "", "singular_value_per_m": 1.0},
        "failed_checks": [],
        "off_plan": [],
        "swapped": [],
    }
    path = tmp_path / "registration.json"
    write_result(path, REGISTRATION, value, Origin("sightbench register", "2026"))
    table = str(rehearsed / "rehearsal.csv")
    solve = ["level", "solve", table, "--registration", str(path), "--out", str(tmp_path / "o")]
    assert main(solve) == 1
    assert "agree without the registration" in capsys.readouterr().out
