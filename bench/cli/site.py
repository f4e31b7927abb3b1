"""`sightbench site`: find where to stand the towers and how to aim them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from bench import __version__
from bench.cli import site_sheet
from bench.cli.options import BayArgument, OutOption
from bench.cli.predicting import (
    BoundOption,
    CornerSigmaOption,
    MapOption,
    PipelineOption,
    VisibilityOption,
    predictor,
)
from bench.cli.progress import progress_bar
from bench.cli.results import write_run
from bench.errors import ConfigError
from bench.files import make_directory
from bench.scene.load import load_bay
from bench.scene.siting_section import LENSES
from bench.sighting.prediction import COVERAGE
from bench.sighting.visibility import visibility
from bench.siting.files import aim_of, mount_rows, write_sited_bay, write_siting
from bench.siting.limits import Gain, Limit, gains_of, limits_of
from bench.siting.programme import SPARE
from bench.siting.search import Siting, evaluate, site
from bench.siting.tower_layout import layout_of
from bench.survey import provenance
from bench.units import format_angle, format_length, shown

DEFAULT_OUT = Path("sightbench-site")
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
        typer.Option(
            metavar="LENGTHS",
            help='Focal lengths to choose from, such as "8, 12, 16 mm".',
            show_default="from the bay file",
        ),
    ] = None,
    mounts: Annotated[
        bool,
        typer.Option(
            "--set-mounts/--keep-mounts",
            help="Whether the targets' holders may be set to other presets of the bay file.",
        ),
    ] = True,
    starts: Annotated[
        int, typer.Option(min=1, max=4096, metavar="N", help="Layouts to start from, for a lens.")
    ] = STARTS,
    seed: Annotated[int, typer.Option(min=0, metavar="N", help="Of the starts.")] = 1,
    spare: Annotated[
        float,
        typer.Option(
            min=0.0,
            max=10.0,
            metavar="FRACTION",
            help="How much of the best uncertainty is given up for room to every limit: what "
            "installers may be off by grows with it.",
        ),
    ] = SPARE,
    bound: BoundOption = None,
    corner_sigma: CornerSigmaOption = None,
    map_: MapOption = None,
    pipeline: PipelineOption = None,
    visibility_: VisibilityOption = True,
    pictures: Annotated[
        bool, typer.Option(help="Draw the landscape and what each tower should see.")
    ] = True,
    sheet: Annotated[
        bool, typer.Option("--sheet/--no-sheet", help="Find tolerances and draw siting sheets.")
    ] = True,
    as_built: Annotated[
        Path | None,
        typer.Option(
            metavar="MEASURED.toml",
            help="What was measured on site: say whether the bay still holds, what to move.",
        ),
    ] = None,
    template: Annotated[
        bool,
        typer.Option("--template", help="Write the file to fill in on site, measured.toml; stop."),
    ] = False,
    page: Annotated[
        str | None,
        typer.Option(metavar="a4|letter", help="Paper of siting sheets.", show_default="both"),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
) -> int:
    """Find spacing, height, standoff, yaw, pitch and lens that measure toe and camber best.

    Minimises the worst predicted uncertainty (expanded, over tolerance) of all wheels of all
    vehicles at all stations. Kept are: the margin in the picture, the band of tilt, the visible
    part of every plate, focus, the ends of the bay file's [siting], walls, obstacles, the way
    through. From several starts a lens the same layout should come: how many agree is said.
    Of layouts within 5 % of the best (--spare), the one with most room to everything is taken.

    Says what limits the layout and what a larger target, a longer lens or finer pixels would
    gain. The layout is the towers' mirror-symmetric one; local codes, the equipment maker's
    instructions and licensed trades decide what is built.

    Writes site.json, site.csv (a row a lens), sightings.csv, sited.toml (the bay file with the
    layout found), landscape and aim pictures, siting sheets (PDF and SVG: the bay, then each
    tower, to scale, with room to write), and deviations.csv: how far each placement and angle
    may be off before a limit breaks, alone, and everything at once by Monte Carlo (there
    without what hides targets). Exit code 1 means that no layout is feasible (what
    binds, and by how much, is said), or none inside tolerance.

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
    started = provenance.now()
    place = load_bay(bay)
    if page is not None:
        page = site_sheet.paper(page)
    if template:
        return site_sheet.write_template(place, out)
    asked = predictor(place, bound, corner_sigma, map_, pipeline)
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
    facts = {
        "command": provenance.command_line(),
        "version": __version__,
        "seed": seed,
        "starts": 0 if evaluate_only else starts,
        "evaluated_only": evaluate_only,
        "spare": spare,
    }
    written = write_siting(out, siting, limits, gains, facts)
    write_run(out, started, {"bay": {"name": place.name, "digest": place.digest}, "seed": seed})
    written.append(out / provenance.RUN_FILE)
    note = ""
    if found:
        path, note = write_sited_bay(out, siting)
        written += [path] if path else []
    if pictures:
        with progress_bar("drawing", quiet):
            written += _draw(out, siting, evaluate_only)
    if sheet and siting.feasible:
        written += site_sheet.write_sheets(out, siting, seed=seed, quiet=quiet, page=page)
    typer.echo(f"Wrote to {out}: {', '.join(str(p.relative_to(out)) for p in written)}.")
    for line in words_of(siting, limits, gains, evaluate_only):
        typer.echo(line)
    beyond = sum(not one.prediction.measured for one in siting.sightings)
    if beyond:
        typer.echo(
            f"{beyond} of {len(siting.sightings)} targets lie outside the map's grid; the nearest "
            "cell's ratio was taken."
        )
    if note:
        typer.echo(note)
    return 0 if siting.feasible and siting.share <= 1.0 else NEGATIVE


def words_of(
    siting: Siting, limits: tuple[Limit, ...], gains: tuple[Gain, ...], evaluated: bool
) -> list[str]:
    """Return what siting finds, a line each."""
    if evaluated:
        return [_verdict(siting, "This layout"), *_broken(siting)]
    if not siting.chosen.best.feasible:
        binding = "; ".join(siting.chosen.binding())
        tried = ", ".join(one.lens for one in siting.lenses)
        return [
            f"No feasible layout with {tried}; nearest with {siting.chosen.lens}, where {binding}."
        ]
    layout = siting.layout
    lines = [
        f"Layout: spacing {_both(layout.spacing)}, height {_both(layout.height)}, standoff "
        f"{_both(layout.standoff)}, yaw {format_angle(layout.yaw)} inward, pitch "
        f"{format_angle(layout.pitch)}, lens {siting.chosen.lens}.",
        *_mounts(siting),
        _verdict(siting, "It"),
        *_broken(siting),
        _verdict(evaluate_own(siting), f"Instead of {_own(siting)}: that"),
        *(_lens(siting, i) for i in range(len(siting.lenses)) if len(siting.lenses) > 1),
        f"{siting.chosen.agree} of {len(siting.chosen.starts)} starts with {siting.chosen.lens} "
        "came to within 1 % of the best.",
    ]
    share = siting.chosen.best.share
    lines += [f"Limited by {limit.words(share)}." for limit in limits]
    if not limits:
        lines.append("Nothing limits it: uncertainties of several targets balance.")
    return lines + [f"With {gain.words(share)}." for gain in gains]


def evaluate_own(siting: Siting) -> Siting:
    """Return the bay's own layout, judged as the one found."""
    visible = not math.isnan(siting.sightings[0].visible)
    return evaluate(siting.asked, siting.predictor, visible)


def _verdict(siting: Siting, what: str) -> str:
    worst = max(siting.sightings, key=lambda one: one.prediction.share(siting.bay.tolerance))
    state = "inside" if siting.share <= 1.0 else "outside"
    kept = "keeps all constraints" if siting.feasible else "breaks constraints"
    return (
        f"{what} {kept}; its worst uncertainty is {state} tolerance, {siting.share:.3f} of it "
        f"({worst.tower} tower, {worst.name}; expanded, k = {COVERAGE:g}; "
        f"{siting.predictor.basis})."
    )


def _broken(siting: Siting) -> list[str]:
    return [f"  broken: {constraint.words()}" for constraint in siting.broken]


def _own(siting: Siting) -> str:
    own = layout_of(siting.asked)
    return (
        f"the bay file's {format_length(own.spacing)}, {format_length(own.height)}, "
        f"{format_length(own.standoff)}, {format_angle(own.yaw)}, {format_angle(own.pitch)}"
    )


def _lengths(text: str) -> tuple[float, ...]:
    """Return the focal lengths that --lenses asks for; the limits are a bay file's."""
    try:
        found: tuple[float, ...] = LENSES.read(text)
    except ValueError as error:
        raise ConfigError(f"--lenses: {error}") from error
    if len(set(found)) < len(found):
        raise ConfigError(f"--lenses: {shown(text)} has a value twice")
    return found


def _lens(siting: Siting, index: int) -> str:
    one = siting.lenses[index]
    if not one.best.feasible:
        return f"  {one.lens}: not feasible; {'; '.join(one.binding())}."
    ratio = one.best.share / siting.chosen.best.share
    against = "" if one is siting.chosen else f", {ratio:.2f} times that of {siting.chosen.lens}"
    return f"  {one.lens}: feasible{against}; {one.agree} of {len(one.starts)} starts agree."


def _mounts(siting: Siting) -> list[str]:
    """Say how holders are set, where there is a choice."""
    if all(len(settings) == 1 for settings in siting.chosen.problem.settings):
        return []
    settings: dict[tuple[float, float], list[str]] = {}
    for row in mount_rows(siting):
        settings.setdefault((row["turn_deg"], row["pitch_deg"]), []).append(
            f"{row['vehicle']} {row['axle']}"
        )
    return [
        f"Holders at turn {turn:g} deg, pitch {pitch:g} deg: {', '.join(names)}."
        for (turn, pitch), names in sorted(settings.items())
    ]


def _both(metres: float) -> str:
    return f"{format_length(metres)} ({format_length(metres, 'ft-in')})"


def _draw(out: Path, siting: Siting, evaluated: bool) -> list[Path]:
    # matplotlib takes a second to load
    from bench.siting.aim_picture import write_aim_pictures
    from bench.siting.landscape import slices_of
    from bench.siting.landscape_figure import write_landscape

    one = siting.chosen
    layouts = {"found": siting.layout} if not evaluated else {}
    layouts["as the bay file has it"] = layout_of(siting.asked)
    caption = (
        f"Lens {one.lens}; holders as set for the layout found; {siting.predictor.basis}. "
        "Hatched: not allowed, named by what is broken most (an edge's name: the margin there). "
        f"{provenance.command_line()}; sightbench {__version__}."
    )
    x = one.roomy.x
    drawn = write_landscape(
        out,
        slices_of(one.problem, x, one.roomy.choice),
        layouts,
        f"{siting.asked.name}: worst uncertainty around the layout",
        caption,
    )
    note = f"{provenance.command_line()}; sightbench {__version__}."
    return drawn + write_aim_pictures(out, aim_of(siting), note)
