"""A bay file like another one, its towers and standoff changed, as text."""

from __future__ import annotations

import json
import math
from typing import Any

from bench.scene.model import Bay, Tower
from bench.scene.strict import read_toml


def bay_text(bay: Bay, comment: str) -> str:
    """Return the bay's own file's text, with placements and standoff as `bay` has them.

    Comments of the file are lost. Files of meshes are named by their full path, since the text
    may be written elsewhere.

    Parameters
    ----------
    bay : Bay
        Its `path` is read again.
    comment : str
        Lines for the top.

    Raises
    ------
    ConfigError
        The file can't be read any more.
    """
    content = read_toml(bay.path)
    content["standoff"] = _metres(bay.standoff)
    for station, of_bay in zip(content.get("station", []), bay.stations, strict=False):
        if "standoff" in station:
            station["standoff"] = _metres(of_bay.standoff)
    for obstacle in content.get("obstacle", []):
        if "file" in obstacle:
            obstacle["file"] = str((bay.path.parent / obstacle["file"]).resolve())
    towers = {tower.name: tower for tower in bay.towers}
    for table in content["tower"]:
        table.update(_placement(towers[table["name"]]))
    lines = [f"# {line}".rstrip() for line in comment.splitlines()]
    return "\n".join([*lines, "", *_table(content, "")]).rstrip() + "\n"


def _placement(tower: Tower) -> dict[str, str]:
    place = tower.placement
    lengths = {name: _metres(getattr(place, name)) for name in ("offset", "height", "forward")}
    return lengths | {name: _degrees(getattr(place, name)) for name in ("yaw", "pitch", "roll")}


def _metres(value: float) -> str:
    # a nanometre is finer than anything; more digits would only show rounding
    return f"{round(value, 9) + 0.0:.9g} m"


def _degrees(value: float) -> str:
    return f"{round(math.degrees(value), 9) + 0.0:.9g} deg"


def _table(content: dict[str, Any], prefix: str) -> list[str]:
    """Return a table's lines: plain values first, or they would fall into a table after them."""
    lines = [f"{_key(k)} = {_value(v)}" for k, v in content.items() if not _is_table(v)]
    for key, value in content.items():
        if not _is_table(value):
            continue
        name = f"{prefix}.{_key(key)}" if prefix else _key(key)
        for one in value if isinstance(value, list) else [value]:
            head = f"[[{name}]]" if isinstance(value, list) else f"[{name}]"
            lines += ["", head, *_table(one, name)]
    return lines


def _is_table(value: Any) -> bool:
    if isinstance(value, list):
        return bool(value) and all(isinstance(one, dict) for one in value)
    return isinstance(value, dict)


def _key(key: str) -> str:
    plain = key.replace("_", "").replace("-", "")
    return key if plain.isascii() and plain.isalnum() else json.dumps(key, ensure_ascii=False)


def _value(value: Any) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str):
        # a basic string of TOML escapes what JSON does, and DEL
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value)
