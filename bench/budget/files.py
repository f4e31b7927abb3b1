"""A budget as files: JSON, a table, and a figure to print."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from bench import __version__
from bench.budget.budget import Budget
from bench.budget.figure import draw_budget
from bench.budget.tables import budget_content, budget_table
from bench.draw.prints import save_print
from bench.files import make_directory, write_atomically
from bench.scene.model import Bay


def write_budget(
    out: Path, budget: Budget, bay: Bay, seed: int, facts: dict[str, Any]
) -> list[Path]:
    """Write budget.json after the facts, budget.csv and the figure; return them.

    Parameters
    ----------
    out : Path
        Directory.
    budget : Budget
        What is written.
    bay : Bay
        Whose.
    seed : int
        Of the Monte Carlo trials.
    facts : dict
        Where the numbers come from.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    whole = {
        **facts,
        "bay": {"name": bay.name, "file": bay.path.name, "digest": bay.digest},
        "seed": seed,
        "tolerance_deg": {
            name: math.degrees(getattr(bay.tolerance, name))
            for name in ("toe", "camber", "thrust")
        },
    }
    content = json.dumps(budget_content(budget, whole), indent=1, ensure_ascii=False)
    written = [out / "budget.json", out / "budget.csv"]
    write_atomically(written[0], content.encode())
    write_atomically(written[1], budget_table(budget).write_csv().encode())
    caption = (
        f"Bars: expanded uncertainty ({100.0 * budget.confidence:g} %, first order), divided as "
        "its variance is; of left and right the worse. "
        f"{'; '.join(budget.basis)}. {budget.trials} trials, seed {seed}. "
        f"{bay.path.name}, sightbench {__version__}."
    )
    figure = draw_budget(budget, f"{bay.name}: uncertainty of toe, camber and thrust", caption)
    return [*written, *save_print(figure, out, "budget")]
