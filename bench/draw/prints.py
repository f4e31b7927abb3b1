"""Figures as files that people print: PNG, SVG and PDF of the same figure."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib
from matplotlib.figure import Figure

from bench import __version__
from bench.draw import style
from bench.files import make_directory, write_atomically

FORMATS = ("png", "svg", "pdf")


def save_print(figure: Figure, directory: Path, stem: str) -> list[Path]:
    """Write a figure as ``STEM.png``, ``.svg`` and ``.pdf``; return the files.

    The bytes depend on the figure alone.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(directory)
    written = [style.save(figure, directory / f"{stem}.png")]
    maker = f"sightbench {__version__}"
    metadata = {
        "svg": {"Creator": maker, "Date": None},
        "pdf": {"Creator": maker, "Producer": maker, "CreationDate": None},
    }
    for kind, facts in metadata.items():
        buffer = io.BytesIO()
        with style.applied():
            matplotlib.rcParams["svg.hashsalt"] = stem  # names inside the file, the same each time
            matplotlib.rcParams["pdf.fonttype"] = 42  # text stays text
            figure.savefig(buffer, format=kind, metadata=facts)
        path = directory / f"{stem}.{kind}"
        write_atomically(path, buffer.getvalue())
        written.append(path)
    return written
