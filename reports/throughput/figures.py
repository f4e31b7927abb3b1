"""The benchmark's figure."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bench.draw import style
from reports.throughput.setting import SIZES_PX
from reports.throughput.split import STEPS


def write(parts: dict[str, Any], folder: Path) -> None:
    """Draw a bar a size, in shares of a case's time; hatches tell steps apart without colour."""
    if "split" not in parts:
        return
    names = (*STEPS, "rest")
    looks = style.pipeline_styles(names)
    with style.applied():
        figure = style.new_figure(style.WIDTH, 3.2)
        axes = figure.subplots()
        labels = []
        for row, (size, values) in enumerate(parts["split"]["result"]["sizes"].items()):
            shares, start = values["share"], 0.0
            total = sum(shares.values())
            for step in names:
                width = 100.0 * shares[step] / total
                bar = axes.barh(
                    row,
                    width,
                    left=start,
                    height=0.62,
                    color=looks[step].colour,
                    alpha=0.75,
                    hatch=looks[step].hatch,
                    edgecolor="white",
                    label=step if row == 0 else None,
                )
                if width >= 7.0:
                    box = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
                    axes.bar_label(bar, [f"{width:.0f}"], label_type="center", bbox=box)
                start += width
            pace = values["cases_per_s"]["median"]
            labels.append(f"{size}, {SIZES_PX[size]:.0f} px\n{pace:.0f} cases/s")
        axes.set_yticks(range(len(labels)), labels)
        axes.invert_yaxis()
        axes.set_xlim(0.0, 100.0)
        axes.set_xlabel("share of a case's time, %, one core")
        axes.set_title("Where a case's time goes", loc="left")
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(ncols=6, loc="upper center", bbox_to_anchor=(0.5, -0.22), frameon=False)
        figure.tight_layout()
        style.save(figure, folder / "throughput.png")
