"""Registration, level and wheels, each solved from what the one before wrote: truth comes back."""

import json

import numpy as np
import pytest
from scipy.stats import chi2

from bench.cli.main import main
from bench.geometry.pose import Pose
from bench.registration.bar_views import cameras_of
from bench.registration.level_plan import default_plan, level_of_plan
from bench.registration.level_rehearsal import Site, draw_settings
from bench.registration.level_table import level_table
from bench.registration.plan import default_sequence
from bench.registration.rehearsal import Errors, Faults, draw_scene, find_points
from bench.registration.table import measured_steps, pose_table
from bench.scene.load import load_bay
from bench.scene.tower_pair import tower_pair
from bench.wheels.rehearsal import rehearse_wheels

TRIALS = 5


@pytest.fixture(scope="module")
def bay():
    return load_bay()


def tables(bay, sequence, trial, folder):
    """Write what would be measured in one true bay, each time with noise of its own."""
    rng = np.random.default_rng(np.random.SeedSequence([trial, 71]))
    scene = draw_scene(bay, sequence, Errors(), Faults(), rng)
    steps = measured_steps(find_points(bay, scene, Errors(), rng), cameras_of(bay))
    (folder / "bar.csv").write_text(pose_table(steps))
    plan = default_plan(bay)
    towers = tuple(tower.T_bay_camera for tower in tower_pair(bay))
    settings = draw_settings(bay, plan, Site(), towers, Pose.identity(), rng)
    (folder / "level.csv").write_text(level_table(settings))
    share = level_of_plan(bay, plan).up("left").covariance
    rehearsal = rehearse_wheels(bay, share, trial)
    (folder / "wheels.csv").write_text(rehearsal.table)
    return rehearsal.truth


@pytest.mark.slow
def test_three_commands_in_a_row_bring_back_known_angles_as_honestly_as_they_claim(bay, tmp_path):
    sequence = default_sequence(bay)
    squares: dict[tuple[str, str], float] = {}
    for trial in range(TRIALS):
        folder = tmp_path / str(trial)
        folder.mkdir()
        truth = tables(bay, sequence, trial, folder)
        tie, up = str(folder / "r" / "registration.json"), str(folder / "l" / "level.json")
        bar, stands, wheels = (str(folder / f"{n}.csv") for n in ("bar", "level", "wheels"))
        solve = ["register", "solve", "--table", bar, "--quiet", "--size-uncertainty", "0"]
        assert main([*solve, "--out", str(folder / "r")]) == 0
        level = ["level", "solve", stands, "--registration", tie]
        assert main([*level, "--out", str(folder / "l")]) == 0
        ask = ["wheels", wheels, "--registration", tie, "--level", up]
        assert main([*ask, "--out", str(folder / "w")]) == 0
        rows = json.loads((folder / "w" / "wheels.json").read_text())["value"]["rows"]
        assert len(rows) == len(truth)
        for row in rows:
            key = (row["name"], row["refers_to"])
            scale = np.degrees(1.0) if row["unit"] == "deg" else 1e3
            error = (row["value"] - scale * truth[key]) / row["u"]
            squares[key] = squares.get(key, 0.0) + error**2
    # 23 quantities at 99.99 % each: a false alarm in 200 choices of seeds
    low, high = chi2.ppf([0.00005, 0.99995], TRIALS)
    assert {key: s for key, s in squares.items() if not low < s < high} == {}
