"""A contact sheet: pictures by range and tilt, each with its pipelines' outcomes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from matplotlib.figure import Figure

from bench.draw import style
from bench.draw.cell_grid import choose
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import LINE, POINT, Box, Page, snap, wrap
from bench.imaging.picture import Picture
from bench.survey.pieces import Cases, pieces_of
from bench.typing import Array

MOST_COLUMNS, MOST_ROWS = 5, 7
GAP = 0.12


@dataclass(frozen=True, eq=False)
class Shot:
    """One picture of the sheet.

    Attributes
    ----------
    range_m, turn_deg, pitch_deg : float
        Nominal view.
    size_px : float
        Face-on size of the pattern.
    picture : Picture
        What the camera saw.
    outcomes : mapping of str to str
        Outcome of each pipeline, as the cases table has it.
    """

    range_m: float
    turn_deg: float
    pitch_deg: float
    size_px: float
    picture: Picture
    outcomes: Mapping[str, str]


def contact_shots(
    cases: Cases, cells: pl.DataFrame, picture_of: Callable[[dict[str, Any]], Picture]
) -> list[Shot]:
    """Choose cells spread over the grid and take the first picture of each.

    Parameters
    ----------
    cases : Cases
    cells : polars.DataFrame
        Columns as in `bench.survey.columns`.
    picture_of : callable
        Returns the picture of a case, given a row of `cases`.

    Returns
    -------
    list of Shot
        At most five ranges by seven views.
    """
    ranges = choose(cells["range_m"].unique().sort().to_list(), MOST_COLUMNS)
    views = cells.select("turn_deg", "pitch_deg").unique().sort("pitch_deg", "turn_deg").rows()
    views = [views[int(i)] for i in choose(range(len(views)), MOST_ROWS)]
    shots = []
    for range_m in ranges:
        first = _first_pictures(cases, range_m)
        for turn_deg, pitch_deg in views:
            rows = first.filter(pl.col("turn_deg") == turn_deg, pl.col("pitch_deg") == pitch_deg)
            row = rows.row(0, named=True)
            outcomes = dict(zip(rows["pipeline"], rows["outcome"], strict=True))
            shots.append(
                Shot(range_m, turn_deg, pitch_deg, row["size_px"], picture_of(row), outcomes)
            )
    return shots


def _first_pictures(cases: Cases, range_m: float) -> pl.DataFrame:
    """Return the rows of the first picture of each view of a range, by pipeline."""
    view = ["turn_deg", "pitch_deg"]
    needed = ["key", "pipeline", "range_m", *view, "position", "trial", "size_px", "outcome"]
    found = []
    for piece in pieces_of(cases, range_m):
        first = pl.col("key").sort_by("trial", "key").first().over(view)
        rows = piece.select(needed).filter(pl.col("key") == first).collect()
        found.append(rows.sort("pipeline"))
    return pl.concat(found)


def write_contact_sheet(out_dir: Path, shots: Sequence[Shot], info: MapInfo) -> Path:
    """Draw the contact sheet and write it as ``contact_sheet.png``.

    Raises
    ------
    RunError
        The picture can't be written.
    """
    with style.applied():
        return style.save(contact_figure(shots, info), out_dir / "contact_sheet.png")


def contact_figure(shots: Sequence[Shot], info: MapInfo) -> Figure:
    """Draw a contact sheet: a column a range, a row a view, face-on lowest."""
    ranges = sorted({s.range_m for s in shots})
    views = sorted({(s.pitch_deg, s.turn_deg) for s in shots}, reverse=True)
    pipelines = list(dict.fromkeys(name for s in shots for name in s.outcomes))
    left = 0.72
    slot = min((style.WIDTH - 0.3 - left - (len(ranges) - 1) * GAP) / len(ranges), 2.6)
    scale = {r: zoom([s.picture for s in shots if s.range_m == r], slot) for r in ranges}
    words = {id(s): wrap(outcome_words(s, pipelines), slot, style.SMALL) for s in shots}
    heights = [
        max(
            s.picture.grey.shape[0] * scale[s.range_m] / style.DPI
            + len(words[id(s)]) * style.SMALL * LINE * POINT
            for s in shots
            if (s.pitch_deg, s.turn_deg) == view
        )
        for view in views
    ]
    numbered = ", ".join(f"{i + 1} {name}" for i, name in enumerate(pipelines))
    page = Page(
        "What the camera saw",
        f"first picture of each cell; below it how it ended. Pipelines: {numbered}",
        info.caption(
            "Grey values run from black at 0 to white at the sensor's full scale everywhere. × 2 "
            "shows each pixel as 2 x 2 dots; × 1/2 averages 2 x 2 pixels to a dot. Sizes are of "
            "the pattern face-on."
        ),
        0.45 + sum(heights) + GAP * len(views),
    )
    for column, range_m in enumerate(ranges):
        x = left + column * (slot + GAP)
        size = next(s.size_px for s in shots if s.range_m == range_m)
        page.text(x, 0.17, f"{range_m:g} m", fontweight="bold")
        page.text(x, 0.34, f"{size:.0f} px, × {scale[range_m]}", fontsize=style.SMALL)
    top = 0.45
    for view, height in zip(views, heights, strict=True):
        _label_row(page, top, *view)
        for shot in shots:
            if (shot.pitch_deg, shot.turn_deg) == view:
                x = left + ranges.index(shot.range_m) * (slot + GAP)
                bottom = show_picture(page, x, top, shot.picture, scale[shot.range_m])
                for i, line in enumerate(words[id(shot)]):
                    y = bottom + (i + 1) * style.SMALL * LINE * POINT
                    page.text(x, y, line, fontsize=style.SMALL)
        top += height + GAP
    return page.figure


def _label_row(page: Page, top: float, pitch_deg: float, turn_deg: float) -> None:
    lines = [f"{style.plain(turn_deg)} deg"]
    if pitch_deg:
        lines.append(f"pitch {style.plain(pitch_deg)}")
    for i, text in enumerate(["turn" if pitch_deg or turn_deg < 0 else "tilt", *lines]):
        page.text(0.0, top + (i + 1) * style.SMALL * LINE * POINT, text, fontsize=style.SMALL)


def zoom(pictures: Sequence[Picture], slot: float) -> Fraction:
    """Return the magnification, n or 1/n, at which all pictures fit a slot `slot` inches wide."""
    room = int(slot * style.DPI)
    largest = max(max(p.grey.shape) for p in pictures)
    return Fraction(room // largest) if largest <= room else Fraction(1, -(-largest // room))


def magnified(picture: Picture, scale: Fraction) -> Array:
    """Return grey values as parts of full scale, each pixel repeated or blocks averaged."""
    grey = picture.grey.astype(np.float64) / picture.full_scale
    if scale >= 1:
        return grey.repeat(int(scale), axis=0).repeat(int(scale), axis=1)
    n = scale.denominator
    # a block that the edge cuts repeats the edge's pixels
    grey = np.pad(grey, [(0, -s % n) for s in grey.shape], mode="edge")
    h, w = grey.shape
    averaged: Array = grey.reshape(h // n, n, w // n, n).mean(axis=(1, 3))
    return averaged


def show_picture(page: Page, left: float, top: float, picture: Picture, scale: Fraction) -> float:
    """Show a picture dot for dot; return how far down the body it reaches, inches."""
    dots = magnified(picture, scale)
    height, width = float(dots.shape[0]) / style.DPI, float(dots.shape[1]) / style.DPI
    axes = page.axes(Box(left, top, width, height))
    snap(axes, dots.shape)
    axes.imshow(
        dots,
        cmap="gray",
        vmin=0.0,
        vmax=1.0,
        interpolation="nearest",
        aspect="auto",
        resample=False,
    )
    axes.set_axis_off()
    return top + height


def outcome_words(shot: Shot, pipelines: Sequence[str]) -> str:
    """Say how a picture ended for each pipeline, by its number: "1, 3 ok; 2 mirrored"."""
    by_outcome: dict[str, list[int]] = {}
    for i, name in enumerate(pipelines):
        if name in shot.outcomes:
            by_outcome.setdefault(shot.outcomes[name].replace("_", " "), []).append(i + 1)
    if len(by_outcome) == 1:
        return ("all " if len(pipelines) > 1 else "") + next(iter(by_outcome))
    return "; ".join(f"{', '.join(map(str, who))} {how}" for how, who in by_outcome.items())
