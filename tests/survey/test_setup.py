import math

import numpy as np
import pytest

from bench.errors import ConfigError
from bench.scene.load import load_bay
from bench.survey.plan import Plan
from bench.survey.setting import check_plan
from bench.survey.setup import axle_ranges, find_tower, job_of_bay, request_of_bay
from bench.survey.statistics import exact_bounds


@pytest.fixture(scope="module")
def bay():
    return load_bay()


def test_a_job_is_what_the_bay_file_says(bay):
    job = job_of_bay(bay)
    assert job.plan.ranges_m == bay.survey.ranges_m
    assert job.plan.trials == bay.survey.trials
    assert job.plan.tower == bay.towers[0].name
    assert job.setting.camera is bay.towers[0].camera
    assert job.setting.target is bay.target
    assert job.plan.camera == job.setting.digests()["camera"]


def test_changes_replace_what_the_bay_file_says_and_none_leaves_it(bay):
    job = job_of_bay(bay, "right", trials=3, ranges_m=None, positions=((0.5, 0.5),))
    assert (job.plan.trials, job.plan.tower) == (3, "right")
    assert job.plan.ranges_m == bay.survey.ranges_m
    assert job.plan.positions == ((0.5, 0.5),)


def test_a_tolerance_of_the_bay_does_not_change_the_plan(bay):
    # so that a run can be asked about another tolerance without being done again
    assert "tolerance" not in Plan.__dataclass_fields__
    request = request_of_bay(bay)
    assert request.within_deg == 0.1
    assert request.success == bay.tolerance.success


def test_the_shipped_plan_fits_its_camera_and_can_decide_what_it_asks(bay):
    job, request = job_of_bay(bay), request_of_bay(bay)
    check_plan(job.plan, job.setting)
    n = job.plan.trials * len(job.plan.positions)
    # a cell must be able to hold, with a miss to spare
    assert exact_bounds(n - 1, n, request.confidence)[0] >= request.success
    # as built a picture takes some 0.2 s of a core with the photometric pipeline: two cores do
    # 1800 in three minutes, starting and drawing included
    assert 1000 <= job.plan.n_pictures <= 1500


def test_axle_ranges_are_distances_from_camera_to_target_centres(bay):
    ranges = dict(axle_ranges(bay, "left"))
    tower = find_tower(bay, "left")
    vehicle = bay.vehicles[0]
    axle = vehicle.axles[0]
    mount = axle.mount
    along = bay.standoff - mount.forward
    sideways = tower.placement.offset - axle.track / 2 - mount.outboard
    upwards = tower.placement.height - axle.wheel_height - mount.up
    expected = math.sqrt(along**2 + sideways**2 + upwards**2)
    assert ranges[f"{vehicle.name} {axle.name}"] == pytest.approx(expected, rel=1e-12)
    assert list(ranges.values()) == sorted(ranges.values())
    assert np.isfinite(list(ranges.values())).all()


def test_an_unknown_tower_is_refused_with_those_there_are(bay):
    with pytest.raises(ConfigError, match="no tower 'front'; it has left, right"):
        job_of_bay(bay, "front")
