"""A slice of the study of a calibration's claims, made anew: rendered, found, fitted, judged."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from bench.geometry.lens_models import BROWN, FISHEYE
from reports.calibration.__main__ import FULLEST, report, row_of, shares
from reports.calibration.coverage import calibrated


@pytest.mark.slow
@pytest.mark.parametrize("lens", [BROWN, FISHEYE])
def test_claims_of_rendered_calibrations_cover_the_truth_though_errors_are_shared(lens):
    n = 12  # seeds 0 to 11 of the study
    judged = [calibrated(lens, seed) for seed in range(n)]
    rows = pl.DataFrame([row_of(lens, FULLEST, i, one) for i, one in enumerate(judged)])
    # a claim that covers 95 % falls below this in fewer than one of 1000 such sets
    least = stats.binom.ppf(1e-3, n, 0.95) / n
    assert least > 0.6
    for name, share in shares(rows).items():
        assert share >= least, name
    # the comparison isn't idle: pixels' worth of errors, shared within views, claimed narrowly
    assert np.median([one.widening for one in judged]) > 1.5
    assert np.median([one.claimed_px.max() for one in judged]) < 5.0
    page = report(rows)
    assert f"| of | {lens}, {FULLEST} ({n}) |" in page
    assert page.count("\n| ") == 2 + len(shares(rows))
