"""Scores of what boundaries share: shown where it is, and what it may hide where it isn't."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.solve.imprint import COUNTS
from bench.solve.imprint_score import hints, kinds_shown, rival_square


def lines(rng, effect, agree, count=30, own=4):
    """Lines' equations of `own` parameters and a kind of one column with an effect."""
    parts, pulls = [], []
    for k in range(count):
        rows = rng.normal(size=(50, own + 1))
        sign = 1.0 if agree or k % 2 else -1.0
        residual = sign * effect * rows[:, own] + rng.normal(size=50)
        parts.append(rows.T @ rows)
        pulls.append(rows.T @ residual)
    return np.array(parts), np.array(pulls)


def test_a_kind_is_shown_where_lines_agree_and_not_where_they_do_not():
    rng = np.random.default_rng(5)
    assert kinds_shown(*lines(rng, 0.3, True), ("ink",), 1500.0, 1500.0, 1).kinds == ("ink",)
    assert kinds_shown(*lines(rng, 0.3, False), ("ink",), 1500.0, 1500.0, 1).kinds == ()
    # what is left on boundaries is so much that chance would do it
    assert kinds_shown(*lines(rng, 0.08, True), ("ink",), 4e4, 1500.0, 1).kinds == ()


def test_hints_ask_by_noise_alone():
    rng = np.random.default_rng(6)
    known, columns = rng.normal(size=(2000, 6)), rng.normal(size=(2000, 1))
    noise, weights = rng.normal(size=2000), np.ones(2000)
    whole = known.T @ known

    def left(effect):
        residual = noise + effect * columns[:, 0]
        return residual - known @ np.linalg.lstsq(known, residual, rcond=None)[0]

    assert not hints(whole, known, columns, weights, left(0.0), ("ink",))[0]
    # 0.15 times √2000 is seven standard deviations
    assert hints(whole, known, columns, weights, left(0.15), ("ink",))[0]


@pytest.mark.parametrize("size", [0.0, 1.0, 2.0, 4.0])
def test_claims_know_of_a_kind_that_was_too_weak_to_be_fitted(size):
    # Six of a pose and the four amounts of a skew, which a pose's fourth takes for itself in
    # part. Amounts are normal, of a size in standard deviations of their own.
    rng = np.random.default_rng(9)
    known, columns = rng.normal(size=(400, 6)), rng.normal(size=(400, COUNTS["skew"]))
    columns[:, 0] += 2.0 * known[:, 3]
    inverse = np.linalg.inv(known.T @ known)
    whole = np.column_stack((known, columns))
    sigma = np.sqrt(np.diag(np.linalg.inv(whole.T @ whole)))[6:]
    bare, honest, wider = [], [], []
    for _ in range(1500):
        residual = rng.normal(size=400) + columns @ (size * sigma * rng.normal(size=4))
        error = inverse @ known.T @ residual
        found, hidden = hints(
            known.T @ known, known, columns, np.ones(400), residual - known @ error, ("skew",)
        )
        if not found:
            bare.append(abs(error[3]) > 2.0 * np.sqrt(inverse[3, 3]))
            honest.append(abs(error[3]) > 2.0 * np.sqrt(inverse[3, 3] + hidden[3, 3]))
            wider.append(np.sqrt(1.0 + hidden[3, 3] / inverse[3, 3]))
    if size == 0.0:
        # nothing is there: no more misses than without, and claims at most half as wide again
        assert np.mean(honest) <= np.mean(bare)
        assert np.mean(wider) < 1.5
    else:
        # amounts that are two standard deviations are hidden in two of five pictures, and half
        # of those are missed without
        assert np.mean(honest) < 0.5 * np.mean(bare)


def test_another_explanation_counts_by_its_weight():
    found = Pose(np.eye(3), np.array([0.0, 0.0, 3.0]))
    rival = Pose(exp_rotvec(np.array([0.0, 0.002, 0.0])), np.array([0.0, 0.001, 3.0]))
    apart = np.array([0.0, 0.002, 0.0, 0.0, 0.001, 0.0])
    assert_allclose(rival_square(found, rival, 0.0), 0.5 * np.outer(apart, apart), atol=1e-15)
    # a difference of 10 is a weight of 0.0067 (Burnham and Anderson 2002, section 2.6, table)
    assert_allclose(
        rival_square(found, rival, 10.0), np.outer(apart, apart) / (1.0 + np.exp(5.0)), atol=1e-15
    )
