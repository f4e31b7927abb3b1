"""The study's report: what was asked, what was found, in words and tables."""

from __future__ import annotations

import math
import shlex
import sys
from pathlib import Path

import polars as pl

from bench.provenance import host_facts, library_versions
from reports.photometric.cases import COMPONENTS
from reports.photometric.report_words import paragraph, plain, table
from reports.photometric.study import Study
from reports.photometric.tables import (
    BIAS_RISK,
    LEAST_EFFICIENCY,
    MOST_BIAS,
    MOST_MIRRORED,
    NEES_RISK,
)

TABLES = ("cells", "mirrored")


def write(study: Study, folder: Path) -> None:
    """Write the report and the tables behind it."""
    for name in TABLES:
        getattr(study, name).write_csv(folder / f"{name}.csv", float_precision=6)
    (folder / "README.md").write_text(text(study), encoding="utf-8")


def text(study: Study) -> str:
    """Return the report."""
    parts = (
        _introduction(study),
        _efficiency(study),
        _bias(study),
        _honesty(study),
        _mirrored(study),
        _cell_list(study),
        _provenance(study),
    )
    return "\n\n".join(parts) + "\n"


def _introduction(study: Study) -> str:
    return f"""# The photometric solver against its bound

A solver that explains every pixel can't be better than the Cramér-Rao bound of the picture. This
study measures how near to it `photometric` comes, whether it knows its own uncertainty, and how
often it takes the mirrored pose. What light, print, lens and dirt that it doesn't model do to it
is in [conditions](conditions.md), how long it takes in [throughput](../throughput/README.md).

Setting: a 36h11 marker of 0.2 m, 20 to 100 px across (30 to 6 m before a lens of 3000 px), turned
by 15 to 70 degrees to either side, rolled any way, at any place within a pixel, {study.n} pictures
a cell. Gaussian blur of 0.5 or 0.8 px. Noise of a mid-grey pixel 1.0 % of full scale (0.8 % on
black, 1.2 % on white), shot noise included, 8 bits; nothing saturates. The solver knows the
sensor's noise and nothing else: blur, exposure, offset and the light's gradient are fitted with
the pose, and unknown to the bound too. It starts where the AprilTag library, or else ArUco with
sub-pixel refinement, finds the marker's corners; where neither finds it, from true corners with
0.3 px of noise (column "made up" below): detection isn't judged here."""


def _efficiency(study: Study) -> str:
    rows = [
        (
            row["cell"],
            c,
            row[f"efficiency_{c}"],
            row[f"efficiency_{c}_lo"],
            row[f"efficiency_{c}_hi"],
        )
        for row in study.cells.iter_rows(named=True)
        for c in COMPONENTS
    ]
    short = [row for row in rows if row[2] < LEAST_EFFICIENCY]
    surely = [row for row in short if row[4] < LEAST_EFFICIENCY]
    middle = float(pl.Series([row[2] for row in rows]).median() or 0.0)  # type: ignore[arg-type]
    means = [float(study.cells[f"efficiency_{c}"].mean() or 0.0) for c in COMPONENTS]  # type: ignore[arg-type]
    least, most = min(means), max(means)
    width = 50.0 * float(pl.Series([row[4] - row[3] for row in rows]).median() or 0.0)  # type: ignore[arg-type]
    lowest = min(rows, key=lambda row: row[2])
    holding = sum(low < 1.0 < high for *_, low, high in rows)
    verdict = (
        paragraph(
            f"All {len(rows)} (six components in {len(study.cells)} cells) are at least "
            f"{LEAST_EFFICIENCY:g}; the lowest is {lowest[2]:.2f} "
            f"[{lowest[3]:.2f}, {lowest[4]:.2f}], {plain(lowest[1])} at {lowest[0]}."
        )
        if not short
        else f"Of {len(rows)} (six components in {len(study.cells)} cells) {len(short)} are below "
        f"{LEAST_EFFICIENCY:g}, {len(surely)} of them with their whole interval:\n\n"
        + table(
            ("cell", "component", "efficiency", "interval"),
            [(a, plain(b), f"{e:.2f}", f"{lo:.2f} to {hi:.2f}") for a, b, e, lo, hi in short],
        )
    )
    return f"""## Does it reach the bound?

Asked: efficiency, √(mean of the cases' bound variances) / RMS error, at least {LEAST_EFFICIENCY:g}
for each component. Cases on the mirrored side are counted apart, below.

{verdict}

{
        paragraph(
            f"The median is {middle:.3f}; by component, means over cells are {least:.3f} to "
            f"{most:.3f}. Half of the 95 % intervals are wider than "
            f"±{width:.0f} %, and {holding} of {len(rows)} hold 1. Solver and bound take the same "
            "pixels: those further inside the plate's edge than the blur reaches, the one by the "
            "blur that it finds, to 5 %, the other by the true one."
        )
    }

![Efficiency against marker size](efficiency.png)"""


def _bias(study: Study) -> str:
    count = len(study.cells) * len(COMPONENTS)
    failed = [
        (row["cell"], plain(c), f"{row[f'bias_{c}_sd']:+.3f}", f"{row[f'bias_{c}_p']:.3f}")
        for row in study.cells.iter_rows(named=True)
        for c in COMPONENTS
        if row[f"bias_{c}_p"] > BIAS_RISK
    ]
    largest = max(
        abs(row[f"bias_{c}_sd"]) for row in study.cells.iter_rows(named=True) for c in COMPONENTS
    )
    verdict = (
        f"All {count} pass; the largest estimate is {largest:.3f} standard deviations."
        if not failed
        else f"{count - len(failed)} of {count} pass; the largest estimate is {largest:.3f} "
        "standard deviations. Not shown to be within the margin:\n\n"
        + table(("cell", "component", "bias, sd", "p"), failed)
    )
    return f"""## Is it biased?

Asked: bias within {MOST_BIAS:g} standard deviations, shown by two one-sided tests at
{100 * BIAS_RISK:g} % each (Schuirmann 1987). Errors are split along the lean of the target, so
that what pulls it upright doesn't cancel between targets turned left and right.

{verdict}"""


def _honesty(study: Study) -> str:
    cells = study.cells
    count = cells["n_solved"] - cells["n_mirrored"]
    pooled = float((cells["nees"] * count).sum()) / float(count.sum())
    narrow = cells.filter(pl.col("nees_p_holm") < NEES_RISK)
    verdict = (
        "After Holm's correction no cell's claims are too narrow."
        if narrow.is_empty()
        else f"After Holm's correction claims of {len(narrow)} of {len(cells)} cells are too "
        "narrow: " + ", ".join(f"{r['cell']} ({r['nees']:.2f})" for r in narrow.to_dicts()) + "."
    )
    least = cells.sort("nees").row(0, named=True)
    share = 100.0 * float(cells["chi_square_rejected"].mean() or 0.0)  # type: ignore[arg-type]
    return f"""## Does it know its own uncertainty?

Asked: the squared error, normalised by the covariance that the solver claims, is in the mean no
more than six, its degrees of freedom, tested cell by cell, corrected by Holm at
{100 * NEES_RISK:g} %. Less is right: a claim covers spread ink and other shapes of blur where a
picture can't rule them out, and these pictures have neither.

{
        paragraph(
            f"Pooled over {int(count.sum())} cases its mean is {pooled:.2f}: claims are "
            f"{100 * _wider(pooled):.1f} % wider than errors are, at most "
            f"{100 * _wider(least['nees']):.1f} % ({least['cell']}). {verdict}"
        )
    }

Goodness of fit: χ² of the residuals is beyond its 99 % point in {share:.2f} % of cases (1 % is
right where the model is right).

![Honesty of covariances, and mirrored poses](calibration.png)"""


def _wider(squared: float) -> float:
    """Return by what share claims are wider than errors, from their mean squared ratio."""
    return math.sqrt(len(COMPONENTS) / squared) - 1.0


def _mirrored(study: Study) -> str:
    over = study.cells.filter(pl.col("mirrored_lo") > MOST_MIRRORED * pl.col("mirrored_predicted"))
    told = study.cells.filter((pl.col("mirrored_predicted") > 1e-4) | (pl.col("n_mirrored") > 0))
    lines = [
        (
            row["cell"],
            f"{row['n_mirrored']} of {row['n_solved']}",
            f"{100 * row['mirrored']:.2f} [{100 * row['mirrored_lo']:.2f}, "
            f"{100 * row['mirrored_hi']:.2f}]",
            f"{100 * row['mirrored_predicted']:.2f}",
            row["n_ambiguous"],
        )
        for row in told.iter_rows(named=True)
    ]
    total = int(study.cells["n_mirrored"].sum())
    expected = float((study.cells["mirrored_predicted"] * study.cells["n_solved"]).sum())
    large = study.cells.filter(pl.col("size_px") >= 33.0)
    verdict = (
        f"No cell's interval lies above {MOST_MIRRORED:g} times the prediction."
        if over.is_empty()
        else f"Above {MOST_MIRRORED:g} times the prediction with their whole interval: "
        + ", ".join(over["cell"])
        + "."
    )
    return f"""## How often does it take the mirrored pose?

Asked: no more often than {MOST_MIRRORED:g} × Q(d/2), with d the distance from the true picture to
the nearest that the mirrored branch can give, in standard deviations of the noise; Q(d/2) is what
the best test errs. All cases count by which pose fitted better, whether the solver called the case
ambiguous (odds under 19 to 1) or not.

{
        paragraph(
            f"In all {total} poses were mirrored where {expected:.1f} were predicted. {verdict}",
            f"Of {int(large['n_solved'].sum())} poses of markers of 33 px and more",
            f"{int(large['n_mirrored'].sum())} were. Cells where either is more than nothing:",
        )
    }

{table(("cell", "mirrored", "%, 95 % interval", "predicted, %", "called ambiguous"), lines)}

The map sets pipelines that use corners beside it, over range and tilt at a blur of 0.6 px
({study.few} pictures a cell, where the detector finds the marker). For them d is that of the four
corners, with the noise that their residuals show. Residuals of the AprilTag library's corners
also hold a fixed part, alike in every picture, that favours neither pose: so from 18 to 30 m its
poses are mirrored less often than predicted.

![How often the mirrored pose wins](ambiguity_map.png)"""


def _cell_list(study: Study) -> str:
    lines = []
    for row in study.cells.iter_rows(named=True):
        worst = min(COMPONENTS, key=lambda c: row[f"efficiency_{c}"])
        lines.append(
            (
                row["cell"],
                f"{row['n_solved']} ({row['n_synthetic']})",
                f"{row['bound_tilt_deg']:.4f}",
                f"{row['bound_along_mm']:.2f}",
                f"{row['efficiency_tilt_deg']:.2f}",
                f"{row['efficiency_along_mm']:.2f}",
                f"{row[f'efficiency_{worst}']:.2f} {plain(worst)}",
                f"{row['nees']:.2f}",
            )
        )
    return f"""## Cell by cell

`cells.csv` has every number with its interval. Solved cases, with those of made-up corners in
brackets; bounds are √(mean variance).

{
        table(
            (
                "marker / tilt / blur",
                "solved (made up)",
                "bound on tilt, deg",
                "on range, mm",
                "efficiency: tilt",
                "range",
                "lowest of six",
                "normalised squared error",
            ),
            lines,
        )
    }"""


def _provenance(study: Study) -> str:
    host = host_facts()
    libraries = ", ".join(f"{name} {number}" for name, number in library_versions())
    return f"""## Make it again

```sh
{shlex.join(["python", "-m", "reports.photometric", *sys.argv[1:]])}
```

Seed {study.seed}; started {study.started}. {host["processor"]}, {host["cores"]} cores,
Python {host["python"]}; {libraries}. All numbers but times depend on the seed alone.

Columns of `cells.csv`: `efficiency_*`, `bias_*_sd` (estimate), `bias_*_p` (larger p-value of the
two tests), `bound_*` and `rms_*` (units in the name), `nees`, `nees_p`, `nees_p_holm`,
`mirrored` with its Wilson interval and `mirrored_predicted`, `chi_square_rejected` (share beyond
the 99 % point), `solve_ms` (median while other cases ran beside it). Components: *pitch* about
the target's own x, *tilt* toward more lean, *spin* about its normal; *across* along its x as the
picture shows it, toward the half that leans away, *axis* along its y, *along* the line of
sight."""
