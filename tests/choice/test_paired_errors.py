"""Paired errors: known ratios, and intervals that cover them."""

import numpy as np
import polars as pl
import pytest

from bench.choice.paired_errors import paired_error_ratio

N, CELLS = 60, 5
KEYS = [f"{cell}/{trial}" for cell in range(CELLS) for trial in range(N)]


def cases(errors, ok=None):
    """Return cases of cells (CELLS, N) of errors."""
    ok = np.ones(errors.shape, dtype=bool) if ok is None else ok
    return pl.DataFrame(
        {
            "key": KEYS,
            "range_m": np.repeat(np.arange(float(CELLS)), N),
            "turn_deg": 0.0,
            "pitch_deg": 0.0,
            "outcome": ["ok" if one else "mirrored" for one in ok.ravel().tolist()],
            "err_rot_deg": errors.ravel(),
        }
    )


def norms(rng, scale=1.0):
    """Return lengths (CELLS, N) of errors about three axes; cells differ tenfold."""
    size = np.geomspace(0.001, 0.01, CELLS)[:, None]
    return scale * size * np.linalg.norm(rng.normal(size=(CELLS, N, 3)), axis=2)


def test_twice_the_error_is_a_ratio_of_two_without_doubt():
    errors = norms(np.random.default_rng(1))
    ratio = paired_error_ratio([(cases(2.0 * errors), cases(errors))])
    # paired, the two differ by the factor alone: no spread is left
    assert [ratio.value, ratio.low, ratio.high] == pytest.approx([2.0, 2.0, 2.0])
    assert (ratio.n, ratio.cells) == (N * CELLS, CELLS)


def test_every_cell_counts_alike_whatever_its_error():
    errors = norms(np.random.default_rng(2))
    factors = np.array([4.0, 1.0, 1.0, 1.0, 1.0])[:, None]
    assert paired_error_ratio([(cases(factors * errors), cases(errors))]).value == pytest.approx(
        4.0**0.2
    )


def test_swapped_drawings_give_the_inverse():
    rng = np.random.default_rng(3)
    a, b = cases(norms(rng)), cases(norms(rng, 1.5))
    there, back = paired_error_ratio([(a, b)]), paired_error_ratio([(b, a)])
    assert there.value == pytest.approx(1.0 / back.value)
    assert there.low == pytest.approx(1.0 / back.high)


def test_pictures_that_only_one_solved_dont_count():
    rng = np.random.default_rng(4)
    errors = norms(rng)
    spoilt, ok = errors.copy(), rng.random(errors.shape) > 0.3
    spoilt[~ok] = 1e3
    ratio = paired_error_ratio([(cases(spoilt, ok), cases(errors))])
    assert ratio.value == pytest.approx(1.0)
    assert ratio.n == ok.sum()


def test_nothing_in_common_gives_no_ratio():
    errors = norms(np.random.default_rng(5))
    none = np.zeros(errors.shape, dtype=bool)
    assert paired_error_ratio([(cases(errors, none), cases(errors))]) is None
    one = none.copy()
    one[:, 0] = True  # a single pair a cell has no spread to tell of
    assert paired_error_ratio([(cases(errors, one), cases(errors))]) is None


def test_interval_covers_the_true_ratio_as_often_as_it_says():
    # Errors share half of their variance, as those of two drawings in the same views may.
    trials, covered, rng = 600, 0, np.random.default_rng(6)
    for _ in range(trials):
        shared = rng.normal(size=(CELLS, N, 3))
        pair = [
            np.linalg.norm(shared + rng.normal(size=(CELLS, N, 3)), axis=2) * scale
            for scale in (1.3, 1.0)
        ]
        ratio = paired_error_ratio([(cases(pair[0]), cases(pair[1]))])
        covered += ratio.low <= 1.3 <= ratio.high
    # 0.95 promised. A normal interval with a variance estimated from 60 pairs covers as Student's
    # t says, 2 P(t_59 < 1.96) - 1 = 0.945; plus 3 sqrt(0.95 0.05 / 600) = 0.027 of the count.
    assert covered / trials == pytest.approx(0.945, abs=0.027)
