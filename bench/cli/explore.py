"""`sightbench explore`: the live bench, a page on this machine."""

from __future__ import annotations

import webbrowser
from pathlib import Path
from typing import Annotated
from urllib.parse import parse_qsl

import typer

from bench.cli.options import BayArgument, QuietOption, option
from bench.cli.progress import progress_bar
from bench.errors import BenchError, ConfigError
from bench.scene.load import load_bay

DEFAULT_PORT, LAST_PORT = 8750, 65535


def command(
    bay: BayArgument = None,
    port: Annotated[
        int, typer.Option(metavar="N", help="Where to listen; 0 takes a free port.")
    ] = DEFAULT_PORT,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")
    ] = True,
    state: Annotated[
        str | None,
        option("QUERY", "Start with these values: what follows the '?' of a page's address."),
    ] = None,
    out: Annotated[
        Path | None,
        option("DIR", "Write the state's illustration and its sidecar there, and serve nothing."),
    ] = None,
    quiet: QuietOption = False,
) -> int:
    """Try out views of a target in the browser and see at once what comes of them.

    Serves a page to this machine alone, until Ctrl-C. Move range, angles, place in the picture,
    light, blur or noise; choose tower, target and pipeline. The page shows the picture with what
    was found, both poses that explain it, errors against the truth, the bound on any pipeline,
    and whether the bay's tolerance holds. A run of 200 pictures fills a scatter plot. The page's
    address holds the whole state: the same address shows the same numbers.

    \b
    Examples:
      sightbench explore
      sightbench explore my-bay.toml --port 0 --no-browser
      sightbench explore --state 'range_m=7.5&turn_deg=40'
      sightbench explore --state 'range_m=7.5&turn_deg=40' --out pictures
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    try:
        return _explore(bay, port, browser, state, out, quiet)
    except KeyboardInterrupt:
        return 0  # the way to end it


def _explore(
    bay: Path | None,
    port: int,
    browser: bool,
    query: str | None,
    directory: Path | None,
    quiet: bool,
) -> int:
    if not 0 <= port <= LAST_PORT:
        raise ConfigError(f"--port: {port} lies outside 0 to {LAST_PORT}")
    found = load_bay(bay)
    # web and drawing libraries take a second to load, which bad input needn't wait for
    from bench.explore.place import Place
    from bench.explore.result import compute
    from bench.explore.saving import illustration, save
    from bench.explore.serve import ADDRESS, listen, port_of, serve
    from bench.explore.state import read_state

    place = Place(found)
    state = place.default
    if query is not None:
        try:
            given = dict(parse_qsl(query.lstrip("?"), keep_blank_values=True))
            state = read_state(given, place.default)
            compute(state, place)
        except BenchError as error:
            raise ConfigError(f"--state: {error}") from error
    if directory is not None:
        for path in save(illustration(state, place, bay), directory):
            typer.echo(f"Wrote {path}")
        return 0
    listening = listen(port)
    with listening:
        with progress_bar("getting ready", quiet) as moved:
            # the first picture compiles and loads what the others then have
            moved(0, 2)
            compute(place.default, place)
            moved(1, 2)
            place.able(state.target)
            moved(2, 2)
        page = f"http://{ADDRESS}:{port_of(listening)}/"
        address = page if query is None else f"{page}?{state.permalink()}"
        typer.echo(f"The live bench is at {address}")
        typer.echo("For this machine alone; Ctrl-C ends it.")
        if browser:
            webbrowser.open(address)
        serve(place, listening, bay)
    return 0
