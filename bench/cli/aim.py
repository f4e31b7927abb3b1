"""`sightbench aim`: whether every tower has every target in its picture, and where."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from bench import provenance
from bench.cli.options import BayArgument, CornerSigmaOption, OutOption, RuleOption, ruled
from bench.cli.origin import made_by, origin_of
from bench.cli.predicting import (
    BoundOption,
    MapOption,
    PipelineOption,
    PredictAsDrawnOption,
    VisibilityOption,
    predictor,
)
from bench.files import make_directory
from bench.scene.load import load_bay
from bench.siting.aim import judge_aim, write_aim
from bench.siting.words import aim_words

DEFAULT_OUT = Path("sightbench-aim")
NEGATIVE = 1


def command(
    bay: BayArgument = None,
    out: OutOption = DEFAULT_OUT,
    tower: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Judge this tower alone.", show_default="all"),
    ] = None,
    margin: Annotated[
        float | None,
        typer.Option(
            min=0.0,
            max=10.0,
            metavar="WIDTHS",
            help="Room that every plate keeps from the picture's edge, in widths of the plate.",
            show_default="from the bay file; one is common practice",
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
) -> int:
    """Say whether every tower sees every target with room to spare, and where in its picture.

    For each tower and every wheel on its side, from the nearest axle to the farthest, of all
    vehicles at all stations: where in the frame the target should appear (per cent and pixels),
    its size, range, turn, pitch and tilt, the room to the picture's edge, how much of it is
    hidden, and how well its toe and camber will be measured against the tolerance: with noise,
    and with what camera, print and plate are off by beyond what registration absorbs.

    On site, hold the live view beside aim-TOWER.png (or print the PDF): if the plates appear
    where the picture has them, the tower stands and looks as planned.

    Writes aim.csv, aim.json and a picture of each tower as PNG, SVG and PDF. Exit code 1 means
    that something fails; every failure is named with how much is lacking.

    \b
    Examples:
      sightbench aim
      sightbench aim my-bay.toml --tower left --margin 0.5
      sightbench aim my-bay.toml --map sightbench-map --pipeline aruco-subpix/ippe-lm
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    started = provenance.now()
    place = ruled(load_bay(bay), rule)
    if margin is not None:
        place = replace(place, siting=replace(place.siting, margin=margin))
    asked = predictor(place, bound, corner_sigma, map_, pipeline, as_built=not as_drawn)
    aim = judge_aim(place, asked, tower, visibility)
    make_directory(out)
    written = write_aim(out, aim, origin_of(started, place))
    if pictures:
        # matplotlib takes a second to load
        from bench.siting.aim_picture import write_aim_pictures

        written += write_aim_pictures(out, aim, made_by())
    typer.echo(f"Wrote to {out}: {', '.join(path.name for path in written)}.")
    for line in aim_words(aim):
        typer.echo(line)
    return NEGATIVE if aim.failures else 0
