"""What was measured on site reaches the budget, and what doesn't belong to the bay is refused."""

import copy
import math
from dataclasses import replace

import numpy as np
import pytest

from bench.budget.budget import chain_of, setting_of
from bench.budget.measured import Measured, checked
from bench.budget.propagation import first_order
from bench.cameras.lenses import PARAMETERS
from bench.cameras.result import CALIBRATION, read_calibration
from bench.digest import key_digest
from bench.envelope import BayMark, Origin, write_result
from bench.errors import ConfigError
from bench.geometry.rotation import rotation_z
from bench.registration.bar_views import cameras_of
from bench.registration.judgement import judge
from bench.registration.level_result import LEVEL, read_level
from bench.registration.plan import default_sequence
from bench.registration.rehearsal import Errors, Faults, draw_scene, find_points
from bench.registration.result import REGISTRATION, read_registration, registration_value
from bench.scene.camera_value import camera_value
from bench.scene.load import load_bay
from bench.scene.parts import bay_parts
from bench.scene.tower_pair import tower_pair
from bench.sighting.prediction import Predictor

pytestmark = pytest.mark.slow

SIGMA_PX = 0.06
TILT = np.diag(np.radians([0.004, 0.008]) ** 2)
STARTED = "2026-01-01T00:00:00+00:00"


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def poses(bay):
    return default_sequence(bay)


def parts_of(bay, setting):
    """Return the standard uncertainty (Q,) of a car's angles, degrees, by cause."""
    chain = chain_of(setting, bay.vehicles[0], bay.stations[0])
    return first_order(chain, chain.causes.inputs).contributions


@pytest.fixture(scope="module")
def rehearsed(bay, poses):
    setting = setting_of(bay, Predictor("corner", SIGMA_PX, "as given"), poses, TILT)
    return parts_of(bay, setting)


def origin(parts):
    mark = BayMark(name="Workshop", file="workshop.toml", digest="ab12")
    return Origin("sightbench register solve", STARTED, mark, parts, 1)


@pytest.fixture(scope="module")
def solved(bay, poses):
    """Return a registration of rehearsed points."""
    rng = np.random.default_rng(np.random.SeedSequence([5, key_digest("measured")]))
    errors = Errors(corner_px=SIGMA_PX)
    scene = draw_scene(bay, poses, errors, Faults(), rng)
    judged = judge(find_points(bay, scene, errors, rng), cameras_of(bay), bay, planned=poses)
    return registration_value(judged)


@pytest.fixture
def registration(bay, solved, tmp_path):
    """Return a function that writes it, changed or not, and reads it as the commands do."""

    def make(change=lambda value: value, parts=None):
        value = change(copy.deepcopy(solved))
        parts = {"bar": bay_parts(bay)["bar"]} if parts is None else parts
        write_result(tmp_path / "registration.json", REGISTRATION, value, origin(parts))
        return read_registration(tmp_path)

    return make


def calibration(bay, folder, side, modes=None, camera=None):
    tower = tower_pair(bay)[0 if side == "left" else 1]
    modes = bay.budget.camera_modes(tower.camera) if modes is None else modes
    value = {
        "camera": camera_value(camera or tower.camera).model_dump(),
        "parameters": list(PARAMETERS),
        "free": list(PARAMETERS),
        "covariance": modes @ modes.T,
        "sigma_px": 0.1,
        "board": "chessboard",
        "pictures": 12,
    }
    path = folder / f"{side}-calibration.json"
    write_result(path, CALIBRATION, value, Origin("sightbench intrinsics", STARTED))
    return read_calibration(path)[0]


def level(bay, folder, sigma, parts):
    value = {
        "found": "up against gravity",
        "towers": {
            "left": {
                "up_camera": [0.0, -1.0, 0.0],
                "covariance": (np.eye(3) * sigma**2).tolist(),
                "covariance_of": "",
                "shares": {},
            }
        },
        "bar_error_rad": None,
        "bar_error_sigma_rad": None,
        "chi_square": 1.0,
        "degrees": 3,
    }
    write_result(folder / "level.json", LEVEL, value, origin(parts))
    return read_level(folder)


@pytest.mark.slow
def test_a_measured_registration_counts_as_its_rehearsal_would(
    bay, poses, registration, rehearsed
):
    result = registration()
    predictor = Predictor("corner", SIGMA_PX, "as given")
    found = parts_of(bay, setting_of(bay, predictor, (), TILT, Measured(result)))
    # an operator's scatter of 1 deg and 20 mm moves the bar's places, and so the noise, by some
    # parts in a hundred
    for cause in ("registration", "intrinsics", "temperature"):
        assert found[cause] == pytest.approx(rehearsed[cause], rel=0.15)


def test_its_noise_is_what_its_own_pictures_had(bay, registration, rehearsed):
    noisy = registration(
        lambda v: v | {"covariance_from_noise": (4.0 * np.array(v["covariance_from_noise"]))}
    )
    predictor = Predictor("corner", SIGMA_PX, "as given")
    found = parts_of(bay, setting_of(bay, predictor, (), TILT, Measured(noisy)))
    assert found["registration"] == pytest.approx(2.0 * rehearsed["registration"], rel=0.15)


def test_a_calibration_with_the_assumed_covariance_gives_the_assumed_uncertainty(
    bay, poses, rehearsed, tmp_path
):
    both = {side: calibration(bay, tmp_path, side) for side in ("left", "right")}
    measured = Measured(calibrations=both)
    predictor = Predictor("corner", SIGMA_PX, "as given")
    found = parts_of(bay, setting_of(checked(bay, measured), predictor, poses, TILT, measured))
    # the same covariance, cut into other independent modes
    assert found["intrinsics"] == pytest.approx(rehearsed["intrinsics"], rel=1e-6)


def test_a_calibration_s_own_covariance_stands_in_place_of_the_sizes(
    bay, poses, rehearsed, tmp_path
):
    both = {}
    for side, tower in zip(("left", "right"), tower_pair(bay), strict=True):
        modes = 0.5 * bay.budget.camera_modes(tower.camera)
        both[side] = calibration(bay, tmp_path, side, modes)
    measured = Measured(calibrations=both)
    predictor = Predictor("corner", SIGMA_PX, "as given")
    found = parts_of(bay, setting_of(checked(bay, measured), predictor, poses, TILT, measured))
    assert found["intrinsics"] == pytest.approx(0.5 * rehearsed["intrinsics"], rel=1e-6)


def test_a_measured_level_stands_in_place_of_the_rehearsed_one(bay, poses, tmp_path):
    sigma = math.radians(0.02)
    measured = Measured(level=level(bay, tmp_path, sigma, {}))
    predictor = Predictor("corner", SIGMA_PX, "as given")
    setting = setting_of(bay, predictor, poses, TILT, measured)
    # the same about every axis of the camera is the same about the bay's
    np.testing.assert_allclose(setting.level, np.eye(2) * sigma**2, atol=1e-12 * sigma**2)


def test_the_basis_says_what_is_measured_and_what_is_rehearsed(bay, poses, tmp_path):
    measured = Measured(level=level(bay, tmp_path, 1e-4, {}))
    assert measured.words == (
        f"measured: level, from {tmp_path / 'level.json'}",
        "rehearsed or assumed: registration, left camera, right camera",
    )


def test_a_registration_by_another_bar_is_refused(bay, registration):
    result = registration(parts={"bar": "0123"})
    with pytest.raises(ConfigError, match="another bar of workshop"):
        checked(bay, Measured(result))


def test_a_registration_of_towers_elsewhere_is_refused(bay, registration):
    def elsewhere(value):
        value["T_left_right"]["translation_m"][0] -= 0.4
        return value

    with pytest.raises(ConfigError, match=r"right tower stands 0\.40 m .* mend the bay file"):
        checked(bay, Measured(registration(elsewhere)))


def test_a_level_found_with_another_registration_is_refused(bay, registration, tmp_path):
    other = level(bay, tmp_path, 1e-4, {"registration": "0123"})
    with pytest.raises(ConfigError, match="another registration"):
        checked(bay, Measured(registration(), other))


def test_a_calibration_of_another_lens_is_refused(bay, tmp_path):
    camera = replace(bay.towers[0].camera, fx=2500.0, fy=2500.0)
    other = calibration(bay, tmp_path, "left", camera=camera)
    with pytest.raises(ConfigError, match="f = 2500 px is another lens"):
        checked(bay, Measured(calibrations={"left": other}))


def test_a_registration_with_another_camera_than_the_calibration_s_is_refused(
    bay, registration, tmp_path
):
    camera = replace(bay.towers[0].camera, fx=1.001 * bay.towers[0].camera.fx)
    other = calibration(bay, tmp_path, "left", camera=camera)
    with pytest.raises(ConfigError, match="computed with another left camera"):
        checked(bay, Measured(registration(), calibrations={"left": other}))


def test_failed_checks_and_towers_off_the_plan_are_contradictions(bay, registration):
    turned = rotation_z(math.radians(4.0))

    def doubtful(value):
        pose = value["T_left_right"]
        pose["translation_m"] = (turned @ np.array(pose["translation_m"])).tolist()
        return value | {"failed_checks": ["bar's length"]}

    lines = Measured(registration(doubtful)).contradictions(bay)
    assert any("failed bar's length" in line for line in lines)
    assert any("mm and" in line for line in lines)
