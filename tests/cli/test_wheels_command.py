"""`sightbench wheels`: the bare rehearsal, its table again, bad input in a line."""

import json

import numpy as np
import pytest

from bench.assets import asset
from bench.cli.main import main
from bench.envelope import Origin, write_result
from bench.registration.bar_views import T_left_right_of
from bench.registration.pose_rows import csv_text, pose_row, read_pose_rows
from bench.registration.result import REGISTRATION, pose_value
from bench.scene.load import SHIPPED_BAY, load_bay
from bench.scene.tower_pair import tower_pair


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheels")
    assert main(["wheels", "--out", str(out)]) == 0
    return out


def test_bare_run_states_truth_and_error(rehearsed):
    content = json.loads((rehearsed / "wheels.json").read_text())["value"]
    rows = content["rows"]
    assert {row["refers_to"] for row in rows if row["name"] == "front left toe"} == {
        "centre line",
        "thrust line",
    }
    for row in rows:
        # truth and answer within five of its own uncertainties: 1 in a million each
        assert abs(row["error"]) < 5.0 * row["u"]
        assert row["u"] > 0.0
    assert content["run_out"]["front left"]["centre_from"] == "turning"
    assert (rehearsed / "wheels.png").stat().st_size > 10_000
    assert (rehearsed / "wheels.csv").read_text().startswith("name,refers_to,unit,value,u")


def registration(path):
    """Write the shipped bay's own transform as a registration file."""
    T = T_left_right_of(load_bay())
    value = {
        "T_left_right": pose_value(T).model_dump(),
        "covariance": 1e-8 * np.eye(6),
        "covariance_from_noise": 1e-8 * np.eye(6),
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
    return str(write_result(path, REGISTRATION, value, Origin("sightbench register", "2026")))


def test_without_a_level_camber_is_from_the_plane_of_wheel_centres(rehearsed, tmp_path, capsys):
    options = ["--registration", registration(tmp_path / "registration.json")]
    table = str(rehearsed / "rehearsal.csv")
    assert main(["wheels", table, *options, "--out", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "wheel centres' plane" in said
    assert "front left caster" in said
    assert (tmp_path / "wheels.png").is_file()
    rows = json.loads((tmp_path / "wheels.json").read_text())["value"]["rows"]
    total = next(row for row in rows if row["name"] == "front total toe")
    assert abs(total["value"] - 0.22) < 5.0 * total["u"]  # 0.08 + 0.14, as invented


def test_a_table_in_one_frame_needs_no_towers(rehearsed, tmp_path, capsys):
    bay = load_bay()
    towers = dict(zip(("left", "right"), tower_pair(bay), strict=True))
    rows = []
    names = ("kind", "tower", "reading")
    for row in read_pose_rows(rehearsed / "rehearsal.csv", ("wheel",), names):
        T = towers[row.names["tower"]].T_bay_camera
        turn = np.eye(6)
        turn[3:, 3:] = T.rotation
        label = {"wheel": row.names["wheel"], "kind": row.names["kind"]}
        rows.append(pose_row(label, T @ row.pose, turn @ row.covariance @ turn.T))
    path = tmp_path / "bay.csv"
    path.write_text(csv_text(rows))
    assert main(["wheels", str(path), "--out", str(tmp_path)]) == 0
    assert "table's z" in capsys.readouterr().out
    found = json.loads((tmp_path / "wheels.json").read_text())["value"]["rows"]
    before = json.loads((rehearsed / "wheels.json").read_text())["value"]["rows"]
    for a, b in zip(found, before, strict=True):
        # the same readings; registration and level err by 0.004 and 0.009 deg and 0.3 mm
        # beside readings' own shares of 0.03 deg and 1 mm and more, but for the front track
        if a["name"] != "front track":
            assert abs(a["value"] - b["value"]) < b["u"]


def test_right_tower_without_a_registration_is_refused(rehearsed, tmp_path, capsys):
    assert main(["wheels", str(rehearsed / "rehearsal.csv"), "--out", str(tmp_path)]) == 2
    assert "need --registration" in capsys.readouterr().err
    assert main(["wheels", "--level", "level.json", "--out", str(tmp_path)]) == 2
    assert main(["wheels", "--rim", "0", "--out", str(tmp_path)]) == 2


def put(rows, value, column="u_z_mm"):
    cells = rows[1].split(",")
    cells[rows[0].split(",").index(column)] = value
    return ",".join(cells)


def crossed(rows, one, other, column):
    """Swap two words in a column of all rows; a crossed table must come back as one line."""
    swapped = []
    for row in rows[1:]:
        cells = row.split(",")
        words = {one: other, other: one}
        cells[column] = " ".join(words.get(word, word) for word in cells[column].split())
        swapped.append(",".join(cells))
    return [rows[0], *swapped]


def only(rows, keep):
    return [rows[0], *(row for row in rows[1:] if keep(row))]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda r: [r[0], r[1].replace("front left", "frnt left"), *r[2:]], "mean front left"),
        (lambda r: [r[0], r[1].replace("front left", "spare"), *r[2:]], "known are front left"),
        (
            lambda r: only(r, lambda x: "rear left,roll" not in x or x.split(",")[3] == "1"),
            "rear left: 1 rolling reading; run-out",
        ),
        (
            lambda r: only(r, lambda x: not x.startswith("rear right")),
            "rear right is missing",
        ),
        (
            lambda r: [
                *r[:2],
                put(r, "1", "x_mm"),
                *(x for x in r[2:] if "front left,roll" not in x),
            ],
            "front left: it turned by 0.00 deg only",
        ),
        (lambda r: [*r, r[1]], "repeats line 2, number for number"),
        (lambda r: [r[0], put(r, "1e300", "x_mm"), *r[2:]], "x_mm: 1e+300 must be within"),
        (lambda r: crossed(r, "left", "right", 0), "left wheel stands to the right of"),
        (lambda r: crossed(r, "left", "right", 2), "left wheel stands to the right of"),
        (lambda r: crossed(r, "front", "rear", 0), "front left stands behind rear left"),
        (lambda r: [r[0], r[1].replace(",roll,", ",slide,"), *r[2:]], "must be roll or steer"),
        (lambda r: [r[0], put(r, "x"), *r[2:]], "u_z_mm: 'x' must be a number"),
        (
            lambda r: [r[0], ",".join(r[1].split(",")[:6]), *r[2:]],
            "line 2 has 6 cells, the header",
        ),
        (lambda r: [r[0], put(r, ""), *r[2:]], "line 2: u_z_mm is empty"),
        (
            lambda r: only(r, lambda x: ",steer," not in x or "front left,steer,left,+20" in x),
            "two or more steer angles",
        ),
        (lambda r: [r[0], r[1].replace(",left,1", ",,1"), *r[2:]], "more than one tower"),
        (
            lambda r: [x.replace(",left,", ",,") if "front left" in x else x for x in r],
            "column tower is filled for some wheels only",
        ),
        (lambda r: [",".join(x.split(",")[:2] + x.split(",")[3:]) for x in r], "tower is missing"),
    ],
)
def test_bad_tables_are_refused_in_a_line(rehearsed, tmp_path, capsys, change, words):
    rows = (rehearsed / "rehearsal.csv").read_text().splitlines()
    path = tmp_path / "bad.csv"
    path.write_text("\n".join(change(rows)) + "\n")
    tied = registration(tmp_path / "registration.json")
    assert main(["wheels", str(path), "--registration", tied, "--out", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1


def edited(rehearsed, tmp_path, wheel, number, **cells):
    """Return the rehearsed table with cells of a wheel's n-th rolling reading replaced."""
    rows = (rehearsed / "rehearsal.csv").read_text().splitlines()
    names = rows[0].split(",")
    at = [i for i, row in enumerate(rows) if row.startswith(f"{wheel},roll")][number]
    words = rows[at].split(",")
    for name, value in cells.items():
        words[names.index(name)] = value
    rows[at] = ",".join(words)
    path = tmp_path / "edited.csv"
    path.write_text("\n".join(rows) + "\n")
    return path, at + 1


def test_one_wrong_reading_is_found_and_is_a_negative_verdict(rehearsed, tmp_path, capsys):
    path, line = edited(rehearsed, tmp_path, "rear left", 1, rx_deg="1")
    tie = ["--registration", registration(tmp_path / "registration.json")]
    assert main(["wheels", str(path), *tie, "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().out
    assert "rear left: its readings contradict each other" in said
    assert f"reading 2, line {line}, fits worst" in said


@pytest.mark.parametrize("z", ["0", "-2400"])
def test_a_target_behind_its_camera_is_refused(rehearsed, tmp_path, capsys, z):
    path, line = edited(rehearsed, tmp_path, "rear left", 1, z_mm=z)
    assert main(["wheels", str(path), "--out", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    assert f"line {line}: z_mm: {z} must be above 0: the left tower's camera" in error
    assert error.count("\n") == 1


IDS = '[wheel_ids]\n"front left" = 1\n"front right" = 2\n"rear left" = 3\n"rear right" = 4\n'


def named(rehearsed, tmp_path, ids):
    """Write the rehearsal's table with a marker for each wheel, and a bay that has ids."""
    first, *rows = (rehearsed / "rehearsal.csv").read_text().splitlines()
    own = [f"{row},{ids[row.partition(',')[0]]}" for row in rows]
    (tmp_path / "table.csv").write_text("\n".join([f"{first},marker_id", *own]) + "\n")
    shipped = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    (tmp_path / "bay.toml").write_text(f"{shipped}\n{IDS}", encoding="utf-8")
    tie = registration(tmp_path / "registration.json")
    given = ["--bay", str(tmp_path / "bay.toml"), "--registration", tie, "--out", str(tmp_path)]
    return ["wheels", str(tmp_path / "table.csv"), *given]


@pytest.mark.parametrize(("front", "rear", "code"), [(1, 3, 0), (3, 1, 1)])
def test_swapped_targets_are_found_by_their_ids(rehearsed, tmp_path, capsys, front, rear, code):
    ids = {"front left": front, "front right": 2, "rear left": rear, "rear right": 4}
    assert main(named(rehearsed, tmp_path, ids)) == code
    said = capsys.readouterr().out
    swapped = "front left carries rear left's target, marker 3; its own is 1." in said
    assert (swapped, "can't be told apart" in said) == (code == 1, False)


def test_without_ids_the_wheels_are_said_to_look_alike(rehearsed, tmp_path, capsys):
    tie = registration(tmp_path / "registration.json")
    table = str(rehearsed / "rehearsal.csv")
    assert main(["wheels", table, "--registration", tie, "--out", str(tmp_path)]) == 0
    assert "targets can't be told apart" in capsys.readouterr().out
