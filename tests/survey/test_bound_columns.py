import numpy as np
import polars as pl
import pytest

from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.solve.bounds import image_bound
from bench.survey.bound import image_bound_columns
from bench.survey.cells import summarise
from bench.survey.setting import Setting
from bench.survey.worker import Worker

AXES = ("rot_x_deg", "rot_y_deg", "rot_z_deg", "right_mm", "up_mm", "along_mm")


def with_bounds(cases, sigma, tilt_deg):
    return cases.with_columns(
        # as drawn: the bay allows the bound
        *(pl.Series(f"{kind}_{name}", sigma) for kind in ("bound", "allowed") for name in AXES),
        tilt_true_deg=pl.Series(np.broadcast_to(tilt_deg, len(cases)).astype(float)),
    )


def test_efficiency_is_the_bound_over_the_rms_of_ok_cases(cell_cases):
    errors = np.array([0.1, -0.3, 0.2])
    sigma = np.array([0.1, 0.2, 0.2, 9.0])  # the last case was missed
    cases = with_bounds(cell_cases(errors, n=4), sigma, 30.0)
    (cell,) = summarise(cases).to_dicts()
    best = np.sqrt(np.mean(sigma[:3] ** 2))
    assert cell["efficiency_rot_x"] == pytest.approx(best / np.sqrt(np.mean(errors**2)))
    assert cell["bound_rot_x_deg"] == pytest.approx(np.sqrt(np.mean(sigma**2)))
    # the whole rotation's variance is the sum over axes
    assert cell["bound_rot_deg"] == pytest.approx(np.sqrt(3.0 * np.mean(sigma**2)))
    assert cell["efficiency_rot"] == pytest.approx(
        np.sqrt(3.0) * best / np.sqrt(np.mean(errors**2))
    )


@pytest.mark.parametrize(("near_face_on", "holds"), [(5, True), (6, False)])
def test_bound_holds_where_cases_are_tilted_by_two_of_it(cell_cases, near_face_on, holds):
    sigma = np.full(100, 1.0)  # √3 for the whole rotation
    tilt = np.full(100, 3.5)
    tilt[:near_face_on] = 3.4
    cases = with_bounds(cell_cases(np.full(100, 0.5)), sigma, tilt)
    (cell,) = summarise(cases).to_dicts()
    assert cell["bound_holds"] is holds


def test_cases_without_bounds_leave_them_empty(cell_cases):
    (cell,) = summarise(cell_cases(np.full(40, 0.5))).to_dicts()
    assert cell["bound_rot_deg"] is None
    assert cell["efficiency_rot"] is None
    assert cell["bound_holds"] is None


def test_every_case_carries_both_bounds(make_job):
    job = make_job(pipelines=("aruco-subpix/ippe-lm", "aruco-subpix/photometric"))
    worker = Worker(job)
    cases = [c for c in job.plan.cases() if (c.range_m, c.turn_deg) == (3.0, 30.0)]
    claims = []
    for corner, photometric in (worker.run_case(case, {}) for case in cases):
        for name in AXES:
            assert 0.0 < corner[f"bound_{name}"] < corner[f"corner_bound_{name}"]
            assert corner[f"bound_{name}"] == photometric[f"bound_{name}"]
        claims.append(photometric["sigma_rot_y_deg"] / photometric["bound_rot_y_deg"])
        # some 4,000 pixels: χ² over its degrees has a standard deviation of √(2 / 4000) = 2.2 %
        assert photometric["chi_square"] / photometric["degrees"] == pytest.approx(1.0, abs=0.1)
    # the photometric solver's own claim is the bound at its estimate; once in a while a picture
    # fails its χ² test by chance, and the claim is widened
    assert np.median(claims) == pytest.approx(1.0, rel=0.05)


def test_other_blurs_than_gaussian_have_no_bound(setting):
    optics = Optics(sigma_px=0.5, motion_px=(2.0, 0.0))
    moving = Setting(setting.camera, Imaging(optics), setting.target)
    pose = pose_of_view(View(2.0, 0.5), setting.camera)
    region = region_of(setting.target.drawing, pose, setting.camera, 4.0)

    def bound_of(s: Setting) -> np.ndarray:
        return image_bound(s.target.drawing, pose, s.camera, s.imaging, region)

    assert image_bound_columns(lambda: bound_of(moving), pose, moving) == {}
    row = image_bound_columns(lambda: bound_of(setting), pose, setting)
    assert set(row) == {f"{kind}_{name}" for kind in ("bound", "allowed") for name in AXES}
    # as drawn a bay allows what the bound does
    assert all(row[f"allowed_{name}"] == row[f"bound_{name}"] for name in AXES)
