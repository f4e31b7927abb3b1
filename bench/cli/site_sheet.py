"""What `sightbench site` does beyond siting: siting sheets, and the bay as it was built."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import polars as pl
import typer

from bench import __version__
from bench.cli.progress import progress_bar
from bench.cli.results import write_run
from bench.errors import BenchError, ConfigError, RunError
from bench.files import make_directory, write_atomically
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.setting_out.as_built_file import read_measured
from bench.setting_out.as_built_output import words_of, write_as_built
from bench.setting_out.as_built_template import template
from bench.setting_out.as_built_verdict import hides, judge
from bench.setting_out.corrections import Advice, advise
from bench.setting_out.deviations import Allowance, Allowances, allowances, rows
from bench.setting_out.joint_deviations import Joint, joint
from bench.setting_out.slack import limits_of
from bench.setting_out.visible_deviations import with_visibility
from bench.sighting.prediction import Predictor
from bench.siting.files import SITED_FILE
from bench.siting.search import Siting
from bench.survey import provenance
from bench.units import shown

PAPERS = ("a4", "letter")
TEMPLATE = "measured.toml"
EXIT_CODES = {"holds": 0, "fails": 1, "undecided": 3}


def paper(text: str) -> str:
    """Return the paper that an option names.

    Raises
    ------
    ConfigError
        None of `PAPERS`.
    """
    if text.lower() not in PAPERS:
        raise ConfigError(f"--page: {shown(text)} is neither {' nor '.join(PAPERS)}")
    return text.lower()


def write_sheets(
    out: Path, siting: Siting, *, seed: int, quiet: bool, page: str | None = None
) -> list[Path]:
    """Write siting sheets, deviations.csv and .json, and the file to fill in on site.

    Parameters
    ----------
    out : Path
        Directory.
    siting : Siting
        Whose layout.
    seed : int
        Of the deviations drawn.
    quiet : bool
        No progress bar.
    page : str, optional
        One of `PAPERS`; both by default.

    Raises
    ------
    RunError
        A file can't be written.
    """
    from bench.setting_out.sheet import write_siting_sheet  # matplotlib takes a second
    from bench.setting_out.sheet_frame import Plan

    limits = limits_of(siting.bay, siting.predictor)
    single = allowances(limits)
    if not any(math.isnan(one.visible) for one in siting.sightings):
        single = with_visibility(siting.bay, single)
    with progress_bar("deviations", quiet) as progress:
        together = joint(limits, single, seed=seed, progress=progress)
    written = write_deviations(out, single, together)
    for line in deviation_words(single, together):
        typer.echo(line)
    sited = _named(siting.bay, out)
    plan = Plan(sited, siting.sightings, single, together)
    for one in PAPERS if page is None else (page,):
        folder = out / f"sheet-{one}"
        written += write_siting_sheet(plan, folder, one)
    blank = out / TEMPLATE
    if blank.exists():
        typer.echo(
            f"{blank} stays as it is: it may have been filled in, for this or another plan."
        )
    else:
        file = None if sited is siting.bay else SITED_FILE
        write_atomically(blank, template(siting.bay, file).encode())
        written.append(blank)
    return written


def deviation_words(single: Allowances, together: Joint) -> list[str]:
    """Say what may be off least, of lengths and of angles, and what may be off at once."""
    lines = []
    for is_length, unit, scale in ((True, "mm", 1000.0), (False, "deg", 180.0 / math.pi)):
        one = min((a for a in single.each if a.knob.is_length is is_length), key=_least)
        breaks = one.breaks_minus if one.minus <= one.plus else one.breaks_plus
        lines.append(
            f"Least allowed alone, of {'lengths' if is_length else 'angles'}: {one.knob.words} "
            f"{scale * one.least:.2f} {unit}, then {breaks or 'nothing'} breaks."
        )
    return [*lines, f"Together: {together.words}."]


def _least(one: Allowance) -> float:
    return one.least


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


def write_deviations(out: Path, single: Allowances, together: Joint) -> list[Path]:
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
    content: dict[str, Any] = {
        "command": provenance.command_line(),
        "version": __version__,
        "alone": found,
        "together": {**asdict(together), "words": together.words},
        "broken_by_plan": list(single.broken),
    }
    write_atomically(table, pl.DataFrame(found).write_csv(float_precision=3).encode())
    write_atomically(summary, json.dumps(content, indent=1, ensure_ascii=False).encode())
    return [table, summary]


def write_template(bay: Bay, out: Path) -> int:
    """Write the file to fill in on site; one that exists stays.

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
    typer.echo(f"Wrote {path}: fill it in, then sightbench site BAY.toml --as-built {path}")
    return 0


def judge_as_built(
    bay: Bay,
    predictor: Predictor,
    path: Path,
    out: Path,
    *,
    visible: bool = True,
    quiet: bool = False,
) -> int:
    """Judge a bay as it was measured; print, write, return the exit code.

    Returns
    -------
    int
        0 where it keeps every limit, 1 where it breaks one, 3 where the measurement can't tell.

    Raises
    ------
    BenchError
        The file or a photograph won't do.
    """
    started = provenance.now()
    with progress_bar("judging", quiet) as progress:
        progress(0, 3)
        measured = read_measured(path, bay)
        progress(1, 3)
        verdict = judge(bay, measured, predictor, visible)
        progress(2, 3)
        advice = Advice((), ())
        if verdict.state != "holds":
            advice = advise(
                verdict.limits, limits_of(bay, predictor), hides(verdict) if visible else None
            )
        progress(3, 3)
    make_directory(out)
    facts = {"command": provenance.command_line(), "version": __version__}
    written, note = write_as_built(out, verdict, measured, advice, predictor, facts)
    write_run(out, started, {"bay": {"name": bay.name, "digest": bay.digest}})
    for line in words_of(verdict, measured, advice):
        typer.echo(line)
    if note:
        typer.echo(note)
    typer.echo(f"Wrote to {out}: {', '.join(p.name for p in written)}.")
    return EXIT_CODES[verdict.state]
