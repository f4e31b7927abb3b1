"""Frame of a siting sheet's pages: heading, foot with the print check, tables' words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from bench.scene.model import Bay
from bench.setting_out.deviations import Allowance, Allowances, rounded_down
from bench.setting_out.joint_deviations import Joint
from bench.setting_out.sheet_marks import (
    BODY,
    HEADING,
    SMALL,
    THIN,
    TITLE,
    Column,
    Frame,
    allowed_inches,
    fitted,
    table,
    wrapped,
)
from bench.setting_out.slack import Knob
from bench.sighting.sighting import Sighting
from bench.targets.annotation import QUIET, scale_bars
from bench.targets.outline import rectangle
from bench.targets.page import Line, Mark, Page, Text

MARGIN = 8.0  # most office printers leave 5 mm white (common practice, no source)
HEAD, FOOT = 12.0, 20.0
GAP = 3.2
LINE = 1.45  # of body text, over its size
BEYOND = "≥"  # before a deviation at which the search ended without anything breaking
BARS = 112.0  # width of the bars at the foot with their labels


@dataclass(frozen=True, eq=False)
class Plan:
    """All that a sheet shows.

    Attributes
    ----------
    bay : Bay
        As planned.
    sightings : tuple of Sighting
        Of every tower.
    allowances : Allowances
        How far each may be off.
    joint : Joint
        How far all may be off at once.
    """

    bay: Bay
    sightings: tuple[Sighting, ...]
    allowances: Allowances
    joint: Joint

    def allowed(self, where: str, name: str) -> tuple[str, str]:
        """Return what is allowed alone, ``"−12 / +25 mm"``, and together, ``"±3 mm"``.

        Lengths have a second line in feet and inches.
        """
        one = self.allowances.of(where, name)
        alone = f"{side(one, '−')} / {side(one, '+')} {unit(one.knob)}"
        least = self.joint.fraction * one.least
        limited = bool(one.breaks_minus or one.breaks_plus)
        most = "" if limited else BEYOND
        together = f"±{most}{shown(rounded_down(least, one.knob), one.knob)} {unit(one.knob)}"
        if one.knob.is_length:
            minus = ("" if one.breaks_minus else BEYOND) + allowed_inches(one.minus)
            plus = ("" if one.breaks_plus else BEYOND) + allowed_inches(one.plus)
            alone += f"\n−{minus} / +{plus}"
            together += f"\n±{most}{allowed_inches(least)}"
        return alone, together


def side(one: Allowance, sign: str) -> str:
    """Return one side of an allowance, rounded down; `BEYOND` it where nothing breaks."""
    value, breaks = (one.minus, one.breaks_minus) if sign == "−" else (one.plus, one.breaks_plus)
    beyond = "" if breaks else BEYOND
    return f"{sign}{beyond}{shown(rounded_down(value, one.knob), one.knob)}"


def shown(value: float, knob: Knob) -> str:
    """Return a rounded deviation as a number."""
    return f"{knob.shown(value):.{0 if knob.is_length else 2}f}"


def unit(knob: Knob) -> str:
    """Return its unit."""
    return "mm" if knob.is_length else "°"


def heading(frame: Frame, title: str, plan: Plan) -> tuple[Mark, ...]:
    """Return the heading of a siting sheet's page at the top of a frame."""
    return bay_heading(frame, title, plan.bay, "siting sheet, ")


def bay_heading(frame: Frame, title: str, bay: Bay, what: str = "") -> tuple[Mark, ...]:
    """Return a page's heading: its title, and of which bay it is; `what` comes before that."""
    base = frame.top - 6.0
    name = fitted(bay.name, 0.5 * frame.width, HEADING, bold=True)
    basis = f"bay {bay.digest[:12]}"
    return (
        Text(frame.left, base, fitted(title, 0.45 * frame.width, TITLE, True), TITLE, bold=True),
        Text(frame.right, base + 0.9, name, HEADING, "end", bold=True),
        Text(frame.right, base - 2.6, f"{what}{basis}", SMALL, "end", tone=QUIET),
        Line(frame.left, base - 4.0, frame.right, base - 4.0, 2.0 * THIN),
    )


def foot(frame: Frame, number: int, count: int, paper: str, words: str) -> tuple[Mark, ...]:
    """Return a page's foot: bars of 100 mm and 4 in to check the print, and what to mind."""
    top = frame.bottom + FOOT - 1.0
    left = frame.left + BARS
    marks: list[Mark] = [
        Line(frame.left, top, frame.right, top, THIN),
        *scale_bars(frame.left, top - 2.2),
    ]
    lines = [
        *wrapped("Print at 100 %, then measure the bars: if they are off, so are the scales.",
                 frame.right - left, SMALL),
        *wrapped(words, frame.right - left, SMALL),
    ]  # fmt: skip
    y = top - 3.4
    for line in lines:
        marks.append(Text(left, y, line, SMALL))
        y -= LINE * SMALL
    marks.append(
        Text(frame.right, frame.bottom + 0.6, f"page {number} of {count}, {paper}", SMALL, "end")
    )
    return tuple(marks)


def paragraph(
    left: float, top: float, width: float, text: str, size: float = BODY, bold_first: bool = False
) -> tuple[tuple[Mark, ...], float]:
    """Return a wrapped text's marks, and where what follows starts."""
    marks = []
    y = top
    for i, line in enumerate(wrapped(text, width, size)):
        y -= LINE * size
        marks.append(Text(left, y + 0.3 * size, line, size, bold=bold_first and i == 0))
    return tuple(marks), y


@dataclass
class Flow:
    """Titles, paragraphs and tables from the top of a column downwards.

    Attributes
    ----------
    left, y, width : float
        Of the column, mm; `y` is where what follows begins, each piece `gap` lower.
    marks : list of Mark
        What was set so far.
    """

    left: float
    y: float
    width: float
    marks: list[Mark] = field(default_factory=list)

    def title(self, text: str, gap: float = 0.0) -> None:
        """Set a heading within the page."""
        self.marks.append(Text(self.left, self.y - gap - 3.0, text, HEADING, bold=True))
        self.y -= gap + 4.2

    def paragraph(
        self, text: str, size: float = BODY, bold_first: bool = False, gap: float = 0.0
    ) -> None:
        """Set a wrapped text."""
        marks, self.y = paragraph(self.left, self.y - gap, self.width, text, size, bold_first)
        self.marks += marks

    def fits(self, text: str, size: float, bottom: float, gap: float = 0.0) -> bool:
        """Tell whether a paragraph ends above the bottom, mm."""
        return self.y - gap - LINE * size * len(wrapped(text, self.width, size)) >= bottom

    def numbered(self, steps: Sequence[str], size: float, indent: float, gap: float) -> None:
        """Set numbered steps, each `gap` above the next."""
        for number, step in enumerate(steps, start=1):
            base = self.y - LINE * size + 0.3 * size
            self.marks.append(Text(self.left, base, f"{number}", size, bold=True))
            text, self.y = paragraph(self.left + indent, self.y, self.width - indent, step, size)
            self.marks += text
            self.y -= gap

    def table(self, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> None:
        """Set a table, see `bench.setting_out.sheet_marks.table`."""
        marks, self.y = table(self.left, self.y, columns, rows)
        self.marks += marks


def page_of(size: tuple[float, float], marks: tuple[Mark, ...]) -> Page:
    """Return a page without a target on it."""
    return Page(*size, np.asarray(rectangle(0.0, 0.0, *size)), (), marks)


def body_frame(size: tuple[float, float]) -> Frame:
    """Return the part of a page within its margins."""
    return Frame(MARGIN, MARGIN, size[0] - MARGIN, size[1] - MARGIN)
