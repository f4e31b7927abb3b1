import numpy as np
import pytest

import bench.survey.predicted_map as module
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.region import region_of
from bench.scene.load import load_bay
from bench.solve.bounds import image_bound
from bench.solve.covariance import in_facing_frame
from bench.survey.predicted_map import RANGES, TURNS, predict_map
from bench.survey.setup import job_of_bay

RANGES_M, TURNS_DEG = np.geomspace(2.0, 10.0, 6), np.linspace(0.0, 60.0, 5)


@pytest.fixture(scope="module")
def setting():
    return job_of_bay(load_bay(None), as_built=True).setting


def test_predicted_bounds_are_the_cells_own_within_what_is_said(setting):
    found, off = predict_map(setting, RANGES_M, TURNS_DEG), []
    for i, j in ((0, 1), (1, 3), (3, 2), (4, 4), (5, 1)):
        pose = pose_of_view(View(RANGES_M[i], np.radians(TURNS_DEG[j])), setting.camera)
        region = region_of(setting.target.drawing, pose, setting.camera, 4.0)
        own = image_bound(setting.target.drawing, pose, setting.camera, setting.imaging, region)
        sigma = np.sqrt(np.diag(in_facing_frame(own, pose)))
        off.append(found.bound[i, j] / sigma - 1.0)
    # the docstring's: 16 % at most, half of them within 2 %
    assert np.max(np.abs(off)) < 0.16
    assert np.median(np.abs(off)) < 0.02


def test_imperfections_widen_what_is_allowed_and_nothing_else(setting):
    found = predict_map(setting, RANGES_M[:2], TURNS_DEG[:2])
    # face-on, nothing that a bay is off by rolls a target, to first order
    assert np.all(found.allowed >= found.bound)
    assert np.all(found.allowed[..., 3:] > found.bound[..., 3:])
    drawn = job_of_bay(load_bay(None)).setting
    alone = predict_map(drawn, RANGES_M[:2], TURNS_DEG[:2])
    assert np.array_equal(alone.allowed, alone.bound)
    assert np.array_equal(alone.bound, found.bound)
    assert found.rotation_deg.shape == (2, 2)


def test_however_many_cells_few_bounds_are_computed_in_full(setting, monkeypatch):
    asked = []

    def counted(*given):
        asked.append(given)
        return image_bound(*given)

    monkeypatch.setattr(module, "image_bound", counted)
    predict_map(setting, np.linspace(6.0, 10.0, 12), np.linspace(0.0, 60.0, 8))
    assert len(asked) == RANGES * TURNS
