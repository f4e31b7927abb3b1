from dataclasses import replace

import numpy as np
import pytest

from bench.geometry.viewing import pose_of_view
from bench.imaging.region import region_of
from bench.render.planar import MARGIN_PX
from bench.solve.bounds import image_bound
from bench.survey.cell_bounds import LEAST_PX, CellBounds
from bench.survey.plan import view_of_case
from bench.survey.worker import Worker


@pytest.fixture
def near(make_job):
    """Return a job of one cell whose pattern is 250 px wide, and its bounds."""
    job = make_job(turns_deg=(20.0,), trials=40)
    camera, target = job.setting.camera, job.setting.target
    range_m = round(np.sqrt(camera.fx * camera.fy) * target.extent / 250.0, 3)
    return replace(job, plan=replace(job.plan, ranges_m=(range_m,)))


def own_and_cells(job, trial, bounds):
    case, camera = job.plan.case(trial), job.setting.camera
    view = view_of_case(case, job.plan, camera)
    pose = pose_of_view(view, camera)
    drawing = job.setting.target.drawing
    region = region_of(drawing, pose, camera, MARGIN_PX)
    own = image_bound(drawing, pose, camera, job.setting.imaging, region)
    return own, bounds.covariance(case, view, pose, region)


def test_a_large_targets_bounds_come_from_a_few_pictures_of_its_cell(near):
    bounds = CellBounds(near.plan, near.setting)
    pairs = [own_and_cells(near, trial, bounds) for trial in range(15)]
    off = np.array([np.sqrt(np.diag(cell) / np.diag(own)) - 1.0 for own, cell in pairs])
    assert np.any(off != 0.0)
    # said of the shipped target is 0.2 %, at most 2 %; what the nodes may be off by is 1 %
    assert np.sqrt(np.mean(off**2)) < 0.01
    assert np.max(np.abs(off)) < 0.03


def test_a_small_targets_bounds_are_its_pictures_own(near):
    far = replace(near, plan=replace(near.plan, ranges_m=(2.0 * near.plan.ranges_m[0],)))
    assert LEAST_PX > 125.0
    own, cell = own_and_cells(far, 3, CellBounds(far.plan, far.setting))
    assert np.array_equal(own, cell)


def test_a_wide_cells_bounds_are_its_pictures_own(near):
    wide = replace(near, plan=replace(near.plan, roll_spread_deg=60.0))
    own, cell = own_and_cells(wide, 3, CellBounds(wide.plan, wide.setting))
    assert np.array_equal(own, cell)


def test_no_bound_depends_on_who_asks_or_on_how_many_trials_there_are(near):
    more = replace(near, plan=replace(near.plan, trials=80))
    first, second = Worker(near), Worker(more)
    second.run_case(more.plan.case(7), {})
    (row, *_), (other, *_) = (w.run_case(w.job.plan.case(3), {}) for w in (first, second))
    named = {name for name in row if name.startswith("bound_") and name != "bound_ms"}
    assert named
    assert all(row[name] == other[name] for name in named)
