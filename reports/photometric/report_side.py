"""The report's sections beside the main question: mirrored poses, time, wrong models."""

from __future__ import annotations

import polars as pl

from reports.photometric.mismatch import MISMATCHES
from reports.photometric.report_words import paragraph, table
from reports.photometric.study import Study
from reports.photometric.tables import MOST_MIRRORED


def mirrored_section(study: Study) -> str:
    """Say how often the mirrored pose was taken."""
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


def time_section(study: Study) -> str:
    """Say how long solving takes."""
    lines = [
        (
            f"{row['size_px']:g}",
            f"{row['plate_pixels']:.0f}",
            f"{row['both_ms']:.1f}",
            f"{row['both_p95_ms']:.1f}",
            f"{row['solve_ms']:.1f}",
        )
        for row in time_table(study).iter_rows(named=True)
    ]
    return f"""## How long does it take?

Asked: a median of 15 ms at most for a plate of 100 × 100 px (a marker of 80 px), on one core,
both branches included. One process of one thread, {study.few} pictures each, tilt 30 degrees:

{
        table(
            (
                "marker, px",
                "pixels around the plate",
                "median, ms",
                "95 % under, ms",
                "median as it comes, ms",
            ),
            lines,
        )
    }

"As it comes": where the corners exclude the other branch beyond doubt, it isn't fitted."""


def time_table(study: Study) -> pl.DataFrame:
    """Return one row a marker size: medians, and the 95th percentile, of solving times."""
    return study.times.group_by("size_px", maintain_order=True).agg(
        pl.len().alias("n"),
        pl.col("plate_pixels").median(),
        pl.col("both_ms").quantile(0.95).alias("both_p95_ms"),
        pl.col("both_ms", "solve_ms").median(),
    )


def mismatch_section(study: Study) -> str:
    """Say what a wrong model does."""
    lines = []
    for kind in MISMATCHES:
        for row in study.mismatch.filter(pl.col("mismatch") == kind.name).iter_rows(named=True):
            lines.append(
                (
                    kind.words,
                    row["cell"],
                    f"{row['bias_tilt_deg']:+.3f} ({row['bias_tilt_deg_sd']:+.1f})",
                    f"{row['rms_tilt_deg_sd']:.1f}",
                    f"{row['bias_along_mm']:+.2f} ({row['bias_along_mm_sd']:+.1f})",
                    f"{row['nees']:.3g}",
                    f"{100 * row['noticed']:.0f}",
                )
            )
    return f"""## Where the model is wrong on purpose

{study.few} pictures a cell, blur 0.6 px. Biases in units, and in brackets in standard deviations
that noise alone would give. "Noticed" is the share of cases in which χ² is beyond its 99 % point;
the normalised squared error is six where the claimed covariance covers the error.

{
        table(
            (
                "what is wrong",
                "cell",
                "tilt bias, deg (sd)",
                "tilt RMS, sd",
                "range bias, mm (sd)",
                "normalised squared error",
                "noticed, %",
            ),
            lines,
        )
    }

- **Blur 20 % off and held fixed** shifts the range; tilt follows where foreshortening makes
  details as small as the blur. χ² notices at once. Fitting the blur, as the solver does,
  costs nothing that can be seen ("blur held at its true value").
- **An unknown lens** bends the picture alike over so small a target, so that the pose takes it
  up and χ² has little to notice: it can't stand in for a calibration. The target is seen 780 px
  off the axis there; the position across the line of sight is off by what the lens shifts.
- **Light that no plane fits** pulls range, and tilt where it is steep. Where χ² fails the solver
  claims how far the pose moves without any one line of the drawing; what pulls all lines alike,
  range above all, that can't show.

![Bias where the model is wrong](mismatch.png)"""
