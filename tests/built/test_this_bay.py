"""``--this-bay``: one bay of all pictures, whose camera is a calibration's."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from bench.cameras.lenses import PARAMETERS
from bench.cameras.result import CALIBRATION
from bench.cli.this_bay import this_bay
from bench.envelope import Origin, write_result
from bench.errors import ConfigError, RunError
from bench.scene.camera_value import camera_value
from bench.scene.load import load_bay
from bench.survey.cells import summarise
from bench.survey.setup import job_of_bay
from bench.survey.truth import bay_of_case, parts_columns
from bench.survey.worker import picture_of_case

VIEW = {"ranges_m": (8.0,), "turns_deg": (30.0,), "trials": 3, "pipelines": ("apriltag/ippe-lm",)}


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture
def calibrated(bay, tmp_path):
    """Return the file of a bay whose camera is calibrated: f and cx known jointly, 0.1 % off."""
    tower = bay.towers[0]
    camera = replace(tower.camera, fx=1.001 * tower.camera.fx, fy=1.001 * tower.camera.fy)
    joint = np.zeros((9, 1))
    joint[[0, 1, 2], 0] = 0.6, 0.6, -0.8  # one direction: two parameters that are off together
    value = {
        "camera": camera_value(camera).model_dump(),
        "parameters": list(PARAMETERS),
        "free": list(PARAMETERS),
        "covariance": joint @ joint.T,
        "sigma_px": 0.1,
        "board": "chessboard",
        "pictures": 12,
    }
    origin = Origin("sightbench intrinsics", "2026-11-01T12:00:00+00:00")
    write_result(tmp_path / "calibration.json", CALIBRATION, value, origin)
    path = tmp_path / "hall-2.toml"
    path.write_text(
        'name = "hall 2"\ncalibration = "calibration.json"\nblur_corner = "0 px"\n'
        "[print]\nscale = 3e-4\n"
    )
    return path


def job_of(bay, asked):
    whose = this_bay(bay, None, None, str(asked))
    return job_of_bay(whose.bay, as_built=True, one=whose.one, errors=whose.errors, **VIEW)


def test_pipelines_know_the_calibrated_camera_and_pictures_are_off_by_its_covariance(
    bay, calibrated
):
    job = job_of(bay, calibrated)
    known = job.setting.camera
    assert known.fx == pytest.approx(1.001 * bay.towers[0].camera.fx)
    one = bay_of_case(job.plan.case(0), job.plan, job.setting.built)
    taken = one.camera_of(known, job.setting.built.modes)
    # off in the one direction that isn't known, by one draw of a standard normal number
    off = np.array([taken.fx - known.fx, taken.fy - known.fy, taken.cx - known.cx])
    assert abs(off[0]) == pytest.approx(0.6 * abs(one.camera[0]))
    assert off / off[0] == pytest.approx([1.0, 1.0, -0.8 / 0.6])
    assert (taken.cy, taken.distortion) == (known.cy, known.distortion)


def test_the_covariance_is_drawn_once_and_frozen_in_the_plan(bay, calibrated):
    job, again = job_of(bay, calibrated), job_of(bay, calibrated)
    assert (job.plan.one, job.plan.digest) == (again.plan.one, again.plan.digest)
    sizes = job.setting.built
    bays = [bay_of_case(case, job.plan, sizes) for case in job.plan.cases()]
    assert len({id(one) for one in bays}) == 1
    assert (bays[0].name, bays[0].scale, bays[0].blur_corner) == ("hall 2", 3e-4, 0.0)
    # another name is another draw of what wasn't measured, and the same of what was
    calibrated.write_text(calibrated.read_text().replace("hall 2", "hall 3"))
    other = bay_of_case(job.plan.case(0), job.plan, job_of(bay, calibrated).setting.built)
    assert other.camera[0] != bays[0].camera[0]
    assert other.scale == bays[0].scale


def test_pictures_of_one_bay_differ_by_noise_light_and_place_alone(bay, calibrated):
    job = job_of(bay, calibrated)
    first, second = (picture_of_case(job.plan.case(i), job) for i in (0, 1))
    assert first.grey.shape != second.grey.shape or np.any(first.grey != second.grey)


def test_pictures_of_one_bay_beside_another_s_are_refused_as_independent(cell_cases):
    errors = np.array([0.1, 0.2, 0.3, 0.1])
    pooled = cell_cases(errors).with_columns(
        bay=pl.Series(["hall 2", "hall 2", "left 0", "left 1"])
    )
    with pytest.raises(RunError, match="4 pictures are of 3 bays"):
        summarise(pooled)


def test_a_bay_by_its_number_is_the_map_s(bay):
    asked = job_of_bay(bay, as_built=True, **VIEW)
    second = bay_of_case(asked.plan.case(1), asked.plan, asked.setting.built)
    assert this_bay(bay, None, None, "1").one.causes == pytest.approx(second.causes)


def test_a_calibration_of_another_lens_is_refused_by_the_file_s_name(bay, calibrated):
    towers = tuple(replace(t, camera=replace(t.camera, fx=2.0 * t.camera.fx)) for t in bay.towers)
    with pytest.raises(ConfigError, match=r"hall-2.toml: calibration: .*another lens"):
        this_bay(replace(bay, towers=towers), None, None, str(calibrated))
    calibrated.with_name("calibration.json").unlink()
    with pytest.raises(ConfigError, match=r"hall-2.toml: calibration: "):
        this_bay(bay, None, None, str(calibrated))


def test_its_own_error_is_the_same_in_all_its_pictures(bay, calibrated):
    job = job_of(bay, calibrated)
    plan = replace(job.plan, roll_spread_deg=0.0, tilt_spread_deg=0.0, range_spread=0.0)
    camera = job.setting.camera
    from bench.geometry.viewing import pose_of_view
    from bench.survey.plan import view_of_case

    still = replace(plan, positions=((0.4, 0.4),), wheels=())
    rows = [
        parts_columns(
            case, pose_of_view(view_of_case(case, still, camera), camera), still, job.setting
        )[0]
        for case in still.cases()
    ]
    turns = [row["own_rot_y_deg"] + row["common_rot_y_deg"] for row in rows]
    # half a pixel of place within it changes 0.01 deg by 1e-4 of it
    assert turns == pytest.approx([turns[0]] * len(turns), rel=1e-2)
