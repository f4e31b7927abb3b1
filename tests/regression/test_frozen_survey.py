"""A small survey whose numbers are frozen, so that drift shows.

After a change that is meant to change them: ``python tests/regression/test_frozen_survey.py``
writes them anew; look at the difference before committing it.
"""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose

from bench.geometry.camera import Camera
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.survey.cells import summarise
from bench.survey.executors import InlineExecutor
from bench.survey.plan import Plan, library_versions
from bench.survey.run import run_survey
from bench.survey.setting import Setting
from bench.survey.store import RunStore, read_cases
from bench.survey.worker import Job
from bench.targets.design import MarkerDesign, build_target

FROZEN = Path(__file__).with_name("frozen_survey.json")
TRIALS = 40
PLACE = ["pipeline", "range_m", "turn_deg"]
COUNTS = ["n_ok", "n_missed", "n_mirrored", "n_ambiguous"]
ERRORS = ["rms_rot_deg", "p95_rot_deg", "rms_along_mm"]
BIASES = {"bias_along_mm": "std_along_mm", "bias_rot_y_deg": "std_rot_y_deg"}


def survey(directory: Path) -> pl.DataFrame:
    camera = Camera(640, 480, 900.0, 905.0, 322.0, 236.0, (-0.06, 0.03, 2e-4, -1e-4, 0.0))
    imaging = Imaging(
        optics=Optics(sigma_px=0.7), illumination=Illumination(0.7, (0.05, -0.03), None)
    )
    setting = Setting(camera, imaging, build_target(MarkerDesign(marker_id=3)))
    plan = Plan(
        ranges_m=(1.5, 4.0),
        turns_deg=(0.0, 35.0),
        pipelines=("apriltag/ippe-lm", "aruco-none/ippe", "aruco-subpix/ippe-lm"),
        trials=TRIALS,
        seed=20,
        **setting.digests(),
    )
    run_survey(Job(plan, setting), RunStore(directory), InlineExecutor())
    return summarise(read_cases(directory)).select(
        *PLACE, *COUNTS, *ERRORS, *BIASES, *BIASES.values()
    )


@pytest.fixture(scope="module")
def frozen():
    return json.loads(FROZEN.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def cells(tmp_path_factory):
    return survey(tmp_path_factory.mktemp("frozen"))


@pytest.fixture(scope="module")
def is_same(frozen):
    """Whether the libraries are those that the numbers were frozen with."""
    versions = dict(library_versions())
    return all(
        versions[name] == v for name, v in frozen["versions"].items() if name != "sightbench"
    )


def test_the_frozen_cells_are_these(cells, frozen):
    assert cells.select(PLACE).to_dicts() == [
        {name: row[name] for name in PLACE} for row in frozen["cells"]
    ]


def test_outcomes_have_not_drifted(cells, frozen, is_same):
    # The same libraries on another processor may round one grey value in thousands otherwise,
    # which turns an outcome only where it hung by a hair: two in forty. Other libraries may
    # draw other noise: then counts scatter by sqrt(n p (1 - p)) <= 3.2 on either side, and 3.3
    # standard deviations of a difference are 15.
    allowed = 2 if is_same else 15
    for name in COUNTS:
        there = np.array([row[name] for row in frozen["cells"]])
        assert np.all(np.abs(cells[name].to_numpy() - there) <= allowed), name


def test_errors_have_not_drifted(cells, frozen, is_same):
    # One grey value more or less among a hundred that shape a corner moves it by about
    # 0.01 px / 100; errors of 0.05 px and more thus move by well under a hundredth, and a
    # turned outcome leaves or joins two of forty cases: 3 % of an RMS, unless it is an
    # outlier. Other noise: an RMS of n = 40 scatters by 1/sqrt(2 n) = 11 % on either side for
    # Gaussian errors, and twice that for the tails that are seen near face-on.
    rtol = 0.03 if is_same else 3.3 * 2 * np.sqrt(2) / np.sqrt(2 * TRIALS)
    for name in ERRORS:
        there = [row[name] for row in frozen["cells"]]
        assert_allclose(cells[name].to_numpy(), there, rtol=rtol, err_msg=name)


def test_biases_have_not_drifted(cells, frozen, is_same):
    # as above, in units of the scatter: 3 % of it, or 3.3 standard deviations of a difference
    # of two means
    share = 0.03 if is_same else 3.3 * np.sqrt(2 / TRIALS)
    for bias, scatter in BIASES.items():
        there = np.array([row[bias] for row in frozen["cells"]])
        allowed = share * cells[scatter].to_numpy()
        assert np.all(np.abs(cells[bias].to_numpy() - there) <= allowed), bias


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as directory:
        rows = survey(Path(directory)).to_dicts()
    content = {"versions": dict(library_versions()), "cells": rows}
    FROZEN.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
