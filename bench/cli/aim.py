"""`sightbench aim`: whether every tower has every target in its picture, and where."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from bench.cli.aim_photo import DEFAULT_PORT, LAST_PORT, aim_by_photo, aim_by_watching
from bench.cli.options import (
    BayArgument,
    CornerSigmaOption,
    OutOption,
    RuleOption,
    option,
    quantity_option,
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
from bench.cli.saying import say, say_written
from bench.errors import ConfigError
from bench.files import make_directory
from bench.scene.fields import KNOWN_ANGLE

DEFAULT_OUT = Path("sightbench-aim")
NEGATIVE = 1


def command(
    bay: BayArgument = None,
    out: OutOption = DEFAULT_OUT,
    tower: Annotated[str | None, option("NAME", "Judge this tower alone.", "all")] = None,
    margin: Annotated[
        float | None,
        option(
            "WIDTHS",
            "Room that every plate keeps from the picture's edge, in widths of the plate.",
            "from the bay file; one is common practice",
            min=0.0,
            max=10.0,
        ),
    ] = None,
    bound: BoundOption = None,
    corner_sigma: CornerSigmaOption = None,
    map_: MapOption = None,
    pipeline: PipelineOption = None,
    as_drawn: PredictAsDrawnOption = False,
    visibility: VisibilityOption = True,
    rule: RuleOption = None,
    pictures: Annotated[bool, typer.Option(help="Draw the picture of each tower.")] = True,
    photo: Annotated[
        Path | None,
        option(
            "FILE", "A picture of the tower's camera as it stands: say how to turn and tip it."
        ),
    ] = None,
    watch: Annotated[
        str | None,
        option(
            "FOLDER|DEVICE",
            "The same on a page that follows a folder's newest picture, or a capture "
            "device's number, stream or film.",
        ),
    ] = None,
    vehicle: Annotated[str | None, option("NAME", "Which stands there.", "the likeliest")] = None,
    station: Annotated[str | None, option("NAME", "Where it stands.", "the likeliest")] = None,
    stop: Annotated[
        float, quantity_option("As near to its plan a tower needn't be turned.", KNOWN_ANGLE)
    ] = "0.1 deg",  # type: ignore[assignment]  # read by the parser
    port: Annotated[
        int, option("N", "Of the page; 0 takes a free one.", min=0, max=LAST_PORT)
    ] = DEFAULT_PORT,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")
    ] = True,
) -> int:
    """Say whether every tower sees every target with room to spare, and where in its picture.

    For each tower and every wheel on its side, from the nearest axle to the farthest, of all
    vehicles at all stations: where in the frame the target should appear (per cent and pixels),
    its size, range, turn, pitch and tilt, the room to the picture's edge, how much of it is
    hidden, and how well its toe and camber will be measured against the tolerance: with noise,
    and with what camera, print and plate are off by beyond what registration absorbs.

    On site, hold the live view beside aim-TOWER.png (or print the PDF): if the plates appear
    where the picture has them, the tower stands and looks as planned.

    With --photo or --watch it goes by a picture that the tower's camera took: it finds whose
    targets are in it by their ids ([wheel_ids] in the bay file) and where each hangs, and says
    how to turn and tip the tower, which target is missing, hidden or on the wrong wheel, what a
    lean costs and the shim that mends it, and when to stop. The tower's camera and the vehicle
    count as standing where the bay file has them. --photo writes aim-photo.json; exit code 1
    says that something is to be done, 3 that no target is in the picture. --watch serves a page
    to this machine alone, until Ctrl-C. Nobody stands before a moving vehicle, and a tower is
    secured while it is turned: its maker's instructions and local codes come first.

    Writes aim.csv, aim.json and a picture of each tower as PNG, SVG and PDF. Exit code 1 means
    that something fails; every failure is named with how much is lacking.

    \b
    Examples:
      sightbench aim
      sightbench aim my-bay.toml --tower left --margin 0.5
      sightbench aim my-bay.toml --photo left.png
      sightbench aim my-bay.toml --watch camera-folder --tower left
      sightbench aim my-bay.toml --map sightbench-map --pipeline aruco-subpix/ippe-lm
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.scene.load import load_bay
    from bench.siting.aim import judge_aim, write_aim
    from bench.siting.words import aim_words

    place = ruled(load_bay(bay), rule)
    if margin is not None:
        place = replace(place, siting=replace(place.siting, margin=margin))
    if photo is not None and watch is not None:
        raise ConfigError("--photo and --watch: give one of them")
    if photo is not None:
        return aim_by_photo(place, photo, out, tower, vehicle, station, stop)
    if watch is not None:
        return aim_by_watching(place, watch, tower, vehicle, station, stop, port, browser)
    if vehicle is not None or station is not None:
        raise ConfigError("--vehicle and --station are for --photo and --watch")
    asked = predictor(place, bound, corner_sigma, map_, pipeline, as_built=not as_drawn)
    aim = judge_aim(place, asked, tower, visibility)
    make_directory(out)
    written = write_aim(out, aim, origin_of(place))
    if pictures:
        # matplotlib takes a second to load
        from bench.siting.aim_picture import write_aim_pictures

        written += write_aim_pictures(out, aim, made_by())
    say_written(out, written)
    say(aim_words(aim))
    return NEGATIVE if aim.failures else 0
