"""A suite small enough to be recorded in a second, and recordings invented by the thousand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.verify.rows import NAMES, CaseRow
from bench.verify.suite import Suite, load_suite

TINY = """
name = "tiny"
seed = 4

[camera]
width = 640
height = 480
focal_length = "900 px"

[target]
kind = "marker"
size = "200 mm"

[[group]]
name = "plain"
cases = 6
range = ["1 m", "1.5 m"]
tilt = ["10 deg", "40 deg"]
across = [0.4, 0.6]
down = [0.4, 0.6]

[[group]]
name = "empty"
cases = 2
range = ["1 m", "1.5 m"]
across = [0.4, 0.6]
down = [0.4, 0.6]
empty = true
clutter = 2
"""


@pytest.fixture
def tiny_file(tmp_path: Path) -> Path:
    """A suite file of eight cases."""
    path = tmp_path / "tiny.toml"
    path.write_text(TINY)
    return path


@pytest.fixture
def tiny_suite(tiny_file: Path) -> Suite:
    """The suite of eight cases."""
    return load_suite(tiny_file)


@pytest.fixture
def make_rows() -> Callable[..., dict[str, CaseRow]]:
    """A maker of recordings: errors as Gaussian noise, whose claims are honest."""

    def make(
        n: int = 300,
        groups: tuple[str, ...] = ("one", "two"),
        seed: int = 0,
        scale: float = 1.0,
        missed: tuple[str, ...] = (),
        **offsets: float,
    ) -> dict[str, CaseRow]:
        rng = np.random.default_rng(seed)
        rows: dict[str, CaseRow] = {}
        for group in groups:
            for index in range(n):
                key = f"{group}|{index:05d}"
                numbers: dict[str, Any] = {
                    "points": 4,
                    "range_m": 4.0,
                    "sigma_rot_deg": 0.1 * np.sqrt(3.0),
                    "sigma_along_mm": 1.0,
                }
                for name in ("rot_x_deg", "rot_y_deg", "rot_z_deg"):
                    numbers[name] = scale * 0.1 * rng.standard_normal()
                for name in ("right_mm", "up_mm", "along_mm"):
                    numbers[name] = rng.standard_normal()
                for name in ("du_px", "dv_px", "out_px"):
                    numbers[name] = 0.05 * rng.standard_normal()
                numbers["nees"] = rng.chisquare(6)
                for name, offset in offsets.items():
                    numbers[name] += offset
                if key in missed:
                    numbers = {"points": 0}
                values = tuple(float(numbers.get(name, np.nan)) for name in NAMES)
                rows[key] = CaseRow(key, "missed" if key in missed else "ok", values)
        return rows

    return make
