"""`sightbench aim --photo` and `--watch`: a tower aimed by its own pictures."""

from __future__ import annotations

import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from bench.cli.origin import origin_of
from bench.cli.saying import say
from bench.errors import ConfigError
from bench.files import make_directory

if TYPE_CHECKING:
    from bench.scene.model import Bay

DEFAULT_PORT, LAST_PORT = 8760, 65535
NEGATIVE, COULD_NOT_JUDGE = 1, 3
EXIT_CODES = {"inside": 0, "turn": NEGATIVE, "mend": NEGATIVE, "nothing": COULD_NOT_JUDGE}


def aim_by_photo(
    bay: Bay,
    photo: Path,
    out: Path,
    tower: str | None,
    vehicle: str | None,
    station: str | None,
    stop: float,
) -> int:
    """Say how to turn and tip a tower by a picture of its camera; return the exit code."""
    # the detectors' and drawings' libraries take a second, which a plain aim needn't spend
    from bench.aiming.advice import advise_aim
    from bench.aiming.files import write_advice
    from bench.aiming.words import advice_words
    from bench.imaging.read import read_picture
    from bench.survey.setup import find_tower

    picture = read_picture(photo, find_tower(bay, tower).camera)
    advice = advise_aim(bay, picture, tower=tower, vehicle=vehicle, station=station, stop=stop)
    make_directory(out)
    path = write_advice(out, advice, str(photo), origin_of(bay))
    say(advice_words(advice))
    typer.echo(f"Wrote {path}.")
    return EXIT_CODES[advice.state]


def aim_by_watching(
    bay: Bay,
    source: str,
    tower: str | None,
    vehicle: str | None,
    station: str | None,
    stop: float,
    port: int,
    browser: bool,
) -> int:
    """Serve the page that follows a tower's pictures, until Ctrl-C; return the exit code."""
    from bench.survey.setup import find_tower

    if tower is None and not bay.wheel_targets:
        there = ", ".join(one.name for one in bay.towers)
        raise ConfigError(f"--tower: whose pictures are they, of {there}? Targets look alike here")
    from bench.aiming.placing import named
    from bench.aiming.source import open_source
    from bench.aiming.watching import Watch
    from bench.explore.aim_app import make_aim_app
    from bench.explore.serve import ADDRESS, listen, port_of, serve_app

    named("vehicle", bay.vehicles, vehicle)
    named("station", bay.stations, station)
    watch = Watch(
        bay, open_source(source, find_tower(bay, tower).camera), tower, vehicle, station, stop
    )
    try:
        listening = listen(port)
        with listening:
            watch.start()
            address = f"http://{ADDRESS}:{port_of(listening)}/"
            typer.echo(f"Aiming is at {address}")
            typer.echo("For this machine alone; Ctrl-C ends it.")
            if browser:
                webbrowser.open(address)
            serve_app(make_aim_app(watch, port_of(listening)), listening)
    except KeyboardInterrupt:
        return 0  # the way to end it
    finally:
        watch.close()
    return 0
