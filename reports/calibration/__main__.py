"""How often a calibration's claims cover the truth: `python -m reports.calibration [--count 200]`.

A row a calibration is kept as soon as it is there, so that a run that was stopped goes on.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from scipy import stats

from bench.cameras.intrinsics import SHAPE_NAMES
from bench.cameras.lenses import NAMES as NAMES_OF
from bench.files import write_atomically
from bench.geometry.lens_models import BROWN
from reports.calibration.coverage import COLUMNS, LENSES, ROWS, VIEWS, Judged, calibrated

HERE = Path(__file__).parent
COUNT, CHOSEN_COUNT = 200, 40
FULLEST, CHOSEN = "fullest model", "chosen model"
COVERED = 0.90  # asked for, at k = 2
PLACES = COLUMNS * ROWS
NAMES = (*NAMES_OF[BROWN], "k4", *SHAPE_NAMES)


def row_of(lens: str, model: str, seed: int, judged: Judged) -> dict[str, Any]:
    """Return a calibration as a row: errors over their uncertainties, and points covered."""
    over = dict(zip(judged.names, zip(judged.error, judged.uncertainty, strict=True), strict=True))
    row: dict[str, Any] = {"lens": lens, "model": model, "seed": seed}
    row["widening"] = round(judged.widening, 3)
    for name in NAMES:
        error, u = over.get(name, (0.0, 0.0))
        row[name] = round(float(error / u), 3) if u > 0.0 else None
    covered = np.abs(judged.missed_px) <= 2.0 * judged.claimed_px
    row["covered"] = "".join("01"[int(c)] for c in covered.ravel())
    row["largest_px"] = round(float(np.abs(judged.missed_px).max()), 3)
    return row


def rows_of(count: int, chosen: int, out: Path) -> pl.DataFrame:
    """Return rows of seeds from 0 on, of each lens; those that are kept aren't made again."""
    path = out / "coverage.csv"
    schema = {"covered": pl.String}
    rows = pl.read_csv(path, schema_overrides=schema).to_dicts() if path.exists() else []
    done = {(row["lens"], row["model"], row["seed"]) for row in rows}
    asked = [(lens, FULLEST, seed) for seed in range(count) for lens in LENSES]
    asked += [(BROWN, CHOSEN, seed) for seed in range(chosen)]
    for lens, model, seed in asked:
        if (lens, model, seed) in done:
            continue
        rows.append(row_of(lens, model, seed, calibrated(lens, seed, model == CHOSEN)))
        table = pl.DataFrame(rows, infer_schema_length=None).sort("lens", "model", "seed")
        write_atomically(path, table.write_csv().encode())
    return pl.DataFrame(rows, infer_schema_length=None).sort("lens", "model", "seed")


def shares(rows: pl.DataFrame) -> dict[str, float]:
    """Return the share of calibrations whose claims cover the truth at k = 2, of each number."""
    found = {}
    for name in NAMES:
        known = rows[name].cast(pl.Float64).drop_nulls().to_numpy()
        if len(known):
            found[name] = float(np.mean(np.abs(known) <= 2.0))
    covered = np.array([[int(c) for c in str(text)] for text in rows["covered"]])
    covered = covered.reshape(len(rows), 2, PLACES, 2)
    for i, where in enumerate(("boards' range", "far away")):
        by_place = covered[:, i].mean(axis=(0, 2))
        found[f"points, {where}"] = float(by_place.mean())
        found[f"the worst point, {where}"] = float(by_place.min())
    return found


def report(rows: pl.DataFrame) -> str:
    """Return the page."""
    groups = rows.partition_by("lens", "model", maintain_order=True)
    sets = {f"{own['lens'][0]}, {own['model'][0]}": own for own in groups}
    by_set = {name: shares(own) for name, own in sets.items()}
    names = list(dict.fromkeys(name for found in by_set.values() for name in found))
    short = [
        f"{number} of {name}"
        for name, found in by_set.items()
        for number, share in found.items()
        if share < COVERED
    ]
    n = max(map(len, sets.values()))
    chance = stats.binom.ppf(0.001, n, 0.95) / n
    lines = [
        "# What a calibration's claims cover",
        "",
        f"Rendered calibrations of {VIEWS} pictures each, all their own: poses, blur, motion,",
        "noise, and a bend of the board of every picture beside the one that all share, so that",
        "errors within a view aren't independent. Corners are found in the pictures; the fullest",
        "model is fitted, whose claims `sightbench intrinsics` makes, or the one that views left",
        "out choose.",
        "Share of calibrations within k = 2 of their claim:",
        "",
        "| of | " + " | ".join(f"{name} ({len(own)})" for name, own in sets.items()) + " |",
        "| --- |" + " --- |" * len(sets),
    ]
    for name in names:
        cells = [f"{100 * f[name]:.1f} %" if name in f else "-" for f in by_set.values()]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    wide = "; ".join(
        f"{np.median(own['widening'].to_numpy()):.1f} ({name})" for name, own in sets.items()
    )
    lines += [
        "",
        f"Asked for are {100 * COVERED:.0f} %: "
        + ("every number holds it." if not short else f"short of it are {'; '.join(short)}."),
        f"A claim that covers 95 % covers less than {100 * chance:.1f} % of {n} by chance once in "
        "1000.",
        "Views left out one at a time widened the claims by a median of",
        f"{wide}.",
        f"Points lie over the whole frame, to 5 % of its edges, {COLUMNS} by {ROWS}; their share",
        "counts both coordinates, each place alone being a number of its own.",
        "`python -m reports.calibration` makes it again; coverage.csv has all calibrations.",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    """Make what is missing and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=COUNT, help="by the fullest model, a lens")
    parser.add_argument("--chosen", type=int, default=CHOSEN_COUNT, help="by a chosen model")
    parser.add_argument("--out", type=Path, default=HERE)
    given = parser.parse_args()
    rows = rows_of(given.count, given.chosen, given.out)
    write_atomically(given.out / "README.md", report(rows).encode())


if __name__ == "__main__":
    main()
