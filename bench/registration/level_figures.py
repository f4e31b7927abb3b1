"""Figures of the uncertainty of level: each source's share, for each way to find it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.figure import Figure

from bench.draw import style
from bench.registration.level_equations import BAR, HEIGHTS, NOTHING, POSES, SLOPES
from bench.typing import Array

SOURCES = (POSES, SLOPES, HEIGHTS, BAR)
WAYS = ("across the bay: camber's", "along the bay")
# Beyond this, degrees, bars are cut: a direction that stays open would hide all others.
CUT = 0.06


def draw_level(
    shares: Mapping[str, Mapping[str, Array]],
    rms: Mapping[str, Sequence[float]],
    title: str,
    caption: str,
) -> Figure:
    """Return two panels of bars, one a plan.

    A bar's length is the standard uncertainty; it is divided as the variance is. A cross marks
    the root mean square error of the rehearsals.

    Parameters
    ----------
    shares : mapping of plan to source to (2, 2) float64
        Covariances about the bay's x and y, radians².
    rms : mapping of plan to two floats
        Of rehearsals, radians; plans may be missing.
    title, caption : str
        Above and below.
    """
    plans = list(shares)
    with style.applied():
        figure = style.new_figure(style.WIDTH, 2.3 + 0.42 * len(plans))
        height = figure.get_figheight()
        figure.text(
            0.02, 1 - 0.3 / height, title, fontsize=style.LARGE, fontweight="bold", va="center"
        )
        grid = figure.add_gridspec(
            1, 2, left=0.21, right=0.98, top=1 - 0.85 / height, bottom=1.15 / height, wspace=0.08
        )
        longest = max(
            (
                min(CUT, float(np.degrees(np.sqrt(np.sum([p[i, i] for p in one.values()])))))
                for one in shares.values()
                for i in (0, 1)
                if not _is_open(one, i)
            ),
            default=CUT,
        )
        limit = 1.2 * longest
        for i, way in enumerate(WAYS):
            axes = figure.add_subplot(grid[0, i])
            for row, plan in enumerate(plans):
                variances = {s: float(shares[plan][s][i, i]) for s in shares[plan]}
                total = float(np.degrees(np.sqrt(sum(variances.values()))))
                if _is_open(shares[plan], i):
                    axes.text(
                        0.02 * limit,
                        row,
                        "not determined; it leaks across\nwhere the bar is aimed aside",
                        va="center",
                        fontsize=style.SMALL,
                    )
                    continue
                shown, at = min(total, limit), 0.0
                for k, source in enumerate(SOURCES):
                    part = shown * variances[source] / sum(variances.values())
                    axes.barh(
                        row,
                        part,
                        0.62,
                        left=at,
                        color=style.OKABE_ITO[k],
                        hatch=style.HATCHES[k],
                        edgecolor="white",
                        linewidth=0.4,
                        label=source if (row, i) == (0, 0) else None,
                    )
                    at += part
                axes.text(
                    min(shown, limit * 0.98) + 0.01 * limit,
                    row - 0.02,
                    f"{total:.4f}",
                    va="center",
                    ha="left" if shown < 0.88 * limit else "right",
                    fontsize=style.SMALL,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
                )
                if plan in rms and np.degrees(rms[plan][i]) < limit:
                    axes.plot(
                        np.degrees(rms[plan][i]),
                        row + 0.31,
                        marker="x",
                        color=style.INK,
                        markersize=7,
                        markeredgewidth=1.8,
                        linestyle="none",
                        label="rehearsals, RMS" if (row, i) == (0, 0) else None,
                    )
            axes.set_xlim(0.0, limit)
            axes.set_ylim(len(plans) - 0.4, -0.6)
            axes.set_yticks(range(len(plans)), plans if i == 0 else [""] * len(plans))
            axes.tick_params(axis="y", length=0)
            axes.set_xlabel("standard uncertainty of up, degrees")
            axes.set_title(way, loc="left", fontweight="bold")
            axes.grid(axis="x", color=style.FAINT, linewidth=0.6)
            axes.set_axisbelow(True)
            for spine in ("top", "right"):
                axes.spines[spine].set_visible(False)
        figure.legend(
            loc="lower left",
            bbox_to_anchor=(0.2, 0.33 / height),
            ncols=5,
            frameon=False,
            borderaxespad=0.0,
            handletextpad=0.5,
            columnspacing=1.4,
        )
        figure.text(0.02, 0.14 / height, caption, fontsize=style.SMALL, color=style.MUTED)
    return figure


def _is_open(shares: Mapping[str, Array], i: int) -> bool:
    """Tell whether the plan alone stands for a direction."""
    return bool(shares[NOTHING][i, i] > 0.5 * sum(part[i, i] for part in shares.values()))
