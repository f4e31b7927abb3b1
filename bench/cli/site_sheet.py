"""Siting sheets and the bay as it was built: the other half of `sightbench site`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar
from bench.cli.saying import say, say_written
from bench.files import make_directory

if TYPE_CHECKING:
    from bench.envelope import Origin
    from bench.scene.model import Bay
    from bench.sighting.prediction import Predictor
    from bench.siting.search import Siting

PAPERS = ("a4", "letter")
EXIT_CODES = {"holds": 0, "fails": 1, "undecided": 3}


def make_sheets(
    out: Path, siting: Siting, origin: Origin, *, quiet: bool, page: str | None = None
) -> list[Path]:
    """Write siting sheets, deviations.csv and .json, and the file to fill in on site.

    Parameters
    ----------
    out : Path
        Directory.
    siting : Siting
        Whose layout.
    origin : Origin
        Where the layout comes from; its seed is that of the deviations drawn.
    quiet : bool
        No progress bar.
    page : str, optional
        One of `PAPERS`; both by default.

    Raises
    ------
    RunError
        A file can't be written.
    """
    from bench.setting_out.files import allowed_deviations, write_deviations, write_sheets
    from bench.setting_out.words import deviation_words

    with progress_bar("deviations", quiet) as progress:
        single, together = allowed_deviations(siting, origin.seed or 0, progress)
    written = write_deviations(out, single, together, origin)
    say(deviation_words(single, together))
    sheets, note = write_sheets(out, siting, single, together, PAPERS if page is None else (page,))
    if note:
        typer.echo(note)
    return written + sheets


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
    from bench.setting_out.as_built_file import read_measured
    from bench.setting_out.as_built_output import words_of, write_as_built
    from bench.setting_out.as_built_verdict import hides, judge
    from bench.setting_out.corrections import Advice, advise
    from bench.setting_out.slack import limits_of

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
    origin = origin_of(bay)
    written, note = write_as_built(out, verdict, measured, advice, predictor, origin)
    say(words_of(verdict, measured, advice))
    if note:
        typer.echo(note)
    say_written(out, written)
    return EXIT_CODES[verdict.state]
