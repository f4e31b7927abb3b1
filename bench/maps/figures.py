"""All pictures of a survey, written into its directory."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.draw.heat_maps import HeatMap, heat_map_figure
from bench.draw.map_info import MapInfo
from bench.maps.bounds import bound_figure, efficiency_figure
from bench.maps.comparison import reach_figure
from bench.maps.curves import error_against_range, error_against_tilt
from bench.maps.failures import failure_figure
from bench.maps.parts import parts_figure
from bench.survey.cells import CELL
from bench.survey.limits import Limits

OK_ONLY = (
    "Cases that ended in a gross failure are not averaged in; the maps of the usable "
    "rate and of gross failures count them, and verdicts count them as misses."
)
NEAR_FACE_ON = (
    "Near tilt 0 the two poses of the planar two-fold ambiguity merge, and a turn or pitch "
    "hardly changes the picture."
)
UNDECIDED = (
    "A number followed by ? is of an undecided cell: more pictures may show that it holds. The "
    "outline follows verdicts, not the contour of the number."
)


def write_map_figures(
    out_dir: Path, cells: pl.DataFrame, limits: Limits, info: MapInfo
) -> list[Path]:
    """Draw and write every picture of a survey for which its tables suffice.

    Parameters
    ----------
    out_dir : Path
        Directory to write to.
    cells : polars.DataFrame
        Columns as in `bench.survey.columns`.
    limits : Limits
        What the survey says about `info.request`.
    info : MapInfo
        Of the survey.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    RunError
        A picture can't be written.
    """
    verdicts = limits.cells.select(*CELL, "success_rate", "verdict")
    grid = CellGrid.of(cells.join(verdicts, on=CELL, how="left", maintain_order="left"))
    with style.applied():
        figures = {
            "map_rotation.png": heat_map_figure(grid, rotation_map(grid, info), info),
            "map_success.png": heat_map_figure(grid, success_map(info), info),
            "map_along.png": heat_map_figure(grid, along_map(grid, info), info),
            "map_usable.png": heat_map_figure(grid, usable_map(info), info),
            "map_failures.png": failure_figure(grid, info),
            "error_against_range.png": error_against_range(grid, info),
            "error_against_tilt.png": error_against_tilt(grid, info),
            "map_bound.png": bound_figure(grid, info),
            "map_efficiency.png": efficiency_figure(grid, info),
            "error_parts.png": parts_figure(grid, info),
            "comparison_reach.png": reach_figure(grid, info),
        }
        return [
            style.save(figure, out_dir / name)
            for name, figure in figures.items()
            if figure is not None
        ]


def rotation_map(grid: CellGrid, info: MapInfo) -> HeatMap:
    """Return the map of the rotation error, cells that hold outlined."""
    column = f"{info.statistic}_rot_deg"
    face_on = bool((grid.cells["tilt_deg"] < 5.0).any())
    return HeatMap(
        column=column,
        title="Rotation error against range and tilt",
        subtitle=f"{info.error_words} over usable cases, degrees",
        bar_label="95th percentile (deg)",
        caption=info.caption(NEAR_FACE_ON if face_on else "", OK_ONLY, UNDECIDED, axles=True),
        norm=style.error_norm(grid.values(column)),
        cmap=style.ERROR_MAP,
        words=_number_words,
        empty="no usable case",
        level=info.request.within_deg,
        level_name="tolerance",
        level_label=f"{info.request.within_deg:g} deg",
        verdict="verdict",
        holds_label=_holds_label(info),
    )


def along_map(grid: CellGrid, info: MapInfo) -> HeatMap:
    """Return the map of the translation error along the line of sight."""
    return HeatMap(
        column="rms_along_mm",
        title="Position error along the line of sight",
        subtitle="RMS over usable cases, millimetres; bias included",
        bar_label="RMS (mm)",
        caption=info.caption(OK_ONLY, axles=True),
        norm=style.error_norm(grid.values("rms_along_mm")),
        cmap=style.ERROR_MAP,
        words=_number_words,
        empty="no usable case",
    )


def _holds_label(info: MapInfo) -> str:
    return f"outlined and bold: {info.criteria_words}, at {info.confidence_words}"


def success_map(info: MapInfo) -> HeatMap:
    """Return the map of the judged rate: of pictures usable and within tolerance."""
    shown = _rate_map(
        "success_rate",
        "Usable and within tolerance, against range and tilt",
        f"share of all pictures usable and within {info.request.within_deg:g} deg (%)",
        "success rate (%)",
        info.caption(
            "A gross failure is a miss, as an error beyond the tolerance is.",
            UNDECIDED,
            axles=True,
        ),
    )
    return replace(
        shown,
        level=info.request.success,
        level_name="asked",
        level_label=f"{100 * info.request.success:g} %",
        verdict="verdict",
        holds_label=_holds_label(info),
    )


def usable_map(info: MapInfo) -> HeatMap:
    """Return the map of the rate of usable cases, whatever their error."""
    return _rate_map(
        "usable_rate",
        "Usable rate against range and tilt",
        "share of cases that ended ok: found, explained, not ambiguous, not mirrored (%)",
        "usable rate (%)",
        info.caption("The map of gross failures says how the others failed.", axles=True),
    )


def _rate_map(column: str, title: str, subtitle: str, bar_label: str, caption: str) -> HeatMap:
    """Return a map of a share of cases, written in per cent."""
    return HeatMap(
        column=column,
        title=title,
        subtitle=subtitle,
        bar_label=bar_label,
        caption=caption,
        norm=style.rate_norm(),
        cmap=style.RATE_MAP,
        words=lambda rate: (style.percent(rate),),
        empty="no case",
        bar_unit=100.0,
    )


def _number_words(value: float) -> tuple[str, ...]:
    """Return the ways to write an error: two significant digits; for a small one also one.

    Where room is tight, the zero before the point is left out.
    """
    digits = (2, 1) if value < 0.01 else (2,)
    ways = [style.number(value, digits=n) for n in digits]
    return tuple(way for full in ways for way in dict.fromkeys((full, full.removeprefix("0"))))
