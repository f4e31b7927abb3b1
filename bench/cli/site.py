"""`sightbench site`: find where to stand the towers and how to aim them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from bench.cli import site_sheet
from bench.cli.options import (
    BayArgument,
    CornerSigmaOption,
    OutOption,
    QuietOption,
    RuleOption,
    option,
    ruled,
)
from bench.cli.origin import made_by, origin_of
from bench.cli.predicting import (
    BoundOption,
    MapOption,
    PipelineOption,
    PredictAsDrawnOption,
    VisibilityOption,
    predictor,
)
from bench.cli.progress import progress_bar
from bench.cli.saying import say, say_written
from bench.defaults import SPARE
from bench.errors import ConfigError
from bench.files import make_directory
from bench.units import shown

DEFAULT_OUT = Path("sightbench-site")
Paper = Literal["a4", "letter"]
NEGATIVE = 1
STARTS = 16


def command(
    bay: BayArgument = None,
    out: OutOption = DEFAULT_OUT,
    evaluate_only: Annotated[
        bool, typer.Option("--evaluate", help="Judge the bay as it is; look for nothing better.")
    ] = False,
    lenses: Annotated[
        str | None,
        option(
            "LENGTHS", 'Focal lengths to choose from, such as "8, 12, 16 mm".', "from the bay file"
        ),
    ] = None,
    mounts: Annotated[
        bool,
        typer.Option(
            "--set-mounts/--keep-mounts",
            help="Whether targets' holders may be set to other angles that the bay file allows.",
        ),
    ] = True,
    starts: Annotated[
        int, option("N", "Layouts to start from, for a lens.", min=1, max=4096)
    ] = STARTS,
    seed: Annotated[int, option("N", "Of the starts.", min=0)] = 1,
    spare: Annotated[
        float,
        option(
            "FRACTION",
            "How much of the best uncertainty is given up for room to every limit: what "
            "installers may be off by grows with it.",
            min=0.0,
            max=10.0,
        ),
    ] = SPARE,
    bound: BoundOption = None,
    corner_sigma: CornerSigmaOption = None,
    map_: MapOption = None,
    pipeline: PipelineOption = None,
    visibility_: VisibilityOption = True,
    pictures: Annotated[bool, typer.Option(help="Draw what each tower should see.")] = True,
    sheet: Annotated[
        bool, typer.Option("--sheet/--no-sheet", help="Find tolerances and draw siting sheets.")
    ] = True,
    as_drawn: PredictAsDrawnOption = False,
    as_built: Annotated[
        Path | None,
        option(
            "MEASURED.toml",
            "What was measured on site: say whether the bay still holds, what to move.",
        ),
    ] = None,
    template: Annotated[
        bool,
        typer.Option("--template", help="Write the file to fill in on site, measured.toml; stop."),
    ] = False,
    rule: RuleOption = None,
    page: Annotated[
        Paper | None, option("a4|letter", "Paper of siting sheets.", "both", case_sensitive=False)
    ] = None,
    quiet: QuietOption = False,
) -> int:
    """Find spacing, height, standoff, yaw, pitch and lens that measure toe and camber best.

    Minimises the worst predicted uncertainty (expanded, over tolerance) of all wheels of all
    vehicles at all stations: of noise, and of what camera, print and plate are off by beyond
    what registration absorbs ([budget]); --as-drawn leaves noise alone. Kept are: the margin in
    the picture, the band of tilt, the visible part of every plate, focus, the ends of the bay
    file's [siting], walls, obstacles, the way through. From several starts a lens the same
    layout should come: how many agree is said. Of layouts within 5 % of the best (--spare), the
    one with fewest settings of holders and most room to everything is taken; where another
    layout hardly changes the whole, it says so.

    Says what limits the layout and what a larger target, a longer lens or finer pixels would
    gain. The layout is the towers' mirror-symmetric one; local codes, the equipment maker's
    instructions and licensed trades decide what is built.

    Writes site.json, site.csv (a row a lens), sightings.csv, sited.toml (the bay file with the
    layout found), aim pictures, siting sheets to print (the bay, the room, each tower, to
    scale, with room to write), and deviations.csv: how far each placement and angle may be off
    before a limit breaks, alone, and everything at once by Monte Carlo (there without what
    hides targets). Exit code 1 means that no layout is feasible (what binds, and by how much,
    is said), or none inside tolerance.

    On site: build from the sheet, fill in measured.toml (--template writes one, with the plan's
    numbers in comments) by tape, level and angle gauge, by where targets appear in a camera's
    picture, or by a photograph of a target on a known floor mark; then --as-built says whether
    the bay holds (exit code 0), breaks a limit (1) or can't be told from these measurements (3),
    how square it is, and the smallest correction. It writes as_built.json, as_built.csv and
    as-built-bay.toml. Give it the bay file that was built: sited.toml, if that was.

    \b
    Examples:
      sightbench site
      sightbench site my-bay.toml --lenses "8, 12, 16 mm" --starts 32
      sightbench site my-bay.toml --evaluate
      sightbench site sited.toml --template --out site-visit
      sightbench site sited.toml --as-built site-visit/measured.toml
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.scene.load import load_bay
    from bench.setting_out.files import write_template
    from bench.sighting.visibility import visibility
    from bench.siting.files import aim_of, write_sited_bay, write_siting
    from bench.siting.limits import gains_of, limits_of
    from bench.siting.search import evaluate, site
    from bench.siting.words import siting_words

    place = ruled(load_bay(bay), rule)
    if template:
        blank = write_template(place, out)
        typer.echo(f"Wrote {blank}: fill it in, then sightbench site BAY.toml --as-built {blank}")
        return 0
    own_lens = evaluate_only or as_built is not None
    asked = predictor(place, bound, corner_sigma, map_, pipeline, not own_lens, not as_drawn)
    if as_built is not None:
        return site_sheet.judge_as_built(
            place, asked, as_built, out, visible=visibility_, quiet=quiet
        )
    if evaluate_only:
        siting = evaluate(place, asked, visibility_)
    else:
        with progress_bar("starts", quiet) as progress:
            siting = site(
                place,
                asked,
                starts,
                seed,
                visibility if visibility_ else None,
                () if lenses is None else _lengths(lenses),
                mounts,
                progress,
                spare,
            )
    found = siting.chosen.best.feasible and not evaluate_only
    limits = limits_of(siting.chosen) if found else ()
    with progress_bar("alternatives", quiet or not found) as progress:
        gains = gains_of(siting, seed, progress) if found else ()
    make_directory(out)
    search = {
        "starts": 0 if evaluate_only else starts,
        "evaluated_only": evaluate_only,
        "spare": spare,
    }
    path, note, digest = write_sited_bay(out, siting) if found else (None, "", None)
    origin = origin_of(place, seed)
    written = write_siting(out, siting, limits, gains, search, digest, origin)
    written += [path] if path else []
    if pictures:
        with progress_bar("drawing", quiet):
            # matplotlib takes a second to load
            from bench.siting.aim_picture import write_aim_pictures

            written += write_aim_pictures(out, aim_of(siting), made_by())
    if sheet and siting.feasible:
        written += site_sheet.make_sheets(out, siting, origin, quiet=quiet, page=page)
    say_written(out, written)
    say(siting_words(siting, limits, gains, evaluate_only))
    typer.echo(f"Decision rule: {place.tolerance.rule_words}.")
    if note:
        typer.echo(note)
    return 0 if siting.feasible and siting.inside else NEGATIVE


def _lengths(text: str) -> tuple[float, ...]:
    """Return the focal lengths that --lenses asks for; the limits are a bay file's."""
    from bench.scene.siting_section import LENSES

    try:
        found: tuple[float, ...] = LENSES.read(text)
    except ValueError as error:
        raise ConfigError(f"--lenses: {error}") from error
    if len(set(found)) < len(found):
        raise ConfigError(f"--lenses: {shown(text)} has a value twice")
    return found
