"""Tables of invented cases, for what works on tables alone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
import pytest

from bench.survey.columns import CASE_COLUMNS, COMPONENTS, schema
from bench.survey.plan import grid_tilt_deg


@pytest.fixture
def cell_cases() -> Callable[..., pl.DataFrame]:
    """A maker of one cell's cases with given rotation errors; the rest of `n` is `outcome`."""

    def make(
        errors: np.ndarray,
        n: int | None = None,
        outcome: str = "missed",
        pipeline: str = "d/s",
        range_m: float = 4.0,
        turn_deg: float = 0.0,
        pitch_deg: float = 0.0,
    ) -> pl.DataFrame:
        total = len(errors) if n is None else n
        cell = f"r={range_m:g}|turn={turn_deg:g}|pitch={pitch_deg:g}|pos=axis"
        rows = [
            {
                "key": f"{cell}|trial={trial}",
                "pipeline": pipeline,
                "range_m": range_m,
                "turn_deg": turn_deg,
                "pitch_deg": pitch_deg,
                "tilt_deg": grid_tilt_deg(turn_deg, pitch_deg),
                "position": "axis",
                "trial": trial,
                "size_px": 100.0,
                "whole": True,
                "outcome": "ok" if trial < len(errors) else outcome,
                **(
                    dict.fromkeys((c.column for c in COMPONENTS), float(errors[trial]))
                    if trial < len(errors)
                    else {}
                ),
            }
            for trial in range(total)
        ]
        return pl.DataFrame(rows, schema=schema(CASE_COLUMNS))

    return make
