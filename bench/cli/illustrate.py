"""`sightbench illustrate`: slides that show a good view beside a spoilt one, and why."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from bench.cli.options import BayArgument, OutOption, QuietOption, SeedOption, option
from bench.cli.progress import progress_bar
from bench.cli.surveying import AsDrawnOption, WorkersOption, processes_of
from bench.errors import ConfigError
from bench.files import make_directory, settle
from bench.teaching.sets import SETS

DEFAULT_OUT = Path("sightbench-illustrate")
SHAPES = ("a4", "letter")


def command(
    bay: BayArgument = None,
    out: OutOption = DEFAULT_OUT,
    sets: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="NAME",
            help=f"{', '.join(SETS)}, or your own; several by repeating.",
            show_default="all",
        ),
    ] = None,
    case: Annotated[
        str | None, option("NAME", "One picture of one set, without handout and notes.")
    ] = None,
    shape: Annotated[
        list[str] | None, option("|".join(SHAPES), "Pages of the handout.", "a4")
    ] = None,
    trials: Annotated[
        int,
        option(
            "N",
            "Pictures a view, fewer of slow lenses; registrations, at most 6.",
            min=1,
            max=100_000,
        ),
    ] = 60,
    pipeline: Annotated[
        str | None, typer.Option(metavar="DETECTOR/SOLVER", show_default="the bay file's first")
    ] = None,
    seed: SeedOption = None,
    as_drawn: AsDrawnOption = False,
    workers: WorkersOption = None,
    scenes: Annotated[Path | None, option("FILE.toml", "Your own scenes.")] = None,
    language: Annotated[str, option("NAME", "Of the captions: en, de.")] = "en",
    captions: Annotated[
        Path | None, option("FILE.toml", "Your own words, or your own language.")
    ] = None,
    write_captions: Annotated[
        Path | None, option("FILE.toml", "Write the language's texts there to reword, and stop.")
    ] = None,
    quiet: QuietOption = False,
) -> int:
    """Make teaching slides: a good view of a target beside a spoilt one, with the cause drawn.

    Each slide shows the same view twice with one difference: what the camera sees, an arrow at
    the edge that moved, the cause from above, and whether the bay's tolerance holds over many
    such pictures through a pipeline. A dot in the ring holds, one on it is too close to call, one
    out of it fails. Camera, target, ranges, lamps and tolerance are the bay file's.

    \b
      SET-CASE.png, .svg, .pdf   a slide, 16:9
      SET-CASE.json              where each of its numbers comes from, and its own command
      SET-a4.pdf, SET-notes.txt  the set's handout, and notes for the speaker
      tilt-sweep.gif             a plate that turns, with its error
      tilt-steepest.png, ...     how steep is too steep, with bent plates and grazing light

    Every picture is of a bay as built, as 'sightbench map' has it, beside what it is about;
    --as-drawn leaves noise alone. Each slide is written as soon as it is done: the same command
    in the same folder goes on where it was interrupted.

    A scene of your own is a few lines of TOML; it has all that its set's good view has but for
    what it names, one key of assets/scenes.toml or more:

    \b
      [[scene]]
      set = "light"
      name = "two-lamps"
      spot = { x = -0.2, y = 0.1, sigma = 0.1, level = 1.2 }
      texts = { title = "Another lamp", mark = "Here it shines", lesson = "Move it.", why = "..." }

    Captions are texts in a TOML file; {numbers} in braces are filled in. --write-captions writes
    all texts of a language to a file. Keep in it what you reword and delete the rest, the key
    'language' first: the rest stays as shipped. Keep 'language' to translate: then every text
    must be there.

    \b
    Examples:
      sightbench illustrate                                all slides, about a minute
      sightbench bay --new my-bay.toml                     your own bay and target ...
      sightbench illustrate my-bay.toml --set tilt         ... one set
      sightbench illustrate --set tilt --case sweep        the moving picture and its advice
      sightbench illustrate --set plate --case mud --trials 200
      sightbench illustrate --scenes my-scenes.toml --set light
      sightbench illustrate --language de --write-captions my-words.toml
      sightbench illustrate --language de --captions my-words.toml
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.built.sizes import AS_DRAWN_WORDS, sizes_words
    from bench.scene.load import load_bay
    from bench.teaching.captions import copy_captions, read_captions, with_scenes
    from bench.teaching.illustration import Making, illustrate_each, too_few
    from bench.teaching.scenes import (
        SCENES,
        SWEEP_SET,
        chosen,
        differences,
        good_of,
        read_scenes,
        sweep,
    )
    from bench.teaching.trials import Illustrated

    if write_captions is not None:
        copy_captions(language, write_captions)
        typer.echo(f"Wrote the texts of '{language}' to {write_captions}.")
        return 0
    own = () if scenes is None else read_scenes(scenes)
    every = (*SCENES, *own)
    views, moving = chosen(sets, case, every)
    for name in shape or ():
        if name not in SHAPES:
            raise ConfigError(f"--shape: '{name}' must be one of {', '.join(SHAPES)}")
    words = read_captions(language, captions)
    if scenes is not None:
        words = with_scenes(words, own, scenes)
    place = load_bay(bay)
    # matplotlib takes a second to load, which bad input needn't wait for
    from bench.teaching import files
    from bench.teaching.words import said

    typer.echo(AS_DRAWN_WORDS if as_drawn else sizes_words(place))
    warning = too_few(place, trials)
    if warning:
        typer.echo(f"Warning: {warning}")
    for one in own:
        if keys := differences(one, every):
            typer.echo(
                f"Warning: {one.key} differs from its good view in {', '.join(keys)}: "
                "what the slide shows is of all of them together"
            )
    making = Making(
        pipeline or place.survey.pipelines[0],
        trials,
        place.survey.seed if seed is None else seed,
        as_drawn,
        every,
        files.stored_cases(out),
    )
    job = files.Job(out, bay, place, making, language, words, scenes, captions)
    if case is None:
        # a good view stands beside each other one
        views = tuple(one for one in views if good_of(one, every) is not None)
    shown: dict[str, list[Illustrated]] = {}
    film: list[Illustrated] = []
    left = Counter(one.set for one in views)
    make_directory(out)

    def closed(name: str) -> None:
        if case is None:
            for paper in shape or SHAPES[:1]:
                files.write_handout(shown[name], paper, job)
            files.write_notes(shown[name], job)

    def done(one: Illustrated) -> None:
        if one.scene.key.startswith(f"{SWEEP_SET}.sweep-"):
            film.append(one)
            files.save_frames(film, job)
        else:
            files.write_picture(one, job)
            text = said(one, place, words)
            typer.echo(f"  {one.scene.set}-{one.scene.name}: {text.title}: {text.headline}")
            shown.setdefault(one.scene.set, []).append(one)
            left[one.scene.set] -= 1
            if not left[one.scene.set]:
                closed(one.scene.set)
        settle()  # finished ones stay, whatever comes

    with progress_bar("pictures", quiet) as moved:
        frames = sweep() if moving else ()
        refused = illustrate_each(
            (*views, *frames), place, making, done, moved, processes_of(workers)
        )
    for name in shown:
        if left[name]:  # of those that couldn't be shown
            closed(name)
    if film:
        _, advice = files.write_sweep(film, job)
        typer.echo(f"  tilt-steepest: {advice}")
    typer.echo(f"Wrote slides, handouts and notes to {out}.")
    for reason in refused:
        typer.echo(f"Left out: {reason}")
    return 0
