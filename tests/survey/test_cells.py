import numpy as np
import polars as pl
from numpy.testing import assert_allclose

from bench.survey.cells import summarise
from bench.survey.columns import CELL_COLUMNS, names, schema
from bench.survey.statistics import rms_interval, wilson_interval


def test_a_cell_counts_every_outcome_apart(cell_cases):
    errors = np.full(60, 0.02)
    cases = pl.concat(
        [cell_cases(errors)]
        + [
            cell_cases(np.empty(0), n=n, outcome=outcome)
            for outcome, n in (
                ("missed", 9),
                ("wrong_id", 2),
                ("mirrored", 3),
                ("ambiguous", 5),
                ("not_finite", 1),
            )
        ]
    )
    (cell,) = summarise(cases).to_dicts()
    assert cell["n"] == 80
    assert [
        cell[f"n_{o}"] for o in ("ok", "missed", "wrong_id", "mirrored", "ambiguous", "not_finite")
    ] == [60, 9, 2, 3, 5, 1]
    assert cell["detection_rate"] == 69 / 80
    assert (cell["detection_rate_lo"], cell["detection_rate_hi"]) == wilson_interval(69, 80, 0.95)
    assert cell["usable_rate"] == 60 / 80
    assert (cell["usable_rate_lo"], cell["usable_rate_hi"]) == wilson_interval(60, 80, 0.95)


def test_statistics_are_those_of_the_ok_cases(cell_cases):
    errors = np.random.default_rng(3).normal(0.01, 0.05, 200)
    cases = cell_cases(errors, n=210, outcome="mirrored").with_columns(
        # a mirrored case keeps its error, which must not enter
        pl.col("err_rot_deg").fill_null(40.0),
        pl.col("err_along_mm").fill_null(-900.0),
    )
    (cell,) = summarise(cases).to_dicts()
    for name in ("rot_deg", "rot_x_deg", "along_mm"):
        assert_allclose(cell[f"bias_{name}"], errors.mean(), rtol=1e-12)
        assert_allclose(cell[f"std_{name}"], errors.std(ddof=1), rtol=1e-12)
        assert_allclose(cell[f"rms_{name}"], np.sqrt(np.mean(errors**2)), rtol=1e-12)
        assert_allclose(cell[f"median_{name}"], np.median(abs(errors)), rtol=1e-12)
        assert_allclose(cell[f"p95_{name}"], np.quantile(abs(errors), 0.95), rtol=1e-12)
    assert cell["rms_rot_deg_lo"] < cell["rms_rot_deg"] < cell["rms_rot_deg_hi"]
    assert cell["p95_rot_deg_lo"] < cell["p95_rot_deg"] < cell["p95_rot_deg_hi"]
    interval = (cell["rms_along_mm_lo"], cell["rms_along_mm_hi"])
    by_key = cases.sort("key").filter(pl.col("outcome") == "ok")["err_along_mm"].to_numpy()
    assert interval == rms_interval(by_key, 0.95, "d/s|4.0|0.0|0.0")


def test_cells_do_not_depend_on_the_order_of_cases(cell_cases):
    rng = np.random.default_rng(4)
    cases = pl.concat(
        cell_cases(rng.normal(size=50), n=55, range_m=r, turn_deg=t)
        for r in (2.5, 10.0)
        for t in (0.0, 30.0)
    )
    shuffled = cases.sample(fraction=1.0, shuffle=True, seed=1)
    assert summarise(shuffled).equals(summarise(cases))


def test_every_cell_column_is_written_with_its_type(cell_cases):
    cells = summarise(cell_cases(np.ones(3)))
    assert cells.columns == names(CELL_COLUMNS)
    assert dict(cells.schema) == {k: v() for k, v in schema(CELL_COLUMNS).items()}


def test_a_cell_without_ok_cases_has_rates_but_no_errors(cell_cases):
    (cell,) = summarise(cell_cases(np.empty(0), n=20)).to_dicts()
    assert cell["usable_rate"] == 0.0
    assert cell["rms_rot_deg"] is None
    assert cell["rms_rot_deg_hi"] is None
    assert cell["p95_rot_deg_hi"] is None
