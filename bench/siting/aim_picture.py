"""A tower's picture as it should look: every plate to scale, to hold against the live view."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.patheffects import withStroke

from bench.draw import style
from bench.draw.page_layout import MARGIN, NO_BREAK, Box, Page, shorten
from bench.draw.prints import save_print
from bench.geometry.camera import Camera
from bench.scene.model import Tower
from bench.scene.wheel_ids import marker_id
from bench.sighting.prediction import COVERAGE
from bench.sighting.sighting import Sighting
from bench.siting.aim import Aim, failures_of
from bench.siting.constraints import Constraint
from bench.units import format_length

ROW = 0.19  # inches, of the table
ROOM = 0.45  # inches around the picture for its percents
TAG = (0.19, 0.1)  # inches, half size of a plate's number
REACHES = (1.4, 3.0, 4.6, 6.5, 9.0, 12.0)  # of numbers from their plate, in half sizes
WAYS = tuple(np.array([math.cos(a), -math.sin(a)]) for a in np.radians(np.arange(0, 360, 30)))
COLUMNS = (
    ("", 0.0),
    ("target", 0.35),
    ("across, down", 3.4),
    ("size", 4.65),
    ("range", 5.28),
    ("turn, pitch", 5.95),
    ("margin", 6.9),
    ("visible", 7.5),
    ("uncertainty", 8.1),
)


def write_aim_pictures(directory: Path, aim: Aim, note: str = "") -> list[Path]:
    """Draw each judged tower's picture as ``aim-TOWER`` in PNG, SVG and PDF; return the files.

    Raises
    ------
    RunError
        A file can't be written.
    """
    written: list[Path] = []
    for tower in aim.towers:
        with style.applied():
            figure = aim_figure(aim, tower, note)
        stem = "".join(c if c.isalnum() else "-" for c in tower.name.lower())
        written += save_print(figure, directory, f"aim-{stem}")
    return written


def aim_figure(aim: Aim, tower: Tower, note: str = "") -> Figure:
    """Draw one tower's picture: frame, percents, plates, and a table of them.

    Parameters
    ----------
    aim : Aim
        What was judged.
    tower : Tower
        One of its towers.
    note : str
        Ends the caption.
    """
    shown = [
        (one, kept)
        for one, kept in zip(aim.sightings, aim.constraints, strict=True)
        if one.tower == tower.name
    ]
    camera = tower.camera
    width = style.WIDTH - 2.0 * MARGIN - 2.0 * ROOM
    height = width * camera.height / camera.width
    if height > 7.5:
        width, height = width * 7.5 / height, 7.5
    vehicles = list(dict.fromkeys(one.wheel.vehicle for one, _ in shown))
    looks = style.pipeline_styles(vehicles)
    table_top = height + 2.0 * ROOM
    failing = sum(bool(failures_of(one, kept, aim.bay)) for one, kept in shown)
    page = Page(
        f"{aim.bay.name}: what the {tower.name} tower should see",
        _subtitle(tower, len(shown), failing),
        _caption(aim, note),
        table_top + ROW * (len(shown) + 2.2),
        _handles(looks),
    )
    left = 0.5 * (page.body_width - width)
    axes = page.axes(Box(left, ROOM, width, height))
    _frame(axes, camera)
    _margin_lines(axes, camera, [one for one, _ in shown], aim.bay.siting.margin)
    scale = camera.width / width
    taken: list[np.ndarray] = []
    for one, kept in shown:
        look = looks[one.wheel.vehicle]
        fails = bool(failures_of(one, kept, aim.bay))
        if one.imaged:
            axes.add_patch(
                Polygon(
                    one.outline_px,
                    closed=True,
                    facecolor=(*_rgb(look.colour), 0.12),
                    edgecolor=look.colour,
                    linewidth=2.4 if fails else 1.3,
                    linestyle=look.line,
                )
            )
    for number, (one, kept) in enumerate(shown, start=1):
        if one.imaged:
            fails = bool(failures_of(one, kept, aim.bay))
            _tag(axes, one, number, looks[one.wheel.vehicle].colour, fails, scale, taken, camera)
    _table(page, table_top, shown, aim)
    return page.figure


def _subtitle(tower: Tower, count: int, failing: int) -> str:
    camera, place = tower.camera, tower.placement
    verdict = f"all {count} targets hold" if not failing else f"{failing} of {count} targets fail"
    return (
        f"{camera.width} × {camera.height} px, f = {camera.fx:.0f} px; camera "
        f"{format_length(place.height)} high, yaw {style.plain(_degrees(place.yaw))} deg, pitch "
        f"{style.plain(_degrees(place.pitch))} deg, roll {style.plain(_degrees(place.roll))} "
        f"deg; {verdict}"
    )


def _caption(aim: Aim, note: str) -> str:
    words = (
        "Plates are drawn as the camera sees them, lens distortion included. Place is the "
        "plate's middle, where its diagonals cross, in per cent of the picture from its left and "
        "upper edge. "
        "Size is the plate's width if it faced the camera; margin is the least room to an edge "
        f"in such widths, of {aim.bay.siting.margin:g} asked for. Uncertainty is the larger "
        f"of toe and camber (expanded, k = {COVERAGE:g}) over its tolerance; "
        f"{aim.predictor.basis}."
    )
    return f"{words} {note}".strip()


def _handles(looks: dict[str, style.PipelineStyle]) -> Sequence[Artist]:
    handles: list[Artist] = [
        Line2D([], [], color=look.colour, linestyle=look.line, label=name)
        for name, look in looks.items()
    ]
    handles.append(Line2D([], [], color=style.INK, linewidth=2.4, label="heavy line: fails"))
    handles.append(Line2D([], [], color=style.MUTED, linestyle="--", label="margin"))
    return handles


def _frame(axes: Axes, camera: Camera) -> None:
    """Draw the picture's outline, the grid in per cent and its numbers on all sides."""
    w, h = camera.width, camera.height
    axes.set_xlim(-0.5, w - 0.5)
    axes.set_ylim(h - 0.5, -0.5)
    shares = np.arange(0, 101, 10)
    axes.set_xticks(shares / 100.0 * w - 0.5, [f"{s}" for s in shares])
    axes.set_yticks(shares / 100.0 * h - 0.5, [f"{s}" for s in shares])
    axes.tick_params(top=True, right=True, labeltop=True, labelright=True, length=3)
    axes.grid(color=style.FAINT, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_xlabel("per cent across", fontsize=style.SMALL)
    axes.set_ylabel("per cent down", fontsize=style.SMALL)
    for spine in axes.spines.values():
        spine.set(color=style.INK, linewidth=1.6)
    u, v, arm = 0.5 * w - 0.5, 0.5 * h - 0.5, 0.02 * w
    axes.plot([u - arm, u + arm], [v, v], color=style.MUTED, linewidth=1.0)
    axes.plot([u, u], [v - arm, v + arm], color=style.MUTED, linewidth=1.0)


def _margin_lines(axes: Axes, camera: Camera, ones: Sequence[Sighting], margin: float) -> None:
    """Draw the margin of the nearest target and of the farthest, which are the extremes."""
    if not ones or margin <= 0.0:
        return
    sizes = sorted({one.size_px for one in ones})
    ends = {"farthest": sizes[0], "nearest": sizes[-1]} if len(sizes) > 1 else {"": sizes[0]}
    for which, size in ends.items():
        inset = margin * size
        if 2.0 * inset >= min(camera.width, camera.height):
            continue
        axes.add_patch(
            Rectangle(
                (inset - 0.5, inset - 0.5),
                camera.width - 2.0 * inset,
                camera.height - 2.0 * inset,
                fill=False,
                edgecolor=style.MUTED,
                linestyle="--",
                linewidth=0.9,
            )
        )
        axes.annotate(
            f"margin, {which} target" if which else "margin",
            (camera.width - 0.5 - inset, camera.height - 0.5 - inset),
            xytext=(-4, 3),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=style.SMALL,
            color=style.MUTED,
        )


def _tag(
    axes: Axes,
    one: Sighting,
    number: int,
    colour: str,
    fails: bool,
    scale: float,
    taken: list[np.ndarray],
    camera: Camera,
) -> None:
    """Write a plate's number at the free place nearest to it, with a line to it."""
    low, high = one.outline_px.min(axis=0), one.outline_px.max(axis=0)
    half = np.array(TAG) * scale
    frame_low, frame_high = half, np.array([camera.width, camera.height]) - half
    middle = np.clip(one.centre_px, frame_low, frame_high)  # of a plate beyond the edge too
    spots = [
        np.clip(middle + way * (0.5 * (high - low) + reach * half), frame_low, frame_high)
        for reach in REACHES
        for way in WAYS
    ]

    def cost(spot: np.ndarray) -> float:
        over = sum(
            float(np.prod(np.maximum(0.0, 2.0 * half - np.abs(spot - other)))) for other in taken
        )
        return over / float(half[1]) * 1e3 + float(np.linalg.norm(spot - middle))

    place = min(spots, key=cost)
    taken.append(place)
    anchor = np.clip(place, low, high)
    anchor = np.clip(anchor, (-0.5, -0.5), (camera.width - 0.5, camera.height - 0.5))
    axes.plot(*np.column_stack((place, anchor)), color=colour, linewidth=0.8)
    text = axes.text(
        float(place[0]),
        float(place[1]),
        f"{number}{'!' if fails else ''}",
        ha="center",
        va="center",
        fontsize=style.NORMAL,
        fontweight="bold",
        color=colour,
    )
    text.set_path_effects([withStroke(linewidth=3.0, foreground="white")])


def _table(
    page: Page, top: float, shown: Sequence[tuple[Sighting, tuple[Constraint, ...]]], aim: Aim
) -> None:
    for title, left in COLUMNS:
        page.text(left, top + ROW, title, fontsize=style.SMALL, color=style.MUTED)
    for number, (one, kept) in enumerate(shown, start=1):
        fails = failures_of(one, kept, aim.bay)
        y = top + ROW * (number + 1.2)
        weight = "bold" if fails else "normal"
        for text, (_, left), (_, end) in zip(
            _cells(number, one, bool(fails), aim),
            COLUMNS,
            (*COLUMNS[1:], ("", page.body_width)),
            strict=True,
        ):
            fitted = shorten(text, end - left - 0.08, style.SMALL, weight)
            page.text(left, y, fitted, fontsize=style.SMALL, fontweight=weight)


def _cells(number: int, one: Sighting, fails: bool, aim: Aim) -> list[str]:
    share = one.prediction.share(aim.bay.tolerance)
    own = marker_id(aim.bay, one.wheel.name)
    where = f"{100 * one.place[0]:.1f}{NO_BREAK}%, {100 * one.place[1]:.1f}{NO_BREAK}%"
    return [
        f"{number}{'!' if fails else ''}",
        one.name + ("" if own is None else f", id {own}"),
        where if one.imaged else "no image",
        f"{one.size_px:.0f} px",
        f"{one.range:.2f} m",
        ", ".join(style.plain(round(_degrees(angle), 1)) for angle in (one.turn, one.pitch)),
        f"{one.margin:.2f}".replace("-", "−") if one.imaged else "–",
        "–" if math.isnan(one.visible) else f"{100 * one.visible:.0f} %",
        ("outside: " if share > 1.0 else "inside: ") + f"{share:.2f}",
    ]


def _degrees(radians: float) -> float:
    return round(math.degrees(radians), 2)


def _rgb(colour: str) -> tuple[float, float, float]:
    value = colour.lstrip("#")
    red, green, blue = (int(value[i : i + 2], 16) / 255.0 for i in (0, 2, 4))
    return red, green, blue
