"""Siting sheets, allowed deviations and the table to fill in on site, as files."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import polars as pl

from bench.envelope import Facts, Kind, Origin, write_result
from bench.errors import BenchError, RunError
from bench.files import make_directory, write_atomically
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.setting_out.as_built_template import template
from bench.setting_out.deviations import Allowances, allowances, rows
from bench.setting_out.joint_deviations import Joint, joint
from bench.setting_out.slack import limits_of
from bench.setting_out.visible_deviations import with_visibility
from bench.siting.files import SITED_FILE
from bench.siting.search import Siting

TEMPLATE = "measured.toml"
SHEET = "siting-sheet.pdf"  # in a folder for each paper
DEVIATIONS = Kind("allowed deviations", "deviations.json", "site", Facts)


def _named(bay: Bay, out: Path) -> Bay:
    """Return the bay with the digest of the file that describes it, where there is one."""
    try:
        sited = load_bay(out / SITED_FILE)
    except BenchError:
        return bay
    same = all(
        abs(a.placement.offset - b.placement.offset) < 1e-4
        and abs(a.placement.yaw - b.placement.yaw) < 1e-5
        for a, b in zip(sited.towers, bay.towers, strict=False)
    )
    return replace(bay, digest=sited.digest) if same else bay


def allowed_deviations(
    siting: Siting, seed: int, progress: Callable[[int, int], None]
) -> tuple[Allowances, Joint]:
    """Return what may be off in the layout found: each alone, and all at once by Monte Carlo.

    Parameters
    ----------
    siting : Siting
        Whose layout.
    seed : int
        Of the deviations drawn.
    progress : callable
        Called with done and total.
    """
    limits = limits_of(siting.bay, siting.predictor)
    single = allowances(limits)
    if not any(math.isnan(one.visible) for one in siting.sightings):
        single = with_visibility(siting.bay, single)
    return single, joint(limits, single, seed=seed, progress=progress)


def write_sheets(
    out: Path, siting: Siting, single: Allowances, together: Joint, papers: Sequence[str]
) -> tuple[list[Path], str]:
    """Write siting sheets and the file to fill in on site; return those, and a note or "".

    Parameters
    ----------
    out : Path
        Directory, where `SITED_FILE` may describe the layout.
    siting : Siting
        Whose layout.
    single : Allowances
        What may be off alone.
    together : Joint
        What may be off at once.
    papers : sequence of str
        Of `bench.defaults.PAPERS`.

    Raises
    ------
    RunError
        A file can't be written.
    """
    from bench.setting_out.sheet import siting_sheet  # matplotlib takes a second
    from bench.setting_out.sheet_frame import Plan
    from bench.targets.pdf import sheet_pdf

    sited = _named(siting.bay, out)
    plan = Plan(sited, siting.sightings, single, together)
    written: list[Path] = []
    for one in papers:
        written.append(out / f"sheet-{one}" / SHEET)
        make_directory(written[-1].parent)
        write_atomically(written[-1], sheet_pdf(siting_sheet(plan, one)))
    blank = out / TEMPLATE
    if blank.exists():
        return written, (
            f"{blank} stays as it is: it may have been filled in, for this or another plan."
        )
    file = None if sited is siting.bay else SITED_FILE
    write_atomically(blank, template(siting.bay, file).encode())
    return [*written, blank], ""


def write_deviations(out: Path, single: Allowances, together: Joint, origin: Origin) -> list[Path]:
    """Write deviations.csv and .json; return them.

    Raises
    ------
    RunError
        A file can't be written.
    """
    table, summary = out / "deviations.csv", out / "deviations.json"
    found = rows(single)
    for row in found:
        row["together"] = together.fraction * min(float(row["minus"]), float(row["plus"]))  # type: ignore[arg-type]
    value: dict[str, Any] = {
        "alone": found,
        "together": {**asdict(together), "words": together.words},
        "broken_by_plan": list(single.broken),
    }
    write_atomically(table, pl.DataFrame(found).write_csv(float_precision=3).encode())
    return [table, write_result(summary, DEVIATIONS, value, origin)]


def write_template(bay: Bay, out: Path) -> Path:
    """Write the file to fill in on site and return it; one that exists stays.

    Raises
    ------
    RunError
        It is there already, or can't be written.
    """
    path = out / TEMPLATE
    if path.exists():
        raise RunError(f"{path}: is there already; it may have been filled in, so it stays")
    make_directory(out)
    write_atomically(path, template(bay).encode())
    return path
