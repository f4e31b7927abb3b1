"""What the cases say, cell by cell: efficiency, bias, honest covariances, mirrored poses."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
from scipy import stats

from bench.digest import key_digest
from bench.solve.mirror_rate import mirrored_share
from bench.survey.statistics import wilson_interval
from bench.typing import Array
from reports.photometric.cases import COMPONENTS, SYNTHETIC

CONFIDENCE = 0.95
RESAMPLES = 2000
# What is asked: efficiency, bias in standard deviations, mirrored poses over the predicted.
LEAST_EFFICIENCY, MOST_BIAS, MOST_MIRRORED = 0.9, 0.2, 1.5
# Error rates of the tests: of each bias, of the whole family of normalised errors.
BIAS_RISK, NEES_RISK = 0.05, 0.05


def cell_table(cases: pl.DataFrame) -> pl.DataFrame:
    """Return one row a cell, in the order of the cases; see the columns in `README`."""
    rows = []
    for name in cases["cell"].unique(maintain_order=True):
        own = cases.filter(pl.col("cell") == name)
        solved = own.filter(pl.col("squared").is_not_null())
        right = solved.filter(~pl.col("mirrored"))
        row = {
            "cell": name,
            "size_px": own["size_px"][0],
            "n": len(own),
            "n_synthetic": int((own["start"] == SYNTHETIC).sum()),
            "n_solved": len(solved),
            "n_ambiguous": int((own["outcome"] == "ambiguous").sum()),
        }
        row |= mirrored_columns(solved)
        for component in COMPONENTS:
            row |= efficiency_columns(right, component)
            row |= bias_columns(right, component)
        row |= nees_columns(right)
        row["chi_square_rejected"] = rejected_share(solved, 0.01)
        row["solve_ms"] = own["solve_ms"].median()
        rows.append(row)
    table = pl.DataFrame(rows, infer_schema_length=None)
    adjusted = holm(table["nees_p"].to_numpy())
    return table.with_columns(nees_p_holm=pl.Series(adjusted))


def mirrored_columns(solved: pl.DataFrame) -> dict[str, float | int]:
    """Return how many poses are mirrored, beside how many must be."""
    n, count = len(solved), int(solved["mirrored"].sum())
    low, high = wilson_interval(count, n, CONFIDENCE)
    predicted = float(np.mean([mirrored_share(d) for d in solved["distance"]]))
    return {
        "n_mirrored": count,
        "mirrored": count / n,
        "mirrored_lo": low,
        "mirrored_hi": high,
        "mirrored_predicted": predicted,
    }


def efficiency_columns(right: pl.DataFrame, component: str) -> dict[str, float]:
    """Return √(mean bound variance) / RMS error, and its bootstrap interval over cases."""
    squares = right[f"err_{component}"].to_numpy() ** 2
    bounds = right[f"bound_var_{component}"].to_numpy()
    rng = np.random.default_rng(key_digest(f"{right['cell'][0]}/{component}"))
    drawn = rng.integers(0, len(right), (RESAMPLES, len(right)), dtype=np.int32)
    ratios = np.sqrt(bounds[drawn].mean(axis=1) / squares[drawn].mean(axis=1))
    tail = 0.5 * (1.0 - CONFIDENCE)
    low, high = np.quantile(ratios, [tail, 1.0 - tail])
    return {
        f"bound_{component}": math.sqrt(bounds.mean()),
        f"rms_{component}": math.sqrt(squares.mean()),
        f"efficiency_{component}": math.sqrt(bounds.mean() / squares.mean()),
        f"efficiency_{component}_lo": float(low),
        f"efficiency_{component}_hi": float(high),
    }


def bias_columns(right: pl.DataFrame, component: str) -> dict[str, float]:
    """Return the bias in standard deviations, and the p-value that it isn't within `MOST_BIAS`.

    Two one-sided tests (Schuirmann 1987, doi:10.1007/BF01068419) on the errors over the square
    root of their bound: the larger of the two p-values.
    """
    z = right[f"err_{component}"].to_numpy() / np.sqrt(right[f"bound_var_{component}"].to_numpy())
    z /= np.std(z, ddof=1)
    root = math.sqrt(len(z))
    above = stats.t.sf((z.mean() + MOST_BIAS) * root, len(z) - 1)
    below = stats.t.cdf((z.mean() - MOST_BIAS) * root, len(z) - 1)
    return {
        f"bias_{component}_sd": float(z.mean()),
        f"bias_{component}_p": float(max(above, below)),
    }


def nees_columns(right: pl.DataFrame) -> dict[str, float]:
    """Return the mean squared normalised error, six where claims are exact, and its p-value.

    One-sided, of claims that aren't too narrow: the sum against χ² with six degrees of freedom a
    case. Claims are wider than noise makes them where a picture can't rule out spread ink or
    another shape of blur.
    """
    squares = right["squared"].to_numpy()
    total, count = float(squares.sum()), len(squares)
    return {"nees": total / count, "nees_p": float(stats.chi2.sf(total, 6 * count))}


def rejected_share(solved: pl.DataFrame, risk: float) -> float:
    """Return in how many cases χ² is larger than noise makes it with probability `risk`."""
    limits = stats.chi2.isf(risk, solved["degrees"].to_numpy())
    return float(np.mean(solved["chi_square"].to_numpy() > limits))


def holm(p: Array) -> Array:
    """Return p-values (N,) adjusted for N tests by Holm's step-down method (Holm 1979)."""
    order = np.argsort(p)
    factors = len(p) - np.arange(len(p))
    adjusted = np.empty(len(p))
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(factors * p[order]))
    return adjusted
