"""A bay's description and the schema of bay files, as files."""

from __future__ import annotations

import json
from pathlib import Path

from bench.defaults import SCHEMA_FILE
from bench.envelope import Facts, Kind, Origin, write_result
from bench.files import make_directory, write_atomically
from bench.scene.facts import Sight, spacing
from bench.scene.load import schema
from bench.scene.model import Bay
from bench.scene.wheel_ids import marker_id

DESCRIPTION = Kind("description of a bay", "bay.json", "bay", Facts)


def write_description(
    bay: Bay, seen: tuple[Sight, ...], text: str, directory: Path, origin: Origin
) -> list[Path]:
    """Write bay.txt and bay.json; return both.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(directory)
    write_atomically(directory / "bay.txt", (text + "\n").encode())
    value = {
        "spacing_m": spacing(bay),
        "standoff_m": bay.standoff,
        "target": bay.target.name,
        "wheels": [
            {
                "tower": one.tower,
                "vehicle": one.wheel.vehicle,
                "station": one.wheel.station,
                "wheel": one.wheel.name,
                "marker_id": marker_id(bay, one.wheel.name),
                "range_m": one.range_m,
                "across_fraction": None if one.place is None else one.place[0],
                "down_fraction": None if one.place is None else one.place[1],
                "size_px": one.size_px,
                "whole": one.whole,
            }
            for one in seen
        ],
    }
    path = write_result(directory / DESCRIPTION.file, DESCRIPTION, value, origin)
    return [directory / "bay.txt", path]


def write_schema(directory: Path) -> Path:
    """Write the JSON Schema of bay files; return its path.

    Raises
    ------
    RunError
        It can't be written.
    """
    make_directory(directory)
    path = directory / SCHEMA_FILE
    write_atomically(path, (json.dumps(schema(), indent=2) + "\n").encode())
    return path
