"""`sightbench budget`."""

import json
from pathlib import Path

import polars as pl
import pytest

from bench.assets import asset
from bench.budget.inputs import CONTRIBUTIONS
from bench.budget.tables import CONTRIBUTION_COLUMNS
from bench.cli.main import main
from bench.scene.load import SHIPPED_BAY

POSES = "\n".join(
    f'[[pose]]\ndistance = "3 m"\nheight = "0.5 m"\nheading = "{h} deg"\nturn = "{t} deg"'
    for h in (0, 15, -15)
    for t in (-50, 50)
)


@pytest.fixture
def poses(tmp_path: Path) -> Path:
    path = tmp_path / "poses.toml"
    path.write_text(POSES, encoding="utf-8")
    return path


@pytest.fixture
def bay(tmp_path: Path) -> Path:
    """Return a file of the shipped bay with its first vehicle alone."""
    before, vehicle, *others = asset(SHIPPED_BAY).read_text(encoding="utf-8").split("[[vehicle]]")
    stations = others[-1][others[-1].index("[[station]]") :]
    path = tmp_path / "bay.toml"
    path.write_text(f"{before}[[vehicle]]{vehicle}{stations}", encoding="utf-8")
    return path


def test_budget_writes_every_angle_with_every_contribution(
    tmp_path: Path, bay: Path, poses: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    options = ["--trials", "20000", "--corner-sigma", "0.02 px", "--quiet"]
    code = main(["budget", str(bay), "--poses", str(poses), "--out", str(out), *options])
    printed = capsys.readouterr().out
    whole = json.loads((out / "budget.json").read_text(encoding="utf-8"))
    content = whole["value"]
    table = pl.read_csv(out / "budget.csv")
    assert code == (0 if content["verdict"] == "inside" else 1)
    assert "Attack first:" in printed
    # camera, print and plate are sources of their own, and counted once
    noise = "target poses: Cramér-Rao bound of corners with 0.02 px, as given"
    assert content["basis"][0] == noise
    assert table.height == len(content["lines"])
    assert {"front", "rear"} <= set(table["axle"])
    assert set(table["station"]) == {"floor", "low lift"}
    squares = sum(table[CONTRIBUTION_COLUMNS[name]] ** 2 for name in CONTRIBUTIONS)
    assert squares.to_numpy() == pytest.approx((table["u_deg"] ** 2).to_numpy(), rel=1e-6)  # type: ignore[union-attr]
    for kind in ("png", "svg", "pdf"):
        assert (out / f"budget.{kind}").stat().st_size > 10_000
    assert whole["sightbench"]["bay"]["digest"]


@pytest.mark.slow
def test_a_bay_outside_its_tolerance_ends_with_one_and_names_what_to_attack(
    tmp_path: Path, bay: Path, poses: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with bay.open("a", encoding="utf-8") as file:
        file.write('\n[budget]\nmount_play = "0.2 deg"\n')
    options = ["--poses", str(poses), "--trials", "20000", "--corner-sigma", "0.02 px", "--quiet"]
    code = main(["budget", str(bay), "--out", str(tmp_path / "out"), *options])
    printed = capsys.readouterr().out
    assert code == 1
    assert "Outside tolerance:" in printed
    assert "Attack first: mount play" in printed


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--confidence", "0.3"], "Invalid value for '--confidence': '0.3' must be "),
        (["--bound", "best"], "--bound': 'best' is not one of 'corner', 'image'"),
        (["--bound", "image", "--corner-sigma", "0.1 px"], "the image's bound knows no corners"),
        (["--poses", "missing.toml"], "missing.toml: No such file"),
        (["--corner-sigma", "0 px"], "'0 px' lies outside the limits, above 0 px to 100 px"),
        (
            ["--level-uncertainty", "-1 deg"],
            "'-1 deg' lies outside the limits, from 0 deg to 5 deg",
        ),
        (
            ["--level-uncertainty", "20 deg"],
            "'20 deg' lies outside the limits, from 0 deg to 5 deg",
        ),
    ],
)
def test_bad_input_is_one_line(
    options: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["budget", *options]) == 2
    error = capsys.readouterr().err
    assert words in error
    assert error.count("\n") == 1
