"""Three parts of a map's errors as built, and what limits each pipeline."""

from __future__ import annotations

import polars as pl

from bench.survey.plan import number

# What an error's square is made of, in the order that they are told.
NOISE, BAY, ALGORITHM = "noise", "the bay", "the algorithm"
CAUSES = (NOISE, BAY, ALGORITHM)


def is_built(cells: pl.DataFrame) -> bool:
    """Tell whether a table of cells is of bays as built."""
    return cells["rms_common_rot_deg"].null_count() < len(cells)


def limiting(cells: pl.DataFrame) -> pl.DataFrame:
    """Return cells as built with ``limited_by``, one of `CAUSES`; null without error or bound.

    The squared RMS is the bound's, what the bay adds to it, and the rest, which is the
    algorithm's; the largest of them limits.
    """
    noise = pl.col("bound_rot_deg") ** 2
    bay = pl.col("allowed_rot_deg") ** 2 - noise
    rest = pl.col("rms_rot_deg") ** 2 - noise - bay
    largest = pl.max_horizontal(noise, bay, rest)
    return cells.with_columns(
        pl.when(noise.is_null() | rest.is_null() | ~pl.col("bound_holds"))
        .then(None)
        .when(rest == largest)
        .then(pl.lit(ALGORITHM))
        .when(bay == largest)
        .then(pl.lit(BAY))
        .otherwise(pl.lit(NOISE))
        .alias("limited_by")
    )


def parts_words(cells: pl.DataFrame) -> list[str]:
    """Say what of the errors is common to a tower, what limits each pipeline, and where next.

    Nothing where all is as drawn.
    """
    found = cells.filter(pl.col("rms_picture_rot_deg").is_not_null() & (pl.col("n_ok") > 0))
    if found.is_empty():
        return []
    best = found.sort("rms_rot_deg", "range_m", "pipeline").row(0, named=True)
    parts = {p: best[f"rms_{p}_rot_deg"] for p in ("common", "own", "picture")}
    lines = [
        f"Of {best['pipeline']}'s {best['rms_rot_deg']:.2g} deg at {number(best['range_m'])} m, "
        f"tilt {number(round(best['tilt_deg'], 1))} deg, {parts['common']:.2g} deg turns all "
        "that the tower's camera sees and registration absorbs it, "
        f"{parts['own']:.2g} deg is the plate's own, {parts['picture']:.2g} deg the picture's "
        "(root mean squares). 'sightbench budget' follows them into toe and camber."
    ]
    told = limiting(cells)
    for pipeline in cells["pipeline"].unique().sort().to_list():
        mine = told.filter(pl.col("pipeline") == pipeline)["limited_by"].drop_nulls()
        counts = {cause: int((mine == cause).sum()) for cause in CAUSES}
        if len(mine):
            said = ", ".join(f"{cause} in {n}" for cause, n in counts.items() if n)
            lines.append(f"What limits {pipeline}, by cells: {said}{_advice(counts)}.")
    return lines


def _advice(counts: dict[str, int]) -> str:
    most = max(CAUSES, key=lambda cause: counts[cause])
    if counts[most] * 2 <= sum(counts.values()):
        return ""
    return {
        NOISE: "; more light or a larger target helps",
        BAY: "; a better calibration, print or plate helps, another algorithm doesn't",
        ALGORITHM: "; another pipeline helps before another bay does",
    }[most]
