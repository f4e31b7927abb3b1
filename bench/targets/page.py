"""A printed page as a few kinds of mark, in millimetres from its bottom left corner, y up.

Millimetres, not metres: pages are what printers, rulers and SVG measure in them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.defaults import PAPERS
from bench.errors import TargetError
from bench.targets.outline import rectangle
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Fill:
    """A filled region: closed rings (N, 2), outer ones anticlockwise and holes clockwise."""

    rings: tuple[Array, ...]
    tone: float = 0.0


@dataclass(frozen=True)
class Dot:
    """A filled circle."""

    x: float
    y: float
    radius: float
    tone: float = 0.0


@dataclass(frozen=True)
class Line:
    """A straight stroke with flat ends."""

    x0: float
    y0: float
    x1: float
    y1: float
    width: float = 0.1
    tone: float = 0.0


@dataclass(frozen=True)
class Text:
    """A line of text, its baseline's start, middle or end at (x, y)."""

    x: float
    y: float
    text: str
    size: float = 2.3
    anchor: str = "start"
    bold: bool = False
    tone: float = 0.0


Mark = Fill | Dot | Line | Text


@dataclass(frozen=True, eq=False)
class Page:
    """One page to print.

    Attributes
    ----------
    width, height : float
        Of the paper, millimetres.
    window : (4, 2) float64
        Corners of the rectangle outside which `pattern` isn't shown.
    pattern : tuple of Fill or Dot
        The target's face, in painting order. Tones run from 0, black, to 1, paper.
    marks : tuple of Mark
        Everything around it.
    """

    width: float
    height: float
    window: Array
    pattern: tuple[Fill | Dot, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Sheet:
    """Printed pages that belong together: a target's one, or a set of instructions.

    Attributes
    ----------
    name : str
        Of what is shown.
    paper : str
        Such as ``"A4"``, or ``"250 x 300 mm"`` for a page made to fit.
    pages : tuple of Page
        All of one size.
    """

    name: str
    paper: str
    pages: tuple[Page, ...]


def paper_title(name: str) -> str:
    """Return a paper's name as people write it: A4, Letter."""
    return name.upper() if name.lower().startswith("a") else name.capitalize()


def paper_size(name: str) -> tuple[float, float]:
    """Return width and height of a paper, upright, millimetres.

    Raises
    ------
    TargetError
        No such paper.
    """
    try:
        return PAPERS[name.lower()]
    except KeyError:
        known = ", ".join(("auto", "fit", *PAPERS))
        raise TargetError(f"no page size is called '{name}'; known are {known}") from None


def box(x0: float, y0: float, x1: float, y1: float, tone: float = 0.0) -> Fill:
    """Return a filled rectangle."""
    return Fill((rectangle(x0, y0, x1, y1),), tone)


def frame(x0: float, y0: float, x1: float, y1: float, line: float, tone: float = 0.0) -> Fill:
    """Return a rectangle's outline whose outer edges are the given ones, not half a line off."""
    inner = rectangle(x0 + line, y0 + line, x1 - line, y1 - line)
    return Fill((rectangle(x0, y0, x1, y1), np.flipud(inner)), tone)
