"""The benchmark's figure."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter

from bench.draw import style
from reports.throughput.setting import SIZES_PX
from reports.throughput.split import STEPS

Parts = dict[str, Any]
WORDS = {
    "render": "picture",
    "detect": "detect",
    "solve": "solve",
    "score": "score",
    "bound": "bound",
    "rest": "rest",
}


def write(parts: Parts, folder: Path) -> None:
    """Draw where time goes and the renderers, as far as they were measured."""
    if "split" not in parts:
        return
    with style.applied():
        figure = style.new_figure(style.WIDTH, 4.2)
        left, right = figure.subplots(1, 2, width_ratios=(1.15, 1.0))
        _split(left, parts["split"]["result"])
        _renderers(right, parts)
        figure.tight_layout(w_pad=3.0)
    style.save(figure, folder / "throughput.png")


def _split(axes: Axes, result: Parts) -> None:
    """Draw a bar a size, in shares; hatches tell steps apart without colour."""
    names = [*STEPS, "rest"]
    looks = style.pipeline_styles(names)
    labels = []
    for row, (size, values) in enumerate(result["sizes"].items()):
        shares = values["share"]
        total, start = sum(shares.values()), 0.0
        for step in names:
            width = 100.0 * shares[step] / total
            axes.barh(
                row,
                width,
                left=start,
                height=0.62,
                color=looks[step].colour,
                alpha=0.75,
                hatch=looks[step].hatch,
                edgecolor="white",
                label=WORDS[step] if row == 0 else None,
            )
            if width >= 7.0:
                axes.text(
                    start + 0.5 * width,
                    row,
                    f"{width:.0f}",
                    ha="center",
                    va="center",
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
                )
            start += width
        pace = values["cases_per_s"]["median"]
        labels.append(f"{size}, {SIZES_PX[size]:.0f} px\n{pace:.0f} cases/s")
    axes.set_yticks(range(len(labels)), labels)
    axes.invert_yaxis()
    axes.set_xlim(0.0, 100.0)
    axes.set_xlabel("share of a case's time, %, one core")
    axes.set_title("Where a case's time goes", loc="left")
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(
        ncols=6,
        loc="upper center",
        bbox_to_anchor=(0.42, -0.17),
        frameon=False,
        handlelength=1.2,
        columnspacing=1.0,
        handletextpad=0.4,
    )


def _renderers(axes: Axes, parts: Parts) -> None:
    """Draw milliseconds of a picture by each renderer."""
    bars: list[tuple[str, float]] = []
    opengl = parts.get("opengl", {}).get("result", {"missing": ""})
    tracer = parts.get("path_tracer", {}).get("result", {"missing": ""})
    if "missing" not in opengl:
        bars += [
            ("region, planar path", opengl["region"]["planar_ms"]["median"]),
            ("region, pyrender", opengl["region"]["pyrender_ms"]["median"]),
        ]
    if "missing" not in tracer:
        bars.append(("region, mitsuba", tracer["mitsuba_ms"]["median"]))
    if "missing" not in opengl:
        bars += [
            ("full frame, planar path", opengl["frame"]["planar_ms"]["median"]),
            ("full frame, pyrender", opengl["frame"]["pyrender_ms"]["median"]),
        ]
    if not bars:
        axes.set_axis_off()
        return
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda ms, _: _time_words(ms)))
    axes.set_xlim(0.3 * min(b for _, b in bars), 30.0 * max(b for _, b in bars))
    for row, (name, value) in enumerate(bars):
        planar = "planar" in name
        axes.barh(
            row,
            value,
            height=0.62,
            color=style.OKABE_ITO[0] if planar else style.FAINT,
            hatch="" if planar else "////",
            edgecolor="white",
        )
        axes.text(1.15 * value, row, _time_words(value), va="center")
    axes.set_yticks(range(len(bars)), [name for name, _ in bars])
    axes.invert_yaxis()
    axes.set_xlabel("time of one picture at equal error")
    axes.set_title("The same picture by other renderers", loc="left")
    axes.spines[["top", "right"]].set_visible(False)


def _time_words(ms: float) -> str:
    return (
        f"{ms:.3g} ms" if ms < 1e3 else f"{ms / 1e3:,.3g} s" if ms < 1e6 else f"{ms / 1e3:,.0f} s"
    )
