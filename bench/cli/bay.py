"""`sightbench bay`: check a bay file and say what it describes; start a new one."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from bench.cli.options import BayArgument, option
from bench.cli.origin import origin_of
from bench.cli.saying import say
from bench.defaults import SCHEMA_FILE
from bench.errors import ConfigError
from bench.files import make_directory, write_atomically
from bench.plugins import DETECTORS, SOLVERS, available
from bench.units import shown

if TYPE_CHECKING:
    from bench.scene.model import Bay

Layout = Literal["bar", "floor"]
NOT_SEEN = 1  # exit code: the bay is well described, but a camera misses a wheel


def command(
    bay: BayArgument = None,
    new: Annotated[
        Path | None,
        option("FILE", "Write a commented starter file; never overwrites.", dir_okay=False),
    ] = None,
    schema: Annotated[
        bool,
        typer.Option(
            "--schema",
            help=f"Write {SCHEMA_FILE}, the JSON Schema by which editors complete bay files.",
        ),
    ] = False,
    layout: Annotated[
        Layout | None,
        option(
            "bar|floor",
            "Write the tags of the bar, or of the floor's square, as a table for 'sightbench "
            "measure --layout'.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        option(
            "DIR",
            "Write the description there too, bay.txt and bay.json; with --schema or "
            "--layout, where that goes (here when left out).",
        ),
    ] = None,
) -> None:
    """Check a bay file and say what it describes.

    The file is read strictly: an unknown key, a missing unit or a value outside its limits is
    refused with one line that says what is allowed. What follows from the file is printed:
    towers, fields of view, how vehicles fit between walls and columns, the range from each tower
    to each target on its side, where in the picture that appears and how many pixels it has
    there, and what aperture keeps all of them sharp.

    A bay that can't be is refused too: a tower in a wall or a lift post, a vehicle wider than the
    room, two things in one place.

    Exit code 1 means that some camera doesn't have a wheel's target wholly in its picture.

    \b
    Examples:
      sightbench bay                       the shipped training workshop
      sightbench bay --new my-bay.toml     a starter file to edit
      sightbench bay my-bay.toml           check it
      sightbench bay my-bay.toml --layout bar
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.scene.bay_description import describe
    from bench.scene.bay_files import write_description, write_schema
    from bench.scene.facts import sights
    from bench.scene.load import load_bay

    if new is not None:
        _write_starter(new)
    if schema:
        path = write_schema(out or Path())
        typer.echo(
            f'wrote {path}; name it in a bay file\'s first line, "#:schema {path.name}", and '
            "editors that know the directive complete its keys"
        )
    if layout is not None:
        _write_layout(load_bay(bay), layout, out or Path())
    if new is None and not schema and layout is None:
        described = load_bay(bay)
        _check_pipelines(described)
        seen = sights(described)
        text = describe(described, seen)
        typer.echo(text)
        if out is not None:
            written = write_description(described, seen, text, out, origin_of(described))
            typer.echo(f"wrote {' and '.join(str(path) for path in written)}")
        if not all(one.whole for one in seen):
            raise typer.Exit(NOT_SEEN)


def _check_pipelines(bay: Bay) -> None:
    """Refuse pipelines that aren't installed: a misspelt one would show only in a survey."""
    for name in bay.survey.pipelines:
        for group, part in zip((DETECTORS, SOLVERS), name.split("/"), strict=True):
            known = available(group)
            if part not in known:
                close = ", ".join(get_close_matches(part, known, n=3) or known)
                raise ConfigError(
                    f"{bay.path}: survey.pipelines: {shown(name)}: {shown(part)} isn't installed; "
                    f"known: {close}"
                )


def _write_layout(bay: Bay, which: Layout, out: Path) -> None:
    from bench.setting_out.tag_layout import layout_of_bay, layout_words, write_layout

    tags = layout_of_bay(bay, which)
    make_directory(out)
    path = out / f"{which}-layout.csv"
    write_layout(path, tags)
    say(layout_words(which, tags, path))


def _write_starter(path: Path) -> None:
    from bench.scene.load import starter

    if path.exists():
        raise ConfigError(f"--new: {path} exists, and is never overwritten")
    if not path.parent.is_dir():
        raise ConfigError(f"--new: {path.parent} is no directory")
    write_atomically(path, starter().encode())
    typer.echo(f"wrote {path}; check it with: sightbench bay {path}")
