"""Sorting more rows than memory holds: sorted runs on disk, then a piece at a time from all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import polars as pl

VIEW = ["range_m", "turn_deg", "pitch_deg"]
ORDER = ["key", "pipeline"]
# Rows a sorted run: about 50 MB of cases, of which a few copies are held at once.
RUN_ROWS = 100_000
# Rows a piece: cells hold several times its bytes while it is summed up.
PIECE_ROWS = 25_000
# Rows a group within a run: what is read around a piece's own.
GROUP_ROWS = 5_000


@dataclass(frozen=True)
class Piece:
    """Consecutive views of one nominal range.

    Attributes
    ----------
    range_m : float
        The range.
    first, last : (float, float)
        Turn and pitch, in their order.
    """

    range_m: float
    first: tuple[float, float]
    last: tuple[float, float]

    def holds(self) -> pl.Expr:
        """Return what is true for its rows."""
        turn, pitch = pl.col("turn_deg"), pl.col("pitch_deg")
        (turn_a, pitch_a), (turn_b, pitch_b) = self.first, self.last
        return (
            (pl.col("range_m") == self.range_m)
            & turn.is_between(turn_a, turn_b)
            & ((turn > turn_a) | (pitch >= pitch_a))
            & ((turn < turn_b) | (pitch <= pitch_b))
        )


def sorted_runs(parts: Iterable[pl.DataFrame], folder: Path) -> list[Path]:
    """Write rows to files of about `RUN_ROWS`, each sorted by view; return the files."""
    runs: list[Path] = []
    waiting: list[pl.DataFrame] = []

    def write() -> None:
        path = folder / f"{len(runs):06d}.parquet"
        rows = pl.concat(waiting).sort(VIEW)
        waiting.clear()
        rows.write_parquet(path, compression="lz4", row_group_size=GROUP_ROWS)
        runs.append(path)

    for part in parts:
        waiting.append(part)
        if sum(map(len, waiting)) >= RUN_ROWS:
            write()
    if waiting:
        write()
    return runs


def pieces_in(runs: list[Path]) -> list[Piece]:
    """Return how the rows of sorted runs are cut: by range, and within it after `PIECE_ROWS`.

    A view is never cut, and the same rows are cut alike however they came.
    """
    views = pl.scan_parquet(runs).group_by(VIEW).len("n").collect(engine="streaming").sort(VIEW)
    pieces: list[Piece] = []
    held = 0
    for range_m, turn_deg, pitch_deg, n in views.iter_rows():
        view = (turn_deg, pitch_deg)
        if pieces and pieces[-1].range_m == range_m and held + n <= PIECE_ROWS:
            pieces[-1] = Piece(range_m, pieces[-1].first, view)
            held += n
        else:
            pieces.append(Piece(range_m, view, view))
            held = n
    return pieces


def rows_of(piece: Piece, runs: list[Path]) -> pl.DataFrame:
    """Return a piece's rows, sorted by key and pipeline."""
    rows = pl.scan_parquet(runs).filter(piece.holds()).collect(engine="streaming")
    return rows.sort(ORDER)
