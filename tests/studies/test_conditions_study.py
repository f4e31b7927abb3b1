"""The study of what is wrong with real pictures: its renderer, and its verdicts."""

import math

import numpy as np
import polars as pl
import pytest

from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, expected_electrons
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from reports.photometric import shots
from reports.photometric.conditions import CONDITIONS
from reports.photometric.conditions_study import (
    CAMERA,
    CORNERS,
    PARTS,
    PHOTOMETRIC,
    condition_table,
    paired_upper,
    places,
    verdict_table,
)
from reports.photometric.setting import marker
from reports.photometric.shots import CELLS, EXPOSURE_DN, MARGIN_PX, Shot, photograph

TARGET = marker()
POSE = pose_of_view(View(6.0, 0.6, 0.05, 0.4, (900.3, 800.6)), CAMERA)


def test_supersampling_agrees_with_the_bench_s_closed_forms(monkeypatch):
    """Two renderers that share no code: signed areas under a soft box, and points on a lattice."""
    monkeypatch.setattr(shots, "READ_DN", 1e-9)
    monkeypatch.setattr(shots, "SHOT_DN", 0.0)
    picture = photograph(TARGET, POSE, CAMERA, Shot(), np.random.default_rng(1))
    region = region_of(TARGET.drawing, POSE, CAMERA, MARGIN_PX)
    imaging = Imaging(Optics(0.6), Illumination(1.0), Sensor())
    full = Sensor().full_well
    expected = (
        EXPOSURE_DN * expected_electrons(TARGET.drawing, POSE, CAMERA, imaging, region) / full
    )
    inside = (slice(12, -12),) * 2
    difference = picture.grey[inside] - expected[inside]
    # rounding leaves 0.29 grey values, and 256 points a pixel on edges of 160 up to 0.3 more
    assert np.sqrt(np.mean(difference**2)) < 0.5
    assert np.max(np.abs(difference)) < 3.0
    assert abs(np.mean(difference)) < 0.05


@pytest.mark.parametrize("condition", CONDITIONS, ids=lambda c: c.name)
def test_every_lens_keeps_light_and_place(condition):
    lens = condition.draw(np.random.default_rng(2)).lens(CELLS)
    v, u = np.indices(lens.shape) - np.array(lens.shape)[:, None, None] // 2
    assert np.sum(lens) == pytest.approx(1.0)
    # a hundredth of a pixel: a spline's resampling
    assert abs(np.sum(lens * u)) < 0.01 * CELLS
    assert abs(np.sum(lens * v)) < 0.01 * CELLS


def rows_of(pipeline, errors, k=0.5, outcome="ok"):
    return [
        {
            "condition": "window band", "kind": "light", "range_m": 3.0, "trial": trial,
            "pipeline": pipeline, "outcome": outcome, "rot_deg": e, "along_mm": 10.0 * e,
            **{f"k_{p}": k for p in PARTS},
        }
        for trial, e in enumerate(errors)
    ]  # fmt: skip


def test_verdicts_are_against_the_best_corner_pipeline():
    rng = np.random.default_rng(3)
    noise = np.abs(rng.normal(size=60))
    cases = pl.DataFrame(
        rows_of(PHOTOMETRIC, 0.04 * noise, k=2.5)
        + rows_of(CORNERS[0], 0.1 * noise)
        + rows_of(CORNERS[1], 0.3 * noise)
        + rows_of(CORNERS[2], 0.5 * noise, outcome="missed")
    )
    row = verdict_table(cases, 1).row(0, named=True)
    # paired errors in proportion: the ratio is the same in every draw
    assert row["ratio_rot_deg"] == pytest.approx(0.4)
    assert row["ratio_rot_deg_hi"] == pytest.approx(0.4)
    assert row["met_rot_deg"]
    assert row["fewer_ok"] == pytest.approx(0.0)
    assert not row["met_beyond_2"]
    found = condition_table(cases)
    assert found["rms_rot_deg"][0] == pytest.approx(0.04 * math.sqrt(np.mean(noise**2)))


def test_a_bootstrap_s_end_is_that_of_the_delta_method():
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(2, 400))
    # independent Gaussian errors: log of a ratio of RMS has the variance 1/n (1/2n each)
    expected = math.sqrt(np.mean(a**2) / np.mean(b**2)) * math.exp(1.645 / math.sqrt(400))
    assert paired_upper(a, b, rng) == pytest.approx(expected, rel=0.03)


def test_all_that_was_asked_for_is_drawn_at_two_ranges():
    assert len(CONDITIONS) == 19
    assert len(places()) == 38
