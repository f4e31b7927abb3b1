"""`sightbench proof length|repeat|moved`: plan, fill in, evaluate."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bench.cli.main import main
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.proof.mark import Mark
from bench.scene.load import load_bay

POSES = "\n".join(
    f'[[pose]]\ndistance = "3 m"\nheight = "0.5 m"\nheading = "{h} deg"\nturn = "{t} deg"'
    for h in (0, 15, -15)
    for t in (-50, 50)
)


@pytest.fixture
def registration(tmp_path: Path) -> list[str]:
    path = tmp_path / "poses.toml"
    path.write_text(POSES, encoding="utf-8")
    return ["--poses", str(path)]


def fill(path: Path, values: Callable[[dict[str, str]], dict[str, str]]) -> None:
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(row | values(row) for row in rows)


def result(path: Path) -> dict[str, object]:
    content: dict[str, object] = json.loads(path.read_text(encoding="utf-8"))["value"]
    return content


@pytest.mark.parametrize(("longer", "code"), [(0.0, 0), (20.0, 1)])
def test_length_planned_filled_in_and_judged(
    tmp_path: Path, registration: list[str], longer: float, code: int
) -> None:
    out = tmp_path / "out"
    assert main(["proof", "length", "plan", *registration, "--out", str(out)]) == 0
    table = out / "length-readings.csv"
    # longer by so many mm, ten times what the plan says it finds, or not at all
    length = 1e3 * load_bay().bar.length + longer
    fill(table, lambda row: {"length_mm": f"{length:.3f}"})
    args = ["--places", str(out / "length-places.toml"), *registration, "--out", str(out)]
    assert main(["proof", "length", "evaluate", str(table), *args]) == code
    verdict = result(out / "length-result.json")["verdict"]
    assert verdict == ("holds" if code == 0 else "doesn't hold")


@pytest.mark.parametrize(("scatter", "code"), [(0.002, 0), (0.2, 1)])
def test_repeat_planned_filled_in_and_judged(
    tmp_path: Path, scatter: float, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["proof", "repeat", "plan", "--out", str(out)]) == 0
    rng = np.random.default_rng(2)
    who = {"A": 0.0, "B": 0.5, "C": -0.5}
    table = out / "repeat-readings.csv"
    fill(
        table,
        lambda row: {
            "toe_deg": f"{0.1 + scatter * (rng.normal() + who[row['operator']]):.5f}",
            "camber_deg": f"{-0.5 + scatter * rng.normal():.5f}",
        },
    )
    capsys.readouterr()
    assert main(["proof", "repeat", "evaluate", str(table), "--out", str(out)]) == code
    printed = capsys.readouterr().out
    assert ("toe: inside" in printed) == (code == 0)
    assert "repeatability:" in printed


@pytest.mark.parametrize("turned", [0.0, 1e-3])
def test_moved_planned_filled_in_and_judged(tmp_path: Path, turned: float) -> None:
    bay = load_bay()
    out = tmp_path / "out"
    assert main(["proof", "moved", "plan", "--pictures", "2", "--out", str(out)]) == 0
    target = Mark().T_bay_target()
    rng = np.random.default_rng(4)  # no two pictures give a pose alike to the last digit

    def values(row: dict[str, str]) -> dict[str, str]:
        tower = next(t for t in bay.towers if t.name == row["tower"])
        eye = tower.T_bay_camera
        if row["when"] == "now" and row["tower"] == "left":
            turn = exp_rotvec(np.array([0.0, 0.0, turned]))
            eye = Pose(turn @ eye.rotation, eye.translation)
        T = eye.inverse() @ target
        numbers = [*np.degrees(T.rotvec), *(1e3 * T.translation)] + 1e-8 * rng.normal(size=6)
        names = ("rx_deg", "ry_deg", "rz_deg", "x_mm", "y_mm", "z_mm")
        return {n: f"{v:.9f}" for n, v in zip(names, numbers, strict=True)}

    table = out / "moved-readings.csv"
    fill(table, values)
    code = main(["proof", "moved", "evaluate", str(table), "--out", str(out)])
    assert code == (1 if turned else 0)
    rows = {row["tower"]: row for row in result(out / "moved-result.json")["table"]}  # type: ignore[attr-defined]
    assert rows["left"]["moved"] == (turned > 0.0)
    assert not rows["right"]["moved"]
    assert rows["left"]["turn_about_z_deg"] == pytest.approx(np.degrees(turned), abs=1e-5)


def test_a_target_put_back_elsewhere_is_told_from_a_moved_tower(tmp_path: Path) -> None:
    bay = load_bay()
    target = Mark().T_bay_target()
    elsewhere = Pose(target.rotation, target.translation + np.array([2e-3, 1e-3, 0.0]))
    lines = ["tower,when,rx_deg,ry_deg,rz_deg,x_mm,y_mm,z_mm"]
    for tower in bay.towers:
        for when, there in (("registration", target), ("now", elsewhere)):
            T = tower.T_bay_camera.inverse() @ there
            numbers = [*np.degrees(T.rotvec), *(1e3 * T.translation)]
            for shot in 1e-8 * np.random.default_rng(5).normal(size=(50, 6)):
                cells = (f"{v:.9f}" for v in numbers + shot)
                lines.append(",".join([tower.name, when, *cells]))
    table = tmp_path / "table.csv"
    table.write_text("\n".join(lines), encoding="utf-8")
    args = ["--corner-sigma", "0.02 px", "--out", str(tmp_path / "out")]
    assert main(["proof", "moved", "evaluate", str(table), *args]) == 3
    assert result(tmp_path / "out" / "moved-result.json")["verdict"] == "unclear"


def test_a_study_too_small_to_decide_says_so(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    lines = ["wheel,operator,toe_deg,camber_deg"]
    for wheel in ("front left", "rear left"):
        for operator in ("K", "L"):
            for _ in range(2):
                toe, camber = 0.02 * rng.normal(size=2)
                lines.append(f"{wheel},{operator},{toe:.5f},{camber:.5f}")
    table = tmp_path / "table.csv"
    table.write_text("\n".join(lines), encoding="utf-8")
    assert main(["proof", "repeat", "evaluate", str(table), "--out", str(tmp_path / "o")]) == 3


REPEAT = "wheel,operator,toe_deg,camber_deg\n"
FULL = "".join(f"{w},{o},0.1,0.2\n" for w in ("a", "b") for o in ("K", "L") for _ in range(2))
APART = "".join(f"{w},{o},0.{n},0.2\n" for w in ("a", "b") for o in ("K", "L") for n in (1, 2))


def test_readings_that_never_differ_prove_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "table.csv"
    rows = [f"{n % 2},{row}" for n, row in enumerate(FULL.splitlines(keepends=True))]
    table.write_text("round," + REPEAT + "".join(rows), encoding="utf-8")
    assert main(["proof", "repeat", "evaluate", str(table), "--out", str(tmp_path / "o")]) == 3
    assert "toe: undecided, no repeated reading differs" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("command", "content", "words"),
    [
        ("repeat", REPEAT + FULL.replace("a,K,0.1", "a,K,", 1), "line 2: toe_deg is empty"),
        ("repeat", REPEAT + FULL.replace("0.1", "x", 1), "line 2: toe_deg: 'x' must be a number"),
        ("repeat", REPEAT + FULL.replace("0.1", "1e300", 1), "toe_deg: 1e+300 must be within"),
        ("repeat", REPEAT.replace("toe_deg", "tow_deg") + FULL, "did you mean toe_deg?"),
        ("repeat", "wheel,operator,toe_deg\na,K,0.1\n", "column camber_deg is missing"),
        ("repeat", REPEAT + APART + "a,K,0.3,0.2\n", "a by L has 2 readings, others 3"),
        ("repeat", REPEAT + FULL, "line 3: repeats line 2, number for number"),
        ("length", "place,length_mm\n1,1900\n1,1900\n", "number both in a column reading"),
        ("repeat", REPEAT + "a,K,0.1,0.2\n", "needs 2 wheels or more, got 1"),
        ("repeat", REPEAT + "a,K,0.1\n", "line 2 has 3 cells, the header 4"),
        ("repeat", REPEAT, "the table has no rows"),
        ("repeat", "", "the table is empty"),
        (
            "repeat",
            "round," + REPEAT + "1,a,K,0.1,0.2\n1,a,K,0.3,0.2\n",
            "line 3: a second row for round '1', wheel 'a', operator 'K'; the first is line 2",
        ),
        (
            "moved",
            "tower,when,rx_deg,ry_deg,rz_deg,x_mm,y_mm,z_mm\n"
            + 2 * ("left,now" + ",1" * 6 + "\n"),
            "line 3: repeats line 2",
        ),
        (
            "moved",
            "tower,when,rx_deg,ry_deg,rz_deg,x_mm,y_mm,z_mm\n" + "up,now" + ",1" * 6,
            "'up' must",
        ),
        (
            "moved",
            "tower,when,rx_deg,ry_deg,rz_deg,x_mm,y_mm,z_mm\n" + "left,now,1,1,1,-941,-277,3294",
            "no row of the left tower with when = registration",
        ),
        (
            "moved",
            "tower,when,rx_deg,ry_deg,rz_deg,x_mm,y_mm,z_mm\n"
            + "left,now,1,1,1,-941,-277,3294\nleft,now,91,1,1,-941,-277,3294",
            "line 3: rx_deg to rz_deg: 90 deg from the left tower's first row, limit 6",
        ),
        (
            "moved",
            # the same place in the bay's own frame
            "tower,when,rx_deg,ry_deg,rz_deg,x_mm,y_mm,z_mm\n" + "left,now,1,1,1,-3000,0,600",
            "from the mark, which is at (-941, -277, 3294) in the left tower's camera",
        ),
    ],
)
def test_a_faulty_table_is_refused_in_one_line(
    tmp_path: Path, command: str, content: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "table.csv"
    table.write_text(content, encoding="utf-8")
    assert main(["proof", command, "evaluate", str(table), "--out", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    assert words in error
    assert "table.csv" in error
    assert error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_place_beyond_the_plan_is_refused(
    tmp_path: Path, registration: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "table.csv"
    table.write_text("place,length_mm\n99,1900\n", encoding="utf-8")
    assert main(["proof", "length", "evaluate", str(table), *registration]) == 2
    assert "place: '99' must be a whole number from 1 to" in capsys.readouterr().err
    table.write_text("place,length_mm\n1,74.8\n", encoding="utf-8")  # inches
    assert main(["proof", "length", "evaluate", str(table), *registration]) == 2
    assert "length_mm: 74.8 is no reading of a bar of" in capsys.readouterr().err


def test_a_mark_that_a_tower_does_not_see_is_answered_with_the_nearest_that_both_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = Path("assets/training-workshop.toml").read_text(encoding="utf-8")
    # cameras that look higher than the shipped bay's: the usual mark is below their pictures
    path = tmp_path / "high.toml"
    path.write_text(text.replace('pitch = "-13.5 deg"', 'pitch = "10 deg"'), encoding="utf-8")
    plan = ["proof", "moved", "plan", str(path), "--out", str(tmp_path / "out")]
    assert main(plan) == 0
    assert "the mark is where both towers see it: --distance" in capsys.readouterr().out
    assert main([*plan, "--distance", "3 m"]) == 2
    error = capsys.readouterr().err
    assert "the nearest place that they see is --distance" in error
    assert error.count("\n") == 1
