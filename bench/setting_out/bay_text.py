"""The text of a bay's own file with other placements and standoff."""

from __future__ import annotations

from bench.parsing import parse_toml
from bench.scene.bay_edits import metres, place_edits
from bench.scene.model import Bay
from bench.scene.toml_edit import Edit, edit_toml
from bench.strict import toml_text


def bay_text(bay: Bay, comment: str, drive_through: float | None = None) -> str:
    """Return the file at `bay.path` with placements and standoff as `bay` has them.

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
    edits = place_edits(parse_toml(text), bay)
    if drive_through is not None:
        edits.append(Edit((), "drive_through", metres(drive_through)))
    lines = [f"# {line}".rstrip() for line in comment.splitlines()]
    return "\n".join([*lines, edit_toml(text, edits)])
