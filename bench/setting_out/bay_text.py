"""The text of a bay's own file with other placements and standoff."""

from __future__ import annotations

import json
import math

from bench.parsing import parse_toml
from bench.scene.model import Bay
from bench.scene.toml_edit import Edit, edit_toml
from bench.strict import toml_text


def bay_text(bay: Bay, comment: str, drive_through: float | None = None) -> str:
    """Return the file at `bay.path` with placements and standoff as `bay` has them.

    Comments stay. Files of meshes are named by their full path, since the text may be written
    elsewhere.

    Parameters
    ----------
    bay : Bay
        Its `path` is read again.
    comment : str
        Lines for the top.
    drive_through : float, optional
        In place of the file's, metres.

    Raises
    ------
    ConfigError
        The file can't be read any more, or is written in a way that can't be edited.
    """
    text = toml_text(bay.path)
    content = parse_toml(text)
    edits = [Edit((), "standoff", _metres(bay.standoff))]
    if drive_through is not None:
        edits.append(Edit((), "drive_through", _metres(drive_through)))
    edits += [
        Edit(("station", i), "standoff", _metres(bay.stations[i].standoff))
        for i, station in enumerate(content.get("station", []))
        if "standoff" in station
    ]
    for i, obstacle in enumerate(content.get("obstacle", [])):
        if "file" in obstacle:
            path = (bay.path.parent / obstacle["file"]).resolve()
            edits.append(Edit(("obstacle", i), "file", json.dumps(str(path))))
    places = {tower.name: tower.placement for tower in bay.towers}
    for i, tower in enumerate(content["tower"]):
        place = places[tower["name"]]
        for name in ("offset", "height", "forward"):
            edits.append(Edit(("tower", i), name, _metres(getattr(place, name))))
        for name in ("yaw", "pitch", "roll"):
            edits.append(Edit(("tower", i), name, _degrees(getattr(place, name))))
    lines = [f"# {line}".rstrip() for line in comment.splitlines()]
    return "\n".join([*lines, edit_toml(text, edits)])


def _metres(value: float) -> str:
    # a nanometre is finer than anything; more digits would only show rounding
    return f'"{round(value, 9) + 0.0:.9g} m"'


def _degrees(value: float) -> str:
    return f'"{round(math.degrees(value), 9) + 0.0:.9g} deg"'
