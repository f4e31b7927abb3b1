"""Kinds of target that can be printed, and the options that each takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

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


class Kind(StrEnum):
    """What can be printed."""

    MARKER = "marker"
    GRID = "grid"
    CHARUCO = "charuco"
    CIRCLES = "circles"
    CHESSBOARD = "chessboard"
    BITMAP = "bitmap"


@dataclass(frozen=True)
class Form:
    """How a kind's options become fields of its design."""

    design: Callable[..., Design]
    fields: dict[str, str]


PLATE_FIELDS = {"plate": "plate", "quiet-zone": "quiet_zone"}


FORMS = {
    Kind.MARKER: Form(
        MarkerDesign, {"dictionary": "dictionary", "id": "marker_id", "size": "size"}
    ),
    Kind.GRID: Form(
        GridDesign,
        {
            "dictionary": "dictionary",
            "id": "first_id",
            "size": "size",
            "columns": "columns",
            "rows": "rows",
            "gap": "gap",
        },
    ),
    Kind.CHARUCO: Form(
        CharucoDesign,
        {
            "dictionary": "dictionary",
            "id": "first_id",
            "size": "marker",
            "columns": "columns",
            "rows": "rows",
            "square": "square",
        },
    ),
    Kind.CIRCLES: Form(
        CirclesDesign,
        {
            "columns": "columns",
            "rows": "rows",
            "pitch": "pitch",
            "diameter": "diameter",
            "symmetric": "symmetric",
        },
    ),
    Kind.CHESSBOARD: Form(
        ChessboardDesign, {"columns": "columns", "rows": "rows", "square": "square"}
    ),
    Kind.BITMAP: Form(BitmapDesign, {"picture": "picture", "size": "size"}),
}


def designs(kind: Kind, given: dict[str, Any], ids: tuple[int, ...]) -> tuple[Design, ...]:
    """Return the designs that the options ask for: one, or one for each id of single markers.

    Raises
    ------
    ConfigError
        An option doesn't belong to the kind, or several ids were given to a board.
    TargetError
        A design contradicts itself.
    """
    form = FORMS[kind]
    fields = form.fields | PLATE_FIELDS
    used = {*given, *(["id"] if ids else [])}
    if wrong := sorted(used - set(fields)):
        takes = ", ".join(f"--{name}" for name in fields)
        raise ConfigError(f"--{wrong[0]} means nothing for --kind {kind}, which takes {takes}")
    if len(ids) > 1 and kind is not Kind.MARKER:
        raise ConfigError(f"--kind {kind} takes one --id, that of its first marker")
    if kind is Kind.BITMAP and "picture" not in given:
        raise ConfigError("--kind bitmap needs --picture, a black and white picture file")
    values = {fields[name]: value for name, value in given.items()}
    if not ids:
        return (form.design(**values),)
    return tuple(form.design(**values, **{fields["id"]: marker_id}) for marker_id in ids)
