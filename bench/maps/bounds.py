"""Maps of the Cramér-Rao bound on a pose, and of each pipeline's efficiency against it."""

from __future__ import annotations

import polars as pl
from matplotlib.figure import Figure

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.draw.heat_maps import HeatMap, heat_map_figure
from bench.draw.map_info import MapInfo
from bench.survey.parts import is_built

BOUND = "Cramér-Rao bound"
NOT_NEAR_FACE_ON = (
    "Near face-on the bound doesn't hold: it speaks of small errors, but a turn or pitch there "
    "changes the picture so little that estimates spread over all tilts that look alike, which "
    "are fewer than it allows for. Such cells have less than 95 % of their cases tilted by two "
    "bounds or more; an RMS may lie below the bound there."
)
MODEL = (
    "These pictures obey the model that a photometric solver fits: a flat target, a Gaussian "
    "blur, a known lens. What real ones do beyond it adds to the error."
)
BAY_ALLOWS = (
    "What the bay allows: all pixels' bound, and to first order what its camera, print, plate "
    "and ink are off by."
)
_ALL_PIXELS = "all pixels of the target's face"
_ALLOWED = "what this bay allows"
_BOUND_COLUMN = "bound"


def bound_figure(grid: CellGrid, info: MapInfo) -> Figure | None:
    """Draw the bounds on the whole rotation: of all pixels, and of each detector's points.

    None where no cell has one.
    """
    table = _bounds_by_source(grid.cells)
    if table.is_empty():
        return None
    bounds = CellGrid.of(table)
    fails = bool((~grid.cells["bound_holds"].fill_null(True)).any())
    shown = HeatMap(
        column=_BOUND_COLUMN,
        title="The best that could be done: bound on the rotation error",
        subtitle=f"{BOUND}, root mean square over a cell's pictures, degrees",
        bar_label="bound (deg)",
        caption=info.caption(
            "No unbiased estimator that uses these data has a smaller RMS. All pixels: blur, "
            "exposure, offset and a gradient of the light are unknown. Points: independent "
            "Gaussian noise as the detector claims it.",
            BAY_ALLOWS if is_built(grid.cells) else "",
            f"Hatched: {NOT_NEAR_FACE_ON}" if fails else "",
            axles=True,
        ),
        norm=style.error_norm(bounds.values(_BOUND_COLUMN)),
        cmap=style.ERROR_MAP,
        words=lambda value: (style.number(value), style.number(value, digits=1)),
        empty="no bound, or near face-on, where it doesn't hold",
        level=info.request.within_deg,
        level_name="tolerance",
        level_label=f"{info.request.within_deg:g} deg",
    )
    return heat_map_figure(bounds, shown, info)


def efficiency_figure(grid: CellGrid, info: MapInfo) -> Figure | None:
    """Draw each pipeline's efficiency, bound over RMS of the whole rotation.

    None where no cell has one.
    """
    held = grid.cells.with_columns(
        efficiency=pl.when(pl.col("bound_holds")).then(pl.col("efficiency_rot"))
    )
    if held["efficiency"].null_count() == len(held):
        return None
    built = is_built(grid.cells)
    best = "what this bay allows" if built else f"{BOUND} of all pixels"
    shown = HeatMap(
        column="efficiency",
        title=f"How near the pipelines come to {'what the bay allows' if built else 'the bound'}",
        subtitle=f"efficiency: {best} over RMS rotation error, %",
        bar_label="efficiency (%)",
        caption=info.caption(
            f"100 % is the best possible: there the {'bay' if built else 'geometry'} is the "
            "limit, not the algorithm. "
            "Values above it are chance, or cases that hardly tilt. Usable cases only.",
            BAY_ALLOWS if built else MODEL,
            NOT_NEAR_FACE_ON,
            axles=True,
        ),
        norm=style.rate_norm(),
        cmap=style.RATE_MAP,
        words=lambda value: (f"{100.0 * value:.2g}" if value < 0.1 else f"{100.0 * value:.0f}",),
        empty="no usable case, or near face-on, where the bound doesn't hold",
        bar_unit=100.0,
    )
    return heat_map_figure(CellGrid.of(held), shown, info)


def _bounds_by_source(cells: pl.DataFrame) -> pl.DataFrame:
    """Return cells with the source of the bound in place of the pipeline."""
    first = cells["pipeline"][0]
    holds = pl.col("bound_holds").fill_null(True)
    pixels = cells.filter(pl.col("pipeline") == first).with_columns(
        pl.lit(_ALL_PIXELS).alias("pipeline"),
        pl.when(holds).then(pl.col("bound_rot_deg")).alias(_BOUND_COLUMN),
    )
    detector = pl.col("pipeline").str.split("/").list.first()
    points = (
        cells.with_columns(detector=detector)
        .unique(
            ["detector", "range_m", "turn_deg", "pitch_deg"], keep="first", maintain_order=True
        )
        .with_columns(
            pl.format("points that {} finds", "detector").alias("pipeline"),
            # face-on the points' own bound fails, by the same rule, with their larger bound
            pl.when(pl.col("tilt_deg") >= 2.0 * pl.col("corner_bound_rot_deg"))
            .then(pl.col("corner_bound_rot_deg"))
            .alias(_BOUND_COLUMN),
        )
        .drop("detector")
    )
    tables = [pixels, points]
    if is_built(cells):
        allowed = pl.when(holds).then(pl.col("allowed_rot_deg")).alias(_BOUND_COLUMN)
        tables.insert(1, pixels.with_columns(pl.lit(_ALLOWED).alias("pipeline"), allowed))
    table = pl.concat(tables)
    known = table.filter(pl.col(_BOUND_COLUMN).is_not_null())["pipeline"].unique()
    return table.filter(pl.col("pipeline").is_in(known.to_list()))
