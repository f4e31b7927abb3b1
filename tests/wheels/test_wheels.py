"""From rolling targets to a vehicle's angles: truth comes back, claims are honest."""

import numpy as np
import pytest
from matplotlib.text import Text
from numpy.testing import assert_allclose
from scipy.stats import chi2

from bench.geometry.vehicle_angles import STEP
from bench.registration.level_plan import default_plan, level_of_plan
from bench.scene.load import load_bay
from bench.scene.tower_pair import tower_pair
from bench.wheels.picture import draw_wheels
from bench.wheels.rehearsal import INVENTED, rehearse_wheels
from bench.wheels.table import camera_directions, measured_wheels, read_wheel_table
from bench.wheels.vehicle import by_name, measure_vehicle


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def level(bay):
    return level_of_plan(bay, default_plan(bay)).up("left").covariance


def measured(bay, level, seed, path):
    rehearsal = rehearse_wheels(bay, level, seed)
    path.write_text(rehearsal.table)
    towers = dict(zip(("left", "right"), tower_pair(bay), strict=True))
    wheels = measured_wheels(
        path,
        read_wheel_table(path),
        lambda tower: camera_directions(towers[tower].T_bay_camera.rotation),
        bay.vehicles[0].axles[0].mount.outboard,
    )
    return (
        rehearsal,
        wheels,
        measure_vehicle(wheels, (rehearsal.up, level), rehearsal.registration),
    )


@pytest.mark.parametrize("trials", [25, pytest.param(500, marks=pytest.mark.slow)])
def test_claims_are_honest_over_rehearsals(bay, level, tmp_path, trials):
    """Errors of every quantity, normalised by its own claim, pooled over seeds."""
    squares: dict[tuple[str, str], float] = {}
    joint = 0.0
    keep = None
    for seed in range(trials):
        rehearsal, _, vehicle = measured(bay, level, seed, tmp_path / "w.csv")
        answers = by_name(vehicle.answers)
        for key, answer in answers.items():
            error = (answer.value - rehearsal.truth[key]) / answer.sigma
            squares[key] = squares.get(key, 0.0) + error**2
        # individual toes and cambers together: the correlations that registration, level and
        # centre line leave must be right too
        n = len(vehicle.covariance)
        quantities = [a.quantity for a in vehicle.answers[:n]]
        keep = [
            i
            for i, q in enumerate(quantities)
            if q.kind in ("toe", "camber") and q.reference != "thrust line"
        ]
        error = np.array(
            [
                vehicle.answers[i].value
                - rehearsal.truth[quantities[i].name, quantities[i].reference]
                for i in keep
            ]
        )
        joint += error @ np.linalg.solve(vehicle.covariance[np.ix_(keep, keep)], error)
    # 23 quantities and their joint: 99.99 % each, a false alarm in 200 choices of seeds
    low, high = chi2.ppf([0.00005, 0.99995], trials)
    assert {key: s for key, s in squares.items() if not low < s < high} == {}
    low, high = chi2.ppf([0.00005, 0.99995], trials * len(keep))
    assert low < joint < high


def test_run_out_does_not_reach_the_angles(bay, level, tmp_path):
    rehearsal, wheels, vehicle = measured(bay, level, 4, tmp_path / "w.csv")
    assert len(wheels) == 4
    assert len(vehicle.answers) == len(rehearsal.truth)
    for wheel in wheels:
        # rolled as planned, -30, 0 and 30 deg, about the outward axis
        turned = np.abs(np.degrees(wheel.wheel.turning.angles))
        assert_allclose(turned, [0.0, 30.0, 60.0], atol=0.2)
    truth = rehearsal.truth["front left toe", "centre line"]
    assert_allclose(np.degrees(truth), INVENTED.toe["front", "left"], atol=STEP)


def test_registration_and_level_are_carried_into_the_uncertainties(bay, level, tmp_path):
    rehearsal, wheels, _ = measured(bay, level, 4, tmp_path / "w.csv")

    def sigma(name, reference, scale_level, scale_registration):
        T, covariance = rehearsal.registration
        vehicle = measure_vehicle(
            wheels,
            (rehearsal.up, scale_level * level),
            (T, scale_registration * covariance),
        )
        return by_name(vehicle.answers)[name, reference].sigma

    for name, reference in (("front left camber", "level"), ("front left caster", "level")):
        added = sigma(name, reference, 101.0, 1.0) ** 2 - sigma(name, reference, 1.0, 1.0) ** 2
        assert added > 0.5 * 100.0 * float(np.min(np.linalg.eigvalsh(level)[1:]))
    # turned about the vertical, the right tower's frame goes whole into total toe
    added = (
        sigma("front total toe", "the other wheel", 1.0, 101.0) ** 2
        - sigma("front total toe", "the other wheel", 1.0, 1.0) ** 2
    )
    assert_allclose(added, 100.0 * rehearsal.registration[1][0, 0], rtol=0.05)


@pytest.mark.slow
def test_claims_are_honest_where_the_wheels_centres_stand_for_level(bay, level, tmp_path):
    # the shipped small car's wheels are all 0.29 m high, so that their plane is level
    trials, squares = 60, {}
    for seed in range(1000, 1000 + trials):
        rehearsal, wheels, _ = measured(bay, level, seed, tmp_path / "w.csv")
        vehicle = measure_vehicle(wheels, None, rehearsal.registration, vertical="centres")
        for answer in vehicle.answers:
            name = answer.quantity.name
            if answer.quantity.kind in ("camber", "caster", "inclination"):
                error = (answer.value - rehearsal.truth[name, "level"]) / answer.sigma
                squares[name] = squares.get(name, 0.0) + error**2
    assert len(squares) == 8
    low, high = chi2.ppf([0.00005, 0.99995], trials)
    assert {name: s for name, s in squares.items() if not low < s < high} == {}


@pytest.mark.parametrize("line", ["centre line", "rear track"])
def test_the_picture_names_the_line_that_angles_refer_to(bay, level, tmp_path, line):
    rehearsal, wheels, _ = measured(bay, level, 0, tmp_path / "w.csv")
    up = rehearsal.up, level
    figure = draw_wheels(
        measure_vehicle(wheels, up, rehearsal.registration, line), "Wheel angles", "", None
    )
    words = " ".join(t.get_text() for t in figure.findobj(Text)).replace("\n", " ")
    assert ("line square to the rear track" in words) == (line == "rear track")
    assert ("centre line" in words) == (line == "centre line")
