"""Cells of a survey as arrays over range and turn, one panel for each pipeline and pitch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from bench.typing import Array, BoolArray, IntArray


@dataclass(frozen=True)
class Facet:
    """What one panel shows."""

    pipeline: str
    pitch_deg: float


@dataclass(frozen=True, eq=False)
class CellGrid:
    """A cells table with its axes.

    Attributes
    ----------
    cells : polars.DataFrame
        Columns as `bench.survey.columns` names them.
    pipelines : tuple of str
        In order of first appearance.
    ranges_m, turns_deg, pitches_deg : (R,), (T,), (P,) float64
        Ascending, without repeats.
    """

    cells: pl.DataFrame
    pipelines: tuple[str, ...]
    ranges_m: Array
    turns_deg: Array
    pitches_deg: Array

    @classmethod
    def of(cls, cells: pl.DataFrame) -> CellGrid:
        """Return the grid that a cells table spans."""
        return cls(
            cells,
            tuple(cells["pipeline"].unique(maintain_order=True).to_list()),
            *(cells[name].unique().sort().to_numpy() for name in _AXES),
        )

    @property
    def facets(self) -> list[Facet]:
        """Every pipeline at every pitch, pipelines in order."""
        return [Facet(p, float(pitch)) for p in self.pipelines for pitch in self.pitches_deg]

    @property
    def log_range(self) -> bool:
        """Whether range is drawn logarithmically: its steps differ too much for a linear axis."""
        return is_stretched(self.ranges_m)

    def x(self, ranges_m: Array) -> Array:
        """Return where ranges (N,) lie on the range axis, which is linear in what this gives."""
        return np.log(ranges_m) if self.log_range else np.asarray(ranges_m, dtype=np.float64)

    @property
    def range_label(self) -> str:
        """Label of the range axis."""
        return "range (m), logarithmic" if self.log_range else "range (m)"

    @property
    def is_pitched(self) -> bool:
        """Whether panels must tell pitches apart."""
        return len(self.pitches_deg) > 1 or bool(self.pitches_deg[0] != 0.0)

    @property
    def turn_is_tilt(self) -> bool:
        """Whether the turn alone is the tilt: no pitch, no negative turn."""
        return not self.is_pitched and bool(np.all(self.turns_deg >= 0.0))

    @property
    def turn_label(self) -> str:
        """Label of the angle axis."""
        return "tilt (deg)" if self.turn_is_tilt else "turn (deg)"

    def array(self, facet: Facet, column: str) -> Array:
        """Return a numeric column as (T, R), NaN where the table has no value."""
        found = np.full((len(self.turns_deg), len(self.ranges_m)), np.nan)
        rows = self._rows(facet)
        found[self._places(rows)] = rows[column].cast(pl.Float64).fill_null(np.nan).to_numpy()
        return found

    def equals(self, facet: Facet, column: str, word: str) -> BoolArray:
        """Return where a column of words holds `word`, (T, R)."""
        found = np.zeros((len(self.turns_deg), len(self.ranges_m)), dtype=bool)
        rows = self._rows(facet)
        found[self._places(rows)] = (rows[column] == word).fill_null(False).to_numpy()
        return found

    def _rows(self, facet: Facet) -> pl.DataFrame:
        return self.cells.filter(
            (pl.col("pipeline") == facet.pipeline) & (pl.col("pitch_deg") == facet.pitch_deg)
        )

    def _places(self, rows: pl.DataFrame) -> tuple[IntArray, IntArray]:
        return (
            np.searchsorted(self.turns_deg, rows["turn_deg"].to_numpy()),
            np.searchsorted(self.ranges_m, rows["range_m"].to_numpy()),
        )

    def values(self, column: str) -> Array:
        """Return a numeric column of all panels as one array, NaN for null."""
        return self.cells[column].cast(pl.Float64).fill_null(np.nan).to_numpy()


_AXES = ("range_m", "turn_deg", "pitch_deg")


def is_stretched(values: Array) -> bool:
    """Tell whether ascending values are better drawn on a logarithmic axis.

    So if they are positive and their widest step is over three times the narrowest: on a linear
    axis the narrow ones would have no room for a number.
    """
    steps = np.diff(values)
    return bool(len(steps) > 1 and values[0] > 0.0 and steps.max() > 3.0 * steps.min())


def edges(values: Array) -> Array:
    """Return cell edges (N + 1,) around ascending cell centres (N,).

    Inner edges lie midway between centres; the outer cells reach as far outward as inward. A
    lone cell reaches half its value each way, or half a unit about zero.
    """
    values = np.asarray(values, dtype=np.float64)
    if len(values) == 1:
        half = 0.5 * abs(values[0]) or 0.5
        return np.array([values[0] - half, values[0] + half])
    middle = 0.5 * (values[1:] + values[:-1])
    return np.concatenate(([2.0 * values[0] - middle[0]], middle, [2.0 * values[-1] - middle[-1]]))


def choose(values: Sequence[float], most: int) -> list[float]:
    """Return at most `most` of ascending values, spread evenly by rank, ends included."""
    if len(values) <= most:
        return list(values)
    if most == 1:
        return [values[0]]
    ranks = np.rint(np.linspace(0, len(values) - 1, most)).astype(int)
    return [values[i] for i in ranks]
