"""A budget as bars: what every angle's uncertainty is made of, against its tolerance."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from bench.budget.budget import Budget, Line
from bench.budget.inputs import CONTRIBUTIONS
from bench.budget.tables import verdict_words
from bench.draw import style
from bench.draw.page_layout import Box, Page, text_width

BAR = 0.24  # inches that a bar takes with the gap to the next
HEAD, FOOT, GAP = 0.32, 0.3, 0.06
NAMES = 2.35
LABEL = 0.22  # below the last panel, for what its axis shows
# Eleven contributions are more than there are colours that anybody can tell apart: hue and
# hatch together do it.
COLOURS = (*style.OKABE_ITO[:6], *style.OKABE_ITO[:5])
HATCHES = ("",) * 6 + ("////", "....", "xxxx", "\\\\\\\\", "||||")


def draw_budget(budget: Budget, title: str, caption: str) -> Figure:
    """Return a page with a panel a vehicle and station, a bar an angle.

    A bar's length is the expanded uncertainty; it is divided as the variance is, since standard
    uncertainties add up in quadrature. A line marks each tolerance, a cross Monte Carlo's half
    width.
    """
    groups: dict[tuple[str, str], list[Line]] = {}
    for line in budget.judged:
        groups.setdefault((line.vehicle, line.station), []).append(line)
    height = LABEL + sum(HEAD + BAR * len(_worse(lines)) + FOOT + GAP for lines in groups.values())
    words = verdict_words(budget)
    with style.applied():
        page = Page(title, " ".join(words[:2]), caption, height, _handles())
        last = max(max(line.judged, line.tolerance) for line in budget.judged)
        top = 0.0
        for (vehicle, station), lines in groups.items():
            shown = _worse(lines)
            box = Box(NAMES, top + HEAD, page.body_width - NAMES - 0.05, BAR * len(shown))
            axes = page.axes(box)
            _panel(axes, shown, last, box.width)
            page.text(
                0.0,
                top + HEAD - 0.1,
                f"{vehicle} at {station}",
                fontsize=style.NORMAL,
                fontweight="bold",
                va="baseline",
            )
            top += HEAD + BAR * len(shown) + FOOT + GAP
        axes.set_xlabel("expanded uncertainty, degrees", labelpad=2)
    return page.figure


def _worse(lines: Sequence[Line]) -> list[Line]:
    """Return the worse of left and right of each angle, in order."""
    pairs: dict[tuple[str, str, str], Line] = {}
    for line in lines:
        m = line.measurand
        key = (m.kind, m.axle, m.reference)
        if key not in pairs or line.share > pairs[key].share:
            pairs[key] = line
    return list(pairs.values())


def _handles() -> list[Patch | Line2D]:
    parts: list[Patch | Line2D] = [
        Patch(facecolor=colour, hatch=hatch, edgecolor="white", linewidth=0.5, label=name)
        for name, colour, hatch in zip(CONTRIBUTIONS, COLOURS, HATCHES, strict=True)
    ]
    return [
        *parts,
        Line2D([], [], color=style.INK, linewidth=1.6, label="tolerance"),
        Line2D([], [], color=style.INK, marker="x", linestyle="", label="Monte Carlo"),
    ]


def _panel(axes: Axes, lines: Sequence[Line], last: float, width: float) -> None:
    words = [f"{line.answer}, {line.judged:.3f} of {line.tolerance:.3f}" for line in lines]
    room = max(text_width(w, style.SMALL) for w in words) + 0.15
    full = last * 1.02 * width / (width - room)
    axes.set_xlim(0.0, full)
    axes.set_ylim(len(lines) - 0.5, -0.5)
    for row, (line, word) in enumerate(zip(lines, words, strict=True)):
        left = 0.0
        for part, colour, hatch in zip(line.contributions, COLOURS, HATCHES, strict=True):
            length = line.expanded * (part / line.sigma) ** 2 if line.sigma > 0.0 else 0.0
            axes.barh(
                row,
                length,
                left=left,
                height=0.66,
                color=colour,
                hatch=hatch,
                edgecolor="white",
                linewidth=0.4,
            )
            left += length
        axes.plot([line.tolerance] * 2, [row - 0.46, row + 0.46], color=style.INK, linewidth=1.6)
        trials = max(-line.trials_low, line.trials_high)
        axes.plot(trials, row, marker="x", color=style.INK, markersize=5, clip_on=False)
        axes.text(last * 1.02 + 0.08 * full / width, row, word, fontsize=style.SMALL, va="center")
    axes.set_yticks(range(len(lines)), [line.measurand.name for line in lines])
    axes.tick_params(axis="y", length=0, pad=6)
    axes.spines[["top", "right"]].set_visible(False)
    axes.xaxis.grid(True, color="#e4e4e4", linewidth=0.7)
    axes.set_axisbelow(True)
    ticks = [t for t in axes.get_xticks() if 0.0 <= t <= last * 1.02]
    axes.set_xticks(ticks)
