"""`sightbench illustrate`: teaching pictures of good and bad target angles and conditions."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.built.sizes import AS_DRAWN_WORDS, sizes_words
from bench.cli.options import BayArgument, OutOption, QuietOption, SeedOption, option
from bench.cli.progress import progress_bar
from bench.cli.surveying import AsDrawnOption
from bench.errors import ConfigError
from bench.files import make_directory
from bench.scene.load import load_bay
from bench.teaching.captions import copy_captions, read_captions
from bench.teaching.illustration import illustrate_all
from bench.teaching.scenes import SETS, SWEEP_NAME, SWEEP_SET, chosen, sweep
from bench.teaching.sidecar import Making
from bench.teaching.words import said

DEFAULT_OUT = Path("sightbench-illustrate")
SHAPES = ("a4", "letter", "slide")


def command(
    bay: BayArgument = None,
    out: OutOption = DEFAULT_OUT,
    sets: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="NAME",
            help=f"{', '.join(SETS)}; several by repeating.",
            show_default="all",
        ),
    ] = None,
    case: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="One picture of one set, without contact sheets."),
    ] = None,
    shape: Annotated[
        list[str] | None, option("|".join(SHAPES), "Pages of the contact sheets.", "all")
    ] = None,
    trials: Annotated[
        int,
        typer.Option(
            min=1, max=100_000, metavar="N", help="Pictures a scene; registrations, at most 40."
        ),
    ] = 100,
    pipeline: Annotated[
        str | None, typer.Option(metavar="DETECTOR/SOLVER", show_default="the bay file's first")
    ] = None,
    seed: SeedOption = None,
    as_drawn: AsDrawnOption = False,
    language: Annotated[str, typer.Option(metavar="NAME", help="Of the captions: en, de.")] = "en",
    captions: Annotated[
        Path | None, option("FILE.toml", "Your own words, or your own language.")
    ] = None,
    write_captions: Annotated[
        Path | None, option("FILE.toml", "Write the language's texts there to reword, and stop.")
    ] = None,
    quiet: QuietOption = False,
) -> int:
    """Make teaching pictures: what makes a target measure well, and what spoils it.

    Each picture shows the target as the first tower's camera sees it, one dot a pixel, and
    enlarged; where camera and target are; and what error that gives, over many such pictures
    through the same pipeline, with the reason in words. Camera, target, ranges and tolerance
    are the bay file's.

    \b
      SET-CASE.png, .json      a picture, and where each of its numbers comes from
      SET-SHAPE.pdf, .png, .svg  the set's contact sheet
      tilt-sweep.gif           a target that turns, with its error

    The .json holds the command that makes exactly that picture again, and each case that its
    numbers come from. Every picture is of a bay as built, as 'sightbench map' has it, beside
    what it is about; --as-drawn leaves noise alone. Registrations, --set slip, are rehearsed
    with noise alone.

    Captions are texts in a TOML file; {numbers} in braces are filled in. A picture's reason is
    what always holds, and what its own numbers then allow to say. --write-captions writes all
    texts of a language to a file. Keep in it what you reword and delete the rest, the key
    'language' first: the rest stays as shipped. Keep 'language' to translate: then every text
    must be there.

    \b
    Examples:
      sightbench illustrate                                all sets, a few minutes
      sightbench bay --new my-bay.toml                     your own bay and target ...
      sightbench illustrate my-bay.toml --set tilt --shape slide     ... one set, for a projector
      sightbench illustrate --set tilt --case sweep        the moving picture alone
      sightbench illustrate --set dirt --case on-corner --trials 200
      sightbench illustrate --language de --write-captions my-words.toml
      sightbench illustrate --language de --captions my-words.toml
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    if write_captions is not None:
        copy_captions(language, write_captions)
        typer.echo(f"Wrote the texts of '{language}' to {write_captions}.")
        return 0
    scenes, moving = chosen(sets, case)
    for name in shape or ():
        if name not in SHAPES:
            raise ConfigError(f"--shape: '{name}' must be one of {', '.join(SHAPES)}")
    words = read_captions(language, captions)
    place = load_bay(bay)
    making = Making(
        bay,
        pipeline or place.survey.pipelines[0],
        trials,
        place.survey.seed if seed is None else seed,
        language,
        captions,
        as_drawn,
    )
    typer.echo(AS_DRAWN_WORDS if as_drawn else sizes_words(place))
    frames = sweep() if moving else ()
    make_directory(out)
    with progress_bar("pictures", quiet) as moved:
        pictures, film, refused = illustrate_all(scenes, frames, place, making, moved)
    with progress_bar("drawing", quiet):
        # matplotlib takes a second to load, which bad input needn't wait for
        from bench.teaching.set_files import write_cards, write_sheets, write_sweep

        written = write_cards(out, pictures, place, making, words)
        if case is None:
            shapes = [name for name in SHAPES if not shape or name in shape]
            written += write_sheets(out, pictures, shapes, place, making, words)
        if film:
            written += write_sweep(out, film, place, making, words)
    typer.echo(f"Wrote {len(written)} files to {out}:")
    for one in pictures:
        text = said(one, place, words)
        typer.echo(f"  {one.scene.set}-{one.scene.name}: {text.title}: {text.verdict}")
    if film:
        typer.echo(f"  {SWEEP_SET}-{SWEEP_NAME}.gif: {len(film)} turns")
    for reason in refused:
        typer.echo(f"Left out: {reason}")
    return 0
