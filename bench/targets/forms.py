"""Kinds of target that can be printed, and the options that each takes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bench.defaults import TargetKind
from bench.errors import ConfigError
from bench.targets.design import (
    BitmapDesign,
    CharucoDesign,
    ChessboardDesign,
    CirclesDesign,
    Design,
    GridDesign,
    MarkerDesign,
)

# Each kind's design, and the options that it takes.
DESIGNS: dict[TargetKind, tuple[Callable[..., Design], tuple[str, ...]]] = {
    TargetKind.MARKER: (MarkerDesign, ("dictionary", "id", "size")),
    TargetKind.GRID: (GridDesign, ("dictionary", "id", "size", "columns", "rows", "gap")),
    TargetKind.CHARUCO: (CharucoDesign, ("dictionary", "id", "size", "columns", "rows", "square")),
    TargetKind.CIRCLES: (CirclesDesign, ("columns", "rows", "pitch", "diameter", "symmetric")),
    TargetKind.CHESSBOARD: (ChessboardDesign, ("columns", "rows", "square")),
    TargetKind.BITMAP: (BitmapDesign, ("picture", "size")),
}
# Fields of designs whose options have other names.
RENAMED = {"quiet-zone": "quiet_zone", "id": "first_id"}
RENAMED_OF = {TargetKind.MARKER: {"id": "marker_id"}, TargetKind.CHARUCO: {"size": "marker"}}


def designs(kind: TargetKind, given: dict[str, Any], ids: tuple[int, ...]) -> tuple[Design, ...]:
    """Return the designs that the options ask for: one, or one for each id of single markers.

    Raises
    ------
    ConfigError
        An option doesn't belong to the kind, or several ids were given to a board.
    TargetError
        A design contradicts itself.
    """
    design, options = DESIGNS[kind]
    renamed = RENAMED | RENAMED_OF.get(kind, {})
    fields = {name: renamed.get(name, name) for name in (*options, "plate", "quiet-zone")}
    used = {*given, *(["id"] if ids else [])}
    if wrong := sorted(used - set(fields)):
        takes = ", ".join(f"--{name}" for name in fields)
        raise ConfigError(f"--{wrong[0]} means nothing for --kind {kind}, which takes {takes}")
    if len(ids) > 1 and kind is not TargetKind.MARKER:
        raise ConfigError(f"--kind {kind} takes one --id, that of its first marker")
    if kind is TargetKind.BITMAP and "picture" not in given:
        raise ConfigError("--kind bitmap needs --picture, a black and white picture file")
    values = {fields[name]: value for name, value in given.items()}
    if not ids:
        return (design(**values),)
    return tuple(design(**values, **{fields["id"]: marker_id}) for marker_id in ids)
