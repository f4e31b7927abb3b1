"""Changes of a bay file's text that move its towers and stations, comments kept."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from bench.scene.model import Bay
from bench.scene.toml_edit import Edit

LENGTHS, ANGLES = ("offset", "height", "forward"), ("yaw", "pitch", "roll")


def place_edits(
    document: dict[str, Any], bay: Bay, placements: Sequence[str] = (*LENGTHS, *ANGLES)
) -> list[Edit]:
    """Return what to change in a bay file's text to stand as a bay does.

    Files of meshes are named by their full path, since the text may be written elsewhere.

    Parameters
    ----------
    document : dict
        The text, parsed.
    bay : Bay
        Read from that file, its towers, standoff and stations moved.
    placements : sequence of str
        Of `LENGTHS` and `ANGLES`, which of a tower's placement are set.
    """
    edits = [Edit((), "standoff", metres(bay.standoff))]
    for i, station in enumerate(document.get("station", [])):
        if "standoff" in station:
            edits.append(Edit(("station", i), "standoff", metres(bay.stations[i].standoff)))
    for i, obstacle in enumerate(document.get("obstacle", [])):
        if "file" in obstacle:
            path = (bay.path.parent / obstacle["file"]).resolve()
            edits.append(Edit(("obstacle", i), "file", json.dumps(str(path))))
    by_name = {tower.name: tower.placement for tower in bay.towers}
    for i, tower in enumerate(document["tower"]):
        place = by_name[tower["name"]]
        for name in placements:
            written = metres if name in LENGTHS else degrees
            edits.append(Edit(("tower", i), name, written(getattr(place, name))))
    return edits


def metres(value: float) -> str:
    """Return a length as a bay file has it; a nanometre is finer than anything."""
    return f'"{round(value, 9) + 0.0:.9g} m"'


def degrees(radians: float) -> str:
    """Return an angle as a bay file has it."""
    return f'"{round(math.degrees(radians), 9) + 0.0:.9g} deg"'
