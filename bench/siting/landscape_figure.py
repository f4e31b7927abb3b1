"""The landscape of siting: worst uncertainty over two variables, what blocks, and the optimum."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator
from scipy import ndimage

from bench.draw import style
from bench.draw.page_layout import MARGIN, Box, Page, PanelGrid, panel_title, text_width, wrap
from bench.draw.prints import save_print
from bench.siting.landscape import Slice
from bench.siting.tower_layout import Layout

BAR_ROOM = 0.95
PANEL_HEIGHT = 3.3
LEVELS = 7
# A region smaller than this share of the panel isn't labelled: there is no room.
LABELLED = 0.03
CASING = [withStroke(linewidth=3.0, foreground="white")]
MARKS = (("o", "#D55E00"), ("s", "#0072B2"), ("^", "#CC79A7"))


def write_landscape(
    directory: Path,
    slices: Sequence[Slice],
    layouts: Mapping[str, Layout],
    title: str,
    caption: str,
) -> list[Path]:
    """Draw the landscape as ``landscape`` in PNG, SVG and PDF; return the files.

    Parameters as `landscape_figure`.

    Raises
    ------
    RunError
        A file can't be written.
    """
    with style.applied():
        figure = landscape_figure(slices, layouts, title, caption)
    return save_print(figure, directory, "landscape")


def landscape_figure(
    slices: Sequence[Slice], layouts: Mapping[str, Layout], title: str, caption: str
) -> Figure:
    """Draw slices side by side on one colour scale.

    Parameters
    ----------
    slices : sequence of Slice
        What to draw.
    layouts : mapping of str to Layout
        Up to three to mark, by what they are called.
    title, caption : str
        Around it.
    """
    width = style.WIDTH - 2.0 * MARGIN - BAR_ROOM
    panels = PanelGrid(
        len(slices), len(slices), width, PANEL_HEIGHT, left=0.6, gap=0.8, head=0.5, foot=0.3
    )
    shares = np.concatenate([one.share[np.isfinite(one.share)] for one in slices])
    # what blocked layouts would have may be anything; the scale is for what can be had
    allowed = np.concatenate([one.share[one.blocked < 0].ravel() for one in slices])
    norm = style.error_norm(allowed if allowed.size else shares)
    page = Page(title, "", caption, panels.height, _handles(layouts))
    for index, one in enumerate(slices):
        axes = page.axes(panels.box(index))
        _draw(axes, one, norm, panels.panel_width)
        for layout, (marker, colour) in zip(layouts.values(), MARKS, strict=False):
            _mark(axes, one, layout, marker, colour)
        words = "aimed anew at each point" if one.aimed else "all else stays"
        panel_title(axes, f"{one.up} over {one.across}", words)
    _bar(page, panels, norm)
    return page.figure


def _draw(axes: Axes, one: Slice, norm: LogNorm, width: float) -> None:
    x, y = _shown(one.across, one.x), _shown(one.up, one.y)
    axes.pcolormesh(
        x, y, one.share, norm=norm, cmap=style.ERROR_MAP, shading="nearest", rasterized=True
    )
    blocked = one.blocked >= 0
    levels = np.geomspace(float(norm.vmin or 1e-3), float(norm.vmax or 1.0), LEVELS)
    if np.ptp(one.share) > 0.0:
        axes.contour(x, y, one.share, levels=levels, colors="white", linewidths=0.6)
    if np.any(blocked):
        veil = np.where(blocked, 1.0, np.nan)
        axes.pcolormesh(
            x, y, veil, cmap="Greys", vmin=0.0, vmax=6.0, alpha=0.75, shading="nearest",
            rasterized=True,
        )  # fmt: skip
        fill = axes.contourf(x, y, blocked.astype(float), levels=[0.5, 1.5], colors="none")
        fill.set(hatch="////", edgecolor=style.MUTED, linewidth=0.0)
        for kind in np.unique(one.blocked[blocked]):
            _label(axes, one.blocked == kind, x, y, one.names[int(kind)], width)
        if not np.all(blocked):
            axes.contour(
                x, y, blocked.astype(float), levels=[0.5], colors=style.INK, linewidths=1.2
            )
        for kind in np.unique(one.blocked[blocked]):
            region = one.blocked == kind
            if not np.all(region):
                axes.contour(
                    x, y, region.astype(float), levels=[0.5], colors=style.MUTED, linewidths=0.6
                )
    axes.set(xlim=(x[0], x[-1]), ylim=(y[0], y[-1]))
    axes.set_xlabel(_axis(one.across))
    axes.set_ylabel(_axis(one.up), labelpad=2)
    axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda v, _: style.plain(round(v, 6))))


def _label(
    axes: Axes, region: np.ndarray, x: np.ndarray, y: np.ndarray, name: str, width: float
) -> None:
    """Name the largest connected part of a region, where it has most room."""
    parts, count = ndimage.label(region)
    sizes = ndimage.sum(region, parts, range(1, count + 1))
    part = parts == int(np.argmax(sizes)) + 1
    if float(np.max(sizes)) < LABELLED * region.size:
        return
    depth = ndimage.distance_transform_edt(np.pad(part, 1))[1:-1, 1:-1]
    row, column = np.unravel_index(int(np.argmax(depth)), depth.shape)
    # the region's width there, so that the words stay inside where they can
    across = int(np.sum(part[row])) / part.shape[1] * width
    longest = max(text_width(word, style.SMALL) for word in name.split())
    lines = wrap(name, max(0.95 * across, 1.05 * longest), style.SMALL)
    text = "\n".join(lines)
    # kept inside the panel
    half = 0.5 * max(text_width(line, style.SMALL) for line in lines) / width
    share = float(np.clip((column + 0.5) / part.shape[1], half + 0.01, 1.0 - half - 0.01))
    place = x[0] + share * (x[-1] - x[0])
    axes.text(
        place, y[row], text, ha="center", va="center", fontsize=style.SMALL,
        path_effects=CASING, zorder=4,
    )  # fmt: skip


def _mark(axes: Axes, one: Slice, layout: Layout, marker: str, colour: str) -> None:
    at = [float(_shown(name, np.array(getattr(layout, name)))) for name in (one.across, one.up)]
    ends = (axes.get_xlim(), axes.get_ylim())
    if any(not low <= v <= high for v, (low, high) in zip(at, ends, strict=True)):
        return
    axes.plot(
        [at[0]],
        [at[1]],
        marker=marker,
        color=colour,
        markersize=8,
        markeredgecolor="white",
        markeredgewidth=1.4,
        linestyle="none",
        zorder=5,
        clip_on=False,
    )


def _handles(layouts: Mapping[str, Layout]) -> list[Artist]:
    handles: list[Artist] = [
        Line2D([], [], marker=marker, color=colour, linestyle="none", markersize=8, label=name)
        for name, (marker, colour) in zip(layouts, MARKS, strict=False)
    ]
    lines = Line2D([], [], color="white", linewidth=1.2, label="equal uncertainty")
    lines.set_path_effects([withStroke(linewidth=2.4, foreground=style.MUTED)])
    handles.append(lines)
    handles.append(
        Patch(
            facecolor=style.NO_CASE,
            edgecolor=style.MUTED,
            hatch="////",
            label="not allowed, by what is broken most",
        )
    )
    return handles


def _bar(page: Page, panels: PanelGrid, norm: LogNorm) -> None:
    axes = page.axes(Box(panels.width + 0.15, panels.head, 0.2, panels.panel_height))
    bar = page.figure.colorbar(ScalarMappable(norm, style.ERROR_MAP), cax=axes)
    bar.set_label("worst expanded uncertainty over tolerance")
    bar.locator = LogLocator(subs=(1.0, 2.0, 5.0))
    bar.formatter = FuncFormatter(lambda v, _: style.plain(v))
    bar.minorlocator = NullLocator()
    bar.update_ticks()
    if float(norm.vmin or 0.0) <= 1.0 <= float(norm.vmax or 0.0):
        axes.axhline(1.0, color="white", linewidth=1.8)


def _shown(name: str, values: np.ndarray) -> np.ndarray:
    return np.degrees(values) if name in ("yaw", "pitch") else np.asarray(values)


def _axis(name: str) -> str:
    return f"{name} [{'deg' if name in ('yaw', 'pitch') else 'm'}]"
