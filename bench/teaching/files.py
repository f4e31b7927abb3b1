"""One illustration as files: the card as PNG, SVG or PDF, and its sidecar."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

import matplotlib

from bench import __version__
from bench.draw import style
from bench.files import make_directory, write_atomically
from bench.scene.model import Bay
from bench.teaching.captions import Captions
from bench.teaching.card import card_figure
from bench.teaching.sidecar import record, write_sidecar
from bench.teaching.trials import Illustrated
from bench.teaching.words import said

Kind = Literal["png", "svg", "pdf"]
_MAKER = f"sightbench {__version__}"
_FACTS: dict[Kind, dict[str, Any]] = {
    "png": {"Software": _MAKER},
    "svg": {"Creator": _MAKER, "Date": None},
    "pdf": {"Creator": _MAKER, "Producer": _MAKER, "CreationDate": None},
}


def illustration_bytes(
    shown: Illustrated, bay: Bay, captions: Captions, kind: Kind = "png"
) -> bytes:
    """Return the card as a file's bytes, which depend on the arguments alone."""
    buffer = io.BytesIO()
    with style.applied():
        figure = card_figure(shown, bay, captions)
        matplotlib.rcParams["svg.hashsalt"] = shown.scene.key  # names inside the file
        matplotlib.rcParams["pdf.fonttype"] = 42  # text stays text
        figure.savefig(buffer, format=kind, dpi=figure.dpi, metadata=_FACTS[kind])
    return buffer.getvalue()


def illustration_record(
    shown: Illustrated, bay: Bay, captions: Captions, command: str
) -> dict[str, Any]:
    """Return a sidecar's content: where each number comes from, and the command for it."""
    return record(shown, said(shown, bay, captions), bay, command)


def save_illustration(
    shown: Illustrated,
    bay: Bay,
    captions: Captions,
    command: str,
    directory: Path,
    stem: str,
    kinds: Sequence[Kind] = ("png",),
) -> list[Path]:
    """Write a card and its sidecar as ``STEM.png``, ``STEM.json`` and so on; return the files.

    Parameters
    ----------
    shown : Illustrated
        What is drawn.
    bay : Bay
        Whose tolerances judge it.
    captions : Captions
        In whose words.
    command : str
        What makes the same picture again.
    directory : Path
        Made when it is missing.
    stem : str
        Of the files' names.
    kinds : sequence of str
        Of ``"png"``, ``"svg"``, ``"pdf"``.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(directory)
    written = []
    for kind in kinds:
        path = directory / f"{stem}.{kind}"
        write_atomically(path, illustration_bytes(shown, bay, captions, kind))
        written.append(path)
    content = illustration_record(shown, bay, captions, command)
    return [*written, write_sidecar(directory / f"{stem}.json", content)]
