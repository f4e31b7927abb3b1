"""`sightbench bay`: check a bay file and say what it describes; start a new one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from bench.assets import asset
from bench.cli.options import BayArgument
from bench.errors import ConfigError, GeometryError
from bench.files import make_directory, write_atomically
from bench.geometry.camera import Camera
from bench.scene.bay_words import (
    both,
    facts,
    lens_words,
    mount_words,
    siting_words,
    station_words,
    surroundings_words,
    vehicle_words,
)
from bench.scene.facts import Sight, field_of_view, sights, spacing
from bench.scene.load import SHIPPED_BAY, load_bay, schema
from bench.scene.model import Bay, Tower
from bench.units import format_angle, format_length

NOT_SEEN = 1  # exit code: the bay is well described, but a camera misses a wheel
SCHEMA_FILE = "bay.schema.json"


def command(
    bay: BayArgument = None,
    new: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Write a commented starter file; never overwrites.",
            dir_okay=False,
        ),
    ] = None,
    schema: Annotated[
        bool,
        typer.Option(
            "--schema",
            help=f"Write {SCHEMA_FILE}, the JSON Schema by which editors complete bay files.",
        ),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="DIR",
            help="Write the description there too, bay.txt and bay.json; with --schema, where "
            "the schema goes (here when left out).",
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
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    if new is not None:
        _write_starter(new)
    if schema:
        _write_schema(out or Path())
    if new is None and not schema:
        described = load_bay(bay)
        seen = sights(described)
        text = describe(described, seen)
        typer.echo(text)
        if out is not None:
            _write_description(described, seen, text, out)
        if not all(one.whole for one in seen):
            raise typer.Exit(NOT_SEEN)


def describe(bay: Bay, seen: tuple[Sight, ...]) -> str:
    """Return a bay in words."""
    survey, tolerance = bay.survey, bay.tolerance
    cells = len(survey.ranges_m) * len(survey.turns_deg) * len(survey.pitches_deg)
    pictures = cells * survey.trials * len(survey.pixels or (0,))
    lines = [
        f"{bay.name} ({bay.path})",
        "",
        f"Towers: {len(bay.towers)}, the outer cameras {both(spacing(bay))} apart, "
        f"{both(bay.standoff)} before the near axle.",
        *(f"  {tower.name}: {_placement(tower)}" for tower in bay.towers),
        *_cameras(bay),
        f"Target: {bay.target.name}, on a plate of "
        f"{format_length(bay.target.drawing.width, 'mm')} x "
        f"{format_length(bay.target.drawing.height, 'mm')}.",
        *mount_words(bay),
        "",
        *vehicle_words(bay),
        *station_words(bay),
        *surroundings_words(bay),
        "",
        *_wheel_table(seen),
        "",
        *_extremes(bay, seen),
        *lens_words(bay),
        *siting_words(bay),
        f"Survey: {cells} cells (ranges x turns x pitches: {len(survey.ranges_m)} x "
        f"{len(survey.turns_deg)} x {len(survey.pitches_deg)}), {survey.trials} trials each: "
        f"{pictures} pictures.",
        f"Pipelines: {', '.join(survey.pipelines)}.",
        f"Tolerance: rotation {format_angle(tolerance.rotation)} RMS, usable "
        f"{100 * tolerance.detection:g} %, with {100 * tolerance.confidence:g} % confidence; "
        f"expanded uncertainty of toe {format_angle(tolerance.toe)}, camber "
        f"{format_angle(tolerance.camber)}, thrust angle {format_angle(tolerance.thrust)}.",
        f"Digest of the content: {bay.digest[:16]}",
    ]
    return "\n".join(lines)


def _placement(tower: Tower) -> str:
    place = tower.placement
    side = "left" if place.offset > 0 else "right"
    offset = f"{format_length(abs(place.offset))} {side} of" if place.offset else "on"
    return (
        f"{offset} the centre line, {format_length(place.height)} high, "
        f"yaw {format_angle(place.yaw)}, pitch {format_angle(place.pitch)}, "
        f"roll {format_angle(place.roll)}"
    )


def _cameras(bay: Bay) -> list[str]:
    first = bay.towers[0].camera
    if all(tower.camera == first for tower in bay.towers):
        return [f"Cameras: all {_camera(first)}."]
    return [f"Camera of {tower.name}: {_camera(tower.camera)}." for tower in bay.towers]


def _camera(camera: Camera) -> str:
    focal = f"f = {camera.fx:.1f} px"
    if camera.pixel_pitch is not None:
        pitch = format_length(camera.pixel_pitch, "um")
        focal += f" ({format_length(camera.fx * camera.pixel_pitch, 'mm')} at {pitch})"
    try:
        across, down = map(format_angle, field_of_view(camera))
        view = f"field of view {across} x {down}"
    except GeometryError:
        view = "DISTORTION NOT ONE-TO-ONE as far as the picture's edges: no field of view"
    return f"{camera.width} x {camera.height} px, {focal}, {view}"


def _wheel_table(seen: tuple[Sight, ...]) -> list[str]:
    rows = [("tower", "vehicle", "station", "wheel", "range", "in the picture at", "target")]
    for one in seen:
        place = "nowhere"
        if one.place is not None:
            place = f"{100 * one.place[0]:.0f} % across, {100 * one.place[1]:.0f} % down"
        place += "" if one.whole else " - NOT WHOLLY IN THE PICTURE"
        wheel = one.wheel
        size = f"{one.size_px:.0f} px"
        whose = (one.tower, wheel.vehicle, wheel.station, wheel.name)
        rows.append((*whose, both(one.range_m), place, size))
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def _extremes(bay: Bay, seen: tuple[Sight, ...]) -> list[str]:
    near, far = min(seen, key=lambda one: one.range_m), max(seen, key=lambda one: one.range_m)
    lines = [
        f"Nearest wheel {both(near.range_m)}, target {near.size_px:.0f} px; "
        f"farthest {both(far.range_m)}, {far.size_px:.0f} px."
    ]
    low, high = min(bay.survey.ranges_m), max(bay.survey.ranges_m)
    if low > near.range_m or high < far.range_m:
        lines.append(
            f"The survey's ranges, {format_length(low)} to {format_length(high)}, "
            "don't cover that."
        )
    missed = sum(not one.whole for one in seen)
    if missed:
        lines.append(f"{missed} of {len(seen)} targets aren't wholly in the picture.")
    return lines


def _write_starter(path: Path) -> None:
    if path.exists():
        raise ConfigError(f"--new: {path} exists, and is never overwritten")
    if not path.parent.is_dir():
        raise ConfigError(f"--new: {path.parent} is no directory")
    write_atomically(path, asset(SHIPPED_BAY).read_bytes())
    typer.echo(f"wrote {path}; check it with: sightbench bay {path}")


def _write_schema(directory: Path) -> None:
    make_directory(directory)
    path = directory / SCHEMA_FILE
    write_atomically(path, (json.dumps(schema(), indent=2) + "\n").encode())
    typer.echo(
        f'wrote {path}; name it in a bay file\'s first line, "#:schema {path.name}", and editors '
        "that know the directive complete its keys"
    )


def _write_description(bay: Bay, seen: tuple[Sight, ...], text: str, directory: Path) -> None:
    make_directory(directory)
    write_atomically(directory / "bay.txt", (text + "\n").encode())
    content = {
        "name": bay.name,
        "digest": bay.digest,
        "spacing_m": spacing(bay),
        "standoff_m": bay.standoff,
        "target": bay.target.name,
        **facts(bay),
        "wheels": [
            {
                "tower": one.tower,
                "vehicle": one.wheel.vehicle,
                "station": one.wheel.station,
                "wheel": one.wheel.name,
                "range_m": one.range_m,
                "across_fraction": None if one.place is None else one.place[0],
                "down_fraction": None if one.place is None else one.place[1],
                "size_px": one.size_px,
                "whole": one.whole,
            }
            for one in seen
        ],
    }
    write_atomically(directory / "bay.json", (json.dumps(content, indent=2) + "\n").encode())
    typer.echo(f"wrote {directory / 'bay.txt'} and {directory / 'bay.json'}")
