"""`sightbench targets`: print targets to true scale."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from bench.cli.options import BayArgument, OutOption, option, parse_length
from bench.cli.saying import say
from bench.defaults import PAPERS, TargetKind
from bench.errors import ConfigError
from bench.units import lengths


def parse_ids(texts: list[str]) -> tuple[int, ...]:
    """Return the ids of ``["0-3", "7,9"]``: 0, 1, 2, 3, 7, 9; each once, in the order given.

    Raises
    ------
    ConfigError
        Not ids or ranges of ids.
    """
    found: dict[int, None] = {}
    for entry in (e.strip() for text in texts for e in text.split(",")):
        match = re.fullmatch(r"([0-9]{1,6})(?:-([0-9]{1,6}))?", entry)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, -1)
        if last < first:
            raise ConfigError(f"--id '{entry}' must be an id such as 7, or a range such as 0-3")
        found |= dict.fromkeys(range(first, last + 1))
    return tuple(found)


def parse_plate(text: str) -> tuple[float, float]:
    """Return width and height, metres, of ``"300 x 250 mm"`` or ``"12 in x 10 in"``.

    Raises
    ------
    ConfigError
        Not two lengths.
    """
    try:
        sides = lengths(re.sub(r"\s*[x×]\s*", ", ", text))
    except ConfigError as error:
        raise ConfigError(f"--plate: {error}") from error
    if len(sides) != 2:
        raise ConfigError(f"--plate '{text}' must be a width and a height such as 300 x 250 mm")
    return sides[0], sides[1]


def command(
    bay: BayArgument = None,
    kind: Annotated[
        TargetKind | None, typer.Option(help="Print this kind of target instead of the bay's own.")
    ] = None,
    dictionary: Annotated[str | None, option("NAME", "Marker dictionary; see --list.")] = None,
    ids: Annotated[
        list[str] | None,
        typer.Option(
            "--id",
            metavar="ID",
            help="Marker id, several as 0-3 or by repeating; a board's first marker.",
        ),
    ] = None,
    size: Annotated[
        float | None,
        option(
            "LENGTH",
            "Side of a marker's black square, or between corners within its data.",
            parser=parse_length,
        ),
    ] = None,
    picture: Annotated[
        str | None, option("FILE", "Black and white picture of --kind bitmap, --size wide.")
    ] = None,
    columns: Annotated[int | None, option("N", "Markers, squares or circles in a row.")] = None,
    rows: Annotated[int | None, option("N", "Rows of them.")] = None,
    gap: Annotated[
        float | None, option("LENGTH", "White between a grid's markers.", parser=parse_length)
    ] = None,
    square: Annotated[
        float | None, option("LENGTH", "Side of a chessboard square.", parser=parse_length)
    ] = None,
    pitch: Annotated[
        float | None, option("LENGTH", "Distance of rows of circles.", parser=parse_length)
    ] = None,
    diameter: Annotated[
        float | None, option("LENGTH", "Of a circle.", parser=parse_length)
    ] = None,
    symmetric: Annotated[
        bool | None,
        typer.Option(
            "--symmetric/--asymmetric", help="Rows of circles below each other or shifted."
        ),
    ] = None,
    plate: Annotated[
        str | None,
        option("W x H", "Size of the plate; the pattern and its quiet zone by default."),
    ] = None,
    quiet_zone: Annotated[
        float | None, option("LENGTH", "White margin around the pattern.", parser=parse_length)
    ] = None,
    page: Annotated[
        str,
        option(
            "PAGE",
            f"{', '.join(PAPERS)}; 'fit', one page as large as it must be; "
            "'auto', the first of a4, a3, fit that takes the plate whole.",
        ),
    ] = "auto",
    grey: Annotated[
        bool,
        typer.Option(
            "--grey",
            help="Print the drawing's reflectances as greys, not in pure black and white.",
        ),
    ] = False,
    show_list: Annotated[
        bool, typer.Option("--list", help="Show the marker dictionaries and their sizes; stop.")
    ] = False,
    out: OutOption = Path("sightbench-targets"),
) -> None:
    """Print targets to true scale, as PDF and SVG.

    Bare, this prints the target of the bay that ships with the package; of a bay file with
    [wheel_ids] one for each wheel, which says whose it is, and a sheet for the wall. With --kind,
    or any option that describes a target, it prints that one instead.

    Print at 100 %, never "fitted to the page", and then measure the scale bar at the foot of
    the page: pose estimation believes the size it is told. A target printed at 97 % makes
    every range 3 % too long, however small the residual looks.

    A detector finds a marker by its dark outline against something light, so every pattern
    keeps a white margin, the quiet zone (--quiet-zone; one cell for markers). Nothing may
    cover it: no clip, frame or text. A plate too small for its pattern and quiet zone is
    refused.

    A page too small for the plate is refused: joined pages are neither flat nor true to scale.
    For a large plate have a print shop print '--page fit' in one piece, on stiff and matt
    material: everything here assumes that the target is flat.

    \b
    Examples:
      sightbench targets
      sightbench targets --id 0-3 --size "150 mm"
      sightbench targets --dictionary tagStandard41h12 --size "100 mm"
      sightbench targets --kind charuco --columns 7 --rows 5 --square "1.5 in" --size "1.1 in"
      sightbench targets --kind circles --page letter
      sightbench targets --kind bitmap --picture sign.png --size "120 mm"
      sightbench targets --list
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.scene.load import load_bay
    from bench.scene.wheel_ids import labelled
    from bench.setting_out.wheel_sheet import wheel_sheet
    from bench.targets.design import build_target
    from bench.targets.files import write_papers, write_sheet
    from bench.targets.forms import designs
    from bench.targets.sheet import layout_sheet
    from bench.targets.words import dictionary_lines, sheet_words

    if show_list:
        say(dictionary_lines())
        return
    options = {
        "dictionary": dictionary,
        "size": size,
        "picture": picture,
        "columns": columns,
        "rows": rows,
        "gap": gap,
        "square": square,
        "pitch": pitch,
        "diameter": diameter,
        "symmetric": symmetric,
        "plate": None if plate is None else parse_plate(plate),
        "quiet-zone": quiet_zone,
    }
    place = None
    given = {name: value for name, value in options.items() if value is not None}
    if kind is None and not given and not ids:
        place = load_bay(bay)
        targets = list(labelled(place))
    elif bay is not None:
        raise ConfigError(
            f"{bay}: a bay file has its own target; leave out the file or the options"
        )
    else:
        wanted = designs(kind or TargetKind.MARKER, given, parse_ids(ids or []))
        targets = [build_target(design) for design in wanted]
    # all are laid out before the first is written, so that bad input writes nothing
    sheets = [layout_sheet(target, page, grey=grey) for target in targets]
    for target, sheet in zip(targets, sheets, strict=True):
        say(sheet_words(target, sheet, write_sheet(sheet, out)))
    if place is not None and place.wheel_targets:
        for path in write_papers(partial(wheel_sheet, place), "wheel-sheet", out):
            typer.echo(f"which target on which wheel, for the wall: {path}")
    typer.echo("Print at 100 %, never fitted to the page, then measure the scale bar.")
