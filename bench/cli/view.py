"""`sightbench view`: the bay in three dimensions, as each tower's camera sees it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from bench.cli.options import BayArgument, OutOption, QuietOption, SeedOption, option
from bench.cli.origin import made_by, origin_of
from bench.cli.progress import progress_bar
from bench.cli.saying import say, say_written
from bench.files import make_directory

DEFAULT_OUT = Path("sightbench-view")
NEGATIVE = 1


def command(
    bay: BayArgument = None,
    out: OutOption = DEFAULT_OUT,
    vehicle: Annotated[
        list[str] | None, option("NAME", "Look at this vehicle; may be repeated.", "all")
    ] = None,
    station: Annotated[
        list[str] | None, option("NAME", "Look at this station; may be repeated.", "all")
    ] = None,
    pictures: Annotated[
        bool, typer.Option(help="Draw pictures; without them no OpenGL is needed.")
    ] = True,
    seed: SeedOption = None,
    quiet: QuietOption = False,
) -> int:
    """Show what each tower's camera sees, and say how much of every target is visible.

    For every vehicle at every station, and every tower, each target on the tower's side: how
    much of its plate can be seen, and what hides the rest: the body, a tyre, a post, another
    tower, a parked vehicle. Sight lines from the camera's centre to 610 points of the plate are
    tested against everything in the bay. Walls, posts, lamps and obstacles are those of the bay
    file; a vehicle's body is drawn by rule from its width, height and overhangs.

    Writes view.csv and view.json, and for each vehicle and station:

    \b
      TOWER-VEHICLE-STATION.png          the camera's picture, dot for dot
      TOWER-VEHICLE-STATION-named.png    the same with targets named
      above-VEHICLE-STATION.png          the bay from above, to scale
      overview-VEHICLE-STATION.png       in perspective, with view cones and sight lines

    The pictures need OpenGL without a display: EGL, or else OSMesa. A lift isn't drawn; its
    posts and runways are obstacles of the bay file, and hide targets like any other.

    Exit code 1 means that some target isn't wholly in its tower's picture, or less of it is
    visible than siting asks for (siting.visible in the bay file).

    \b
    Examples:
      sightbench view
      sightbench view my-bay.toml --vehicle van --station floor
      sightbench view my-bay.toml --no-pictures
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.aiming.placing import named
    from bench.scene.load import load_bay
    from bench.sighting.view_pictures import Drawing, draw_all
    from bench.sighting.view_table import view_words, views, write_views

    place = load_bay(bay)
    vehicles = [one.name for one in named("vehicle", place.vehicles, *vehicle or ())]
    stations = [one.name for one in named("station", place.stations, *station or ())]
    seen = views(place, vehicles, stations)
    make_directory(out)
    chosen = place.survey.seed if seed is None else seed
    written = write_views(out, place, seen, origin_of(place, chosen))
    if pictures:
        with progress_bar("drawing", quiet) as moved:
            drawing = Drawing(place, seen, chosen, made_by())
            written += draw_all(out, drawing, vehicles, stations, moved, os.cpu_count() or 1)
    say_written(out, written)
    say(view_words(seen))
    return 0 if all(one.enough for one in seen) else NEGATIVE
