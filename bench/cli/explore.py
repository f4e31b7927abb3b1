"""`sightbench explore`: the live bench, a page on this machine."""

from __future__ import annotations

import webbrowser
from functools import partial
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import parse_qsl

import typer

from bench.cli.options import BayArgument, QuietOption, option
from bench.cli.progress import progress_bar
from bench.errors import BenchError, ConfigError

DEFAULT_PORT, LAST_PORT = 8750, 65535
Page = Literal["target", "bay"]


def command(
    bay: BayArgument = None,
    port: Annotated[
        int, option("N", "Where to listen; 0 takes a free port.", min=0, max=LAST_PORT)
    ] = DEFAULT_PORT,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")
    ] = True,
    state: Annotated[
        str | None,
        option("QUERY", "Start with these values: what follows the '?' of a page's address."),
    ] = None,
    page: Annotated[Page, option("target|bay", "Which of the two pages opens.")] = "target",
    run: Annotated[
        Path | None,
        typer.Option(
            "--map",
            metavar="RUN",
            help="Directory of a finished 'sightbench map' of this bay: predictions are "
            "multiplied by the ratio of error to bound that it measured of the pipeline shown.",
            show_default="the bare bound",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        option("DIR", "Write the state's pictures, with sidecar or bay file, and serve nothing."),
    ] = None,
    quiet: QuietOption = False,
) -> int:
    """Try out views of a target, or move the whole bay, and see at once what comes of it.

    Serves two pages to this machine alone, until Ctrl-C. The first is of one target: move range,
    angles, place in the picture, light, blur or noise; choose tower, target and pipeline. It
    shows the picture with what was found, both poses that explain it, errors against the truth,
    the bound on any pipeline, and whether the bay's tolerance can hold, here, over range and turn,
    and along any one control; beside it, another pipeline, camera or target. A run of 200
    pictures fills a scatter plot. A page's address holds the whole state: the same address shows
    the same numbers.

    The second, --page bay, has plan and side view of the bay: drag towers, vehicle, lift and
    holders, or type what the tape says. It shows what each tower's camera sees, what stands in
    what, every limit with its slack and the worst uncertainty, as 'aim' and 'site --evaluate'
    have them; finds the best layout from there; and saves the bay file, comments kept, and
    pictures.

    \b
    Examples:
      sightbench explore
      sightbench explore my-bay.toml --port 0 --no-browser
      sightbench explore --map sightbench-map
      sightbench explore --page bay
      sightbench explore --state 'range_m=7.5&turn_deg=40'
      sightbench explore --state 'range_m=7.5&turn_deg=40' --out pictures
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    try:
        return _explore(bay, port, browser, state, page, run, out, quiet)
    except KeyboardInterrupt:
        return 0  # the way to end it


def _explore(
    bay: Path | None,
    port: int,
    browser: bool,
    query: str | None,
    shown: Page,
    run: Path | None,
    directory: Path | None,
    quiet: bool,
) -> int:
    from bench.scene.load import load_bay

    if run is not None and directory is not None:
        raise ConfigError("--map: not with --out, whose files have no predictions")
    found = load_bay(bay)
    # web and drawing libraries take a second to load, which bad input needn't wait for
    from bench.explore.bay_result import compute_bay
    from bench.explore.bay_saving import bay_files
    from bench.explore.bay_state import read_bay_state
    from bench.explore.place import Place
    from bench.explore.predicted import read_surveyed
    from bench.explore.result import compute
    from bench.explore.saving import illustration, save
    from bench.explore.serve import ADDRESS, listen, port_of, serve
    from bench.explore.state import read_state

    place = Place(found, surveyed={} if run is None else read_surveyed(run, found))
    given = dict(parse_qsl((query or "").lstrip("?"), keep_blank_values=True))
    try:
        if shown == "target":
            state = read_state(given, place.default)
            if given:
                compute(state, place)
            link, write = state.permalink(), partial(illustration, state, place, bay)
        else:
            moved = read_bay_state(given, place.movable)
            link, write = moved.permalink(), partial(bay_files, moved, place.movable, bay)
    except BenchError as error:
        raise ConfigError(f"--state: {error}") from error
    if directory is not None:
        for path in save(write(), directory):
            typer.echo(f"Wrote {path}")
        return 0
    listening = listen(port)
    with listening:
        with progress_bar("getting ready", quiet) as done:
            # the first picture compiles and loads what the others then have
            done(0, 2)
            if shown == "target":
                compute(place.default, place)
                done(1, 2)
                place.able(place.default.target)
            else:
                place.movable.quick(found, wait=True)
                done(1, 2)
                compute_bay(place.movable.default, place.movable, exact=False)
            done(2, 2)
        page = f"http://{ADDRESS}:{port_of(listening)}/{'' if shown == 'target' else 'bay'}"
        address = page if query is None else f"{page}?{link}"
        typer.echo(f"The live bench is at {address}")
        typer.echo("For this machine alone; Ctrl-C ends it.")
        if browser:
            webbrowser.open(address)
        serve(place, listening, bay)
    return 0
