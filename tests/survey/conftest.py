"""Tables of invented cases, and small surveys."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from bench.geometry.camera import Camera
from bench.imaging.model import Imaging
from bench.survey.columns import CASE_COLUMNS, COMPONENTS, schema
from bench.survey.plan import Plan, grid_tilt_deg
from bench.survey.setting import Setting
from bench.survey.worker import Job
from bench.targets.design import MarkerDesign, build_target


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


@pytest.fixture(scope="session")
def setting() -> Setting:
    """A small camera, so that pictures cost little, and a marker of 200 mm."""
    camera = Camera(640, 480, 900.0, 900.0, 319.5, 239.5)
    return Setting(camera, Imaging(), build_target(MarkerDesign()))


@pytest.fixture(scope="session")
def make_job(setting: Setting) -> Callable[..., Job]:
    """A maker of jobs: 2 ranges, 2 turns, 5 trials and two pipelines unless changed."""

    def make(**changes: Any) -> Job:
        values: dict[str, Any] = {
            "ranges_m": (1.5, 3.0),
            "turns_deg": (0.0, 30.0),
            "pipelines": ("aruco-none/ippe", "aruco-subpix/ippe-lm"),
            "trials": 5,
            "seed": 1,
        }
        return Job(Plan(**(values | setting.digests() | changes)), setting)

    return make
