"""Pictures of a camera calibration: residuals, coverage of the frame, views that stand out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, Rectangle
from matplotlib.patheffects import Normal, Stroke
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator

from bench.cameras.adjustment import BoardView
from bench.cameras.intrinsics import Calibration
from bench.cameras.intrinsics_views import OUTSTANDING, coverage_counts, reach, view_scores
from bench.cameras.overlay_marks import magnification
from bench.draw import style
from bench.draw.marks import no_case_handle
from bench.draw.page_layout import Box, Page, shorten, text_width
from bench.geometry.camera import Camera
from bench.typing import Array, BoolArray, IntArray

USUAL, STRIKING = style.OKABE_ITO[0], style.OKABE_ITO[1]
BAR = 0.2  # inches, a bar with the gap to the next


def write_calibration_figures(
    out_dir: Path, views: Sequence[BoardView], calibration: Calibration, note: str = ""
) -> list[Path]:
    """Draw and write all pictures of a calibration.

    Parameters
    ----------
    out_dir : Path
        Directory to write to.
    views : sequence of BoardView
        That the calibration was made from, in its order.
    calibration : Calibration
        Its result.
    note : str
        Ends every caption: pictures, command, version.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    RunError
        A picture can't be written.
    """
    camera = calibration.camera
    striking = view_scores(calibration) > OUTSTANDING
    pixels = [view.pixels for view in views]
    counts = coverage_counts(views, (camera.width, camera.height))
    with style.applied():
        figures = {
            "calibration_residuals.png": residual_figure(
                pixels, calibration.residuals, striking, camera, note
            ),
            "calibration_coverage.png": coverage_figure(
                pixels, counts, camera, reach(views, calibration), note
            ),
            "calibration_views.png": view_figure(
                [view.name for view in views],
                calibration.view_rmse_px,
                view_scores(calibration),
                calibration.rmse_px,
                note,
            ),
        }
        return [style.save(figure, out_dir / name) for name, figure in figures.items()]


def residual_figure(
    pixels: Sequence[Array],
    residuals: Sequence[Array],
    striking: BoolArray,
    camera: Camera,
    note: str,
) -> Figure:
    """Draw residuals where they lie in the frame, and all about one origin.

    Parameters
    ----------
    pixels, residuals : sequence of (N, 2) float64
        Points found in each view, and found minus predicted, pixels.
    striking : (V,) bool
        Views that stand out.
    camera : Camera
        Calibrated.
    note : str
        Ends the caption.
    """
    together = np.vstack(list(residuals))
    rmse = float(np.sqrt(np.mean(np.sum(together**2, axis=1))))
    factor = magnification(together, 0.04 * camera.width)
    bias = together.mean(axis=0)
    handles: list[Artist] = [
        Line2D([], [], color=USUAL, marker=".", linewidth=1.2, label="residual of a point")
    ]
    if np.any(striking):
        label = "the same, in a view that stands out"
        handles.append(Line2D([], [], color=STRIKING, marker="x", linewidth=1.2, label=label))
    handles.append(Line2D([], [], color=style.INK, linewidth=1.0, label=f"RMS {rmse:.3f} px"))
    left, height = _frame_box(camera, 5.2)
    page = Page(
        "Residuals of the calibration",
        f"found minus predicted; in the frame drawn × {factor:g} from where the point was found",
        f"{len(together)} points in {len(residuals)} views; mean ({_signed(bias[0])}, "
        f"{_signed(bias[1])}) px. Like residuals side by side say that "
        f"the lens model lacks something there.\n{note}",
        max(height, 3.4) + 0.75,
        handles,
    )
    axes = page.axes(Box(0.75, 0.15, left, height))
    for uv, r, stands_out in zip(pixels, residuals, striking, strict=True):
        lines = LineCollection(
            list(np.stack((uv, uv + factor * r), axis=1)),
            colors=STRIKING if stands_out else USUAL,
            linewidths=0.9,
            zorder=3 if stands_out else 2,
        )
        lines.set_gid("residuals")
        axes.add_collection(lines, autolim=False)
        axes.plot(uv[:, 0], uv[:, 1], ".", color=lines.get_color()[0], markersize=2.5)
    _frame(axes, camera)
    side = page.width - 0.3 - 0.75 - left - 0.85
    _scatter(page.axes(Box(0.75 + left + 0.85, 0.15, side, side)), residuals, striking, rmse)
    return page.figure


def coverage_figure(
    pixels: Sequence[Array], counts: IntArray, camera: Camera, reached: float, note: str
) -> Figure:
    """Draw where in the frame points were found.

    Parameters
    ----------
    pixels : sequence of (N, 2) float64
        Points found in each view.
    counts : (rows, columns) int64
        Points in each cell of the frame.
    camera : Camera
        Calibrated.
    reached : float
        Distance of the farthest point from the principal point over that of the farthest
        corner.
    note : str
        Ends the caption.
    """
    width, height = _frame_box(camera, 8.6)
    rows, columns = counts.shape
    empty = int(np.sum(counts == 0))
    handles: list[Artist] = [
        Line2D([], [], linestyle="", marker=".", color=USUAL, label="point found"),
        Line2D([], [], linestyle="", marker="+", color=STRIKING, label="principal point"),
    ]
    if empty:
        handles.append(no_case_handle("part of the frame without a point"))
    page = Page(
        "Coverage of the frame",
        f"points found in all views, counted in {columns} x {rows} parts of the frame",
        f"{empty} of {counts.size} parts hold no point. Points reach {100 * reached:.0f} % of "
        "the way from the principal point to the farthest corner; beyond that the distortion "
        f"is extrapolated.\n{note}",
        height + 0.7,
        handles,
    )
    axes = page.axes(Box(0.75, 0.1, width, height))
    u = np.linspace(-0.5, camera.width - 0.5, columns + 1).tolist()
    v = np.linspace(-0.5, camera.height - 0.5, rows + 1).tolist()
    for i, j in np.ndindex(counts.shape):
        if counts[i, j] == 0:
            axes.add_patch(
                Rectangle(
                    (u[j], v[i]),
                    u[j + 1] - u[j],
                    v[i + 1] - v[i],
                    facecolor=style.NO_CASE,
                    edgecolor="#8a8a8a",
                    hatch=style.NO_CASE_HATCH,
                    linewidth=0.0,
                )
            )
    axes.hlines(v[1:-1], u[0], u[-1], color=style.FAINT, linewidth=0.7)
    axes.vlines(u[1:-1], v[0], v[-1], color=style.FAINT, linewidth=0.7)
    together = np.vstack(list(pixels))
    axes.plot(together[:, 0], together[:, 1], ".", color=USUAL, markersize=3, alpha=0.6)
    axes.plot([camera.cx], [camera.cy], "+", color=STRIKING, markersize=12, markeredgewidth=2)
    for i, j in np.ndindex(counts.shape):
        axes.text(
            u[j],
            v[i],
            f" {counts[i, j]}",
            fontsize=style.SMALL,
            ha="left",
            va="top",
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.5},
        )
    _frame(axes, camera)
    return page.figure


def view_figure(
    names: Sequence[str], rmse_px: Array, scores: Array, overall_px: float, note: str
) -> Figure:
    """Draw each view's residual as a bar, and say which stand out.

    Parameters
    ----------
    names : sequence of str
        Of the views.
    rmse_px, scores : (V,) float64
        Root mean square residual distance, and modified z-score (see `view_scores`).
    overall_px : float
        Root mean square residual distance over all views.
    note : str
        Ends the caption.
    """
    striking = scores > OUTSTANDING
    handles: list[Artist] = [Patch(facecolor=USUAL, label="view")]
    if np.any(striking):
        handles.append(
            Patch(facecolor=STRIKING, hatch="////", edgecolor="white", label="stands out")
        )
    handles.append(Line2D([], [], color=style.INK, linewidth=1.0, label="all views together"))
    height = max(BAR * len(names), 0.8)
    found = [name for name, stands_out in zip(names, striking, strict=True) if stands_out]
    page = Page(
        "Residual of each view",
        f"root mean square distance between found and predicted points; all: {overall_px:.3f} px",
        ("No view stands out" if not found else "Standing out: " + ", ".join(found))
        + f" (modified z-score of the logarithm above {OUTSTANDING:g}).\n{note}",
        height + 0.55,
        handles,
    )
    left = min(3.0, max(text_width(name, style.SMALL) for name in names) + 0.15)
    words_room = 1.9
    width = page.width - 0.3 - left
    axes = page.axes(Box(left, 0.05, width, height))
    top = float(np.max(rmse_px)) or 1.0
    axes.set_xlim(0.0, top * width / (width - words_room))
    axes.set_ylim(len(names) - 0.5, -0.5)
    for i, (rmse, score) in enumerate(zip(rmse_px, scores, strict=True)):
        stands_out = bool(striking[i])
        axes.barh(
            i,
            rmse,
            0.75,
            color=STRIKING if stands_out else USUAL,
            hatch="////" if stands_out else None,
            edgecolor="white",
            linewidth=0.0,
        )
        axes.annotate(
            f"{rmse:.3f} px" + (f", stands out ({score:.1f})" if stands_out else ""),
            (rmse, i),
            xytext=(4, 0),
            textcoords="offset points",
            va="center_baseline",
            fontsize=style.SMALL,
            path_effects=[Stroke(linewidth=3, foreground="white"), Normal()],
        )
    axes.axvline(overall_px, color=style.INK, linewidth=1.0, zorder=0)
    axes.yaxis.set_major_locator(FixedLocator(list(range(len(names)))))
    labels = [shorten(name, left - 0.1, style.SMALL) for name in names]
    axes.yaxis.set_major_formatter(FuncFormatter(lambda _, i: labels[i or 0]))
    axes.tick_params(axis="y", length=0)
    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.set_xlabel("residual (px RMS)")
    axes.spines[["top", "right"]].set_visible(False)
    return page.figure


def _frame_box(camera: Camera, room: float) -> tuple[float, float]:
    """Return width and height, inches, of the frame drawn to scale in `room` by 6.5 inches."""
    width = min(room, 6.5 * camera.width / camera.height)
    return width, width * camera.height / camera.width


def _frame(axes: Axes, camera: Camera) -> None:
    axes.set_xlim(-0.5, camera.width - 0.5)
    axes.set_ylim(camera.height - 0.5, -0.5)
    axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5]))
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5]))
    axes.set_xlabel("u (px)")
    axes.set_ylabel("v (px)")


def _scatter(axes: Axes, residuals: Sequence[Array], striking: BoolArray, rmse: float) -> None:
    """Draw residuals about one origin, to one scale in u and v, with a circle at their RMS."""
    for stands_out, colour, marker in ((False, USUAL, "."), (True, STRIKING, "x")):
        chosen = [r for r, s in zip(residuals, striking, strict=True) if bool(s) is stands_out]
        if chosen:
            du, dv = np.vstack(chosen).T
            axes.plot(du, dv, marker, color=colour, markersize=4, alpha=0.6)
    axes.add_patch(Circle((0.0, 0.0), rmse, fill=False, edgecolor=style.INK, linewidth=1.0))
    reach_px = 1.08 * max(float(np.max(np.abs(np.vstack(list(residuals))))), rmse, 1e-9)
    axes.set_xlim(-reach_px, reach_px)
    axes.set_ylim(reach_px, -reach_px)  # v runs down, as in the picture
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5], symmetric=True))
        axis.set_major_formatter(FuncFormatter(lambda v, _: style.plain(v)))
    axes.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=0)
    axes.axvline(0.0, color=style.FAINT, linewidth=0.8, zorder=0)
    axes.set_xlabel("residual in u (px)")
    axes.set_ylabel("residual in v (px)", labelpad=2)


def _signed(value: float) -> str:
    return f"{value:+.3f}".replace("-", "−")
