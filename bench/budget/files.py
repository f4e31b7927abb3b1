"""A budget as files: JSON, a table, and a figure to print."""

from __future__ import annotations

import math
from pathlib import Path

from bench import __version__
from bench.budget.budget import Budget
from bench.budget.result import BUDGET
from bench.budget.tables import budget_content, budget_table
from bench.envelope import Origin, write_result
from bench.files import make_directory, write_atomically
from bench.scene.model import Bay


def write_budget(out: Path, budget: Budget, bay: Bay, origin: Origin) -> list[Path]:
    """Write budget.json, budget.csv and the figure; return them.

    Parameters
    ----------
    out : Path
        Directory.
    budget : Budget
        What is written.
    bay : Bay
        Whose.
    origin : Origin
        Where the numbers come from; its seed is that of the Monte Carlo trials.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    tolerance = {
        name: math.degrees(getattr(bay.tolerance, name)) for name in ("toe", "camber", "thrust")
    }
    value = {"tolerance_deg": tolerance, **budget_content(budget)}
    written = [write_result(out / BUDGET.file, BUDGET, value, origin), out / "budget.csv"]
    write_atomically(written[1], budget_table(budget).write_csv().encode())
    caption = (
        f"Bars: expanded uncertainty ({100.0 * budget.confidence:g} %, first order), divided as "
        "its variance is; of left and right the worse. "
        f"{'; '.join(budget.basis)}. {budget.trials} trials, seed {origin.seed}. "
        f"{bay.path.name}, sightbench {__version__}."
    )
    # matplotlib takes half a second to load, which a refusal needn't spend
    from bench.budget.figure import draw_budget
    from bench.draw.prints import save_print

    figure = draw_budget(budget, f"{bay.name}: uncertainty of toe, camber and thrust", caption)
    return [*written, *save_print(figure, out, "budget")]
