"""The floor sheet of the bar's poses: where each end goes, how high, how turned, in what order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bench.scene.bar import BarPose
from bench.scene.model import Bay
from bench.setting_out.sheet_frame import (
    FOOT,
    HEAD,
    LINE,
    bay_heading,
    body_frame,
    foot,
    page_of,
    paragraph,
)
from bench.setting_out.sheet_marks import (
    BODY,
    CENTRE_LINE,
    FINE,
    HEADING,
    SMALL,
    THICK,
    Frame,
    View,
    closed,
    dashed,
    degrees,
    feet_inches,
    fitted,
    millimetres,
    scale_bar,
    scale_for,
    width_of,
)
from bench.targets.annotation import QUIET
from bench.targets.outline import rectangle
from bench.targets.page import (
    Dot,
    Fill,
    Line,
    Mark,
    Page,
    Sheet,
    Text,
    box,
    paper_size,
    paper_title,
)

A_PAGE = 2  # poses: each is read from two metres
BIG, NUMBER = 6.0, 11.0  # type of key numbers and of the pose's own, mm
DRAWING = 0.5  # of the page's width
MIND = (
    "Marks are beneath the middles of the bar's targets, by plumb bob. Local codes and the "
    "stands' maker's instructions come first; two people carry the bar, nobody steps over it."
)


@dataclass(frozen=True)
class End:
    """One end of the bar: a mark on the floor, and how high its target is.

    Attributes
    ----------
    name : str
        A or B.
    ahead : float
        Of the mark from the tower line, positive toward the vehicle, metres.
    left : float
        Of the mark from the centre line, positive to the vehicle's left, metres.
    height : float
        Of the target's middle above the floor, metres.
    """

    name: str
    ahead: float
    left: float
    height: float


def ends_of(bay: Bay, pose: BarPose) -> tuple[End, End]:
    """Return where the bar's ends go: A, then B."""
    found = []
    for name, mount in (("A", bay.bar.T_bar_a), ("B", bay.bar.T_bar_b)):
        x, y, z = (pose.T_bay_bar @ mount).translation
        found.append(End(name, -float(x), float(y), float(z)))
    return found[0], found[1]


def floor_sheet(bay: Bay, poses: Sequence[BarPose], paper: str = "a4") -> Sheet:
    """Return pages of two poses each, with numbers to set out, a drawing and a box to tick.

    Raises
    ------
    TargetError
        No such paper.
    """
    size = paper_size(paper)
    name = paper_title(paper)
    count = math.ceil(len(poses) / A_PAGE)
    pages = [_page(bay, poses, number, (size, name, count)) for number in range(count)]
    return Sheet(f"Floor sheet, {bay.name}", name, tuple(pages))


def _page(
    bay: Bay, poses: Sequence[BarPose], number: int, of: tuple[tuple[float, float], str, int]
) -> Page:
    size, name, count = of
    frame = body_frame(size)
    marks: list[Mark] = [
        *bay_heading(frame, "Bar poses on the floor", bay),
        *foot(frame, number + 1, count, name, MIND),
    ]
    high, low = frame.top - HEAD, frame.bottom + FOOT
    part = (high - low) / A_PAGE
    inches = name == "Letter"
    for k in range(A_PAGE):
        index = number * A_PAGE + k
        if index < len(poses):
            box_ = Frame(frame.left, high - (k + 1) * part, frame.right, high - k * part)
            marks += _pose(bay, poses, index, box_, inches)
    return page_of(size, tuple(marks))


def _pose(
    bay: Bay, poses: Sequence[BarPose], index: int, frame: Frame, inches: bool
) -> list[Mark]:
    """Return one pose's part of a page: numbers at the left, the drawing at the right."""
    pose = poses[index]
    split = frame.left + (1.0 - DRAWING) * frame.width
    y = frame.top - 12.0
    number = f"{index + 1}"
    marks: list[Mark] = [
        Text(frame.left, y, number, NUMBER, bold=True),
        Text(
            frame.left + width_of(number, NUMBER, True) + 3.0,
            y,
            f"of {len(poses)}",
            HEADING,
            tone=QUIET,
        ),
        *tick_box(split - 28.0, y - 1.0),
        Line(frame.left, frame.bottom, frame.right, frame.bottom, FINE, QUIET),
    ]
    y -= 5.0
    first = poses.index(pose)
    if first < index:
        back = f"back to pose {first + 1}: the same marks, heights and turn"
        said, y = paragraph(frame.left, y, split - frame.left - 4.0, back, HEADING, True)
        marks += said
    for end in ends_of(bay, pose):
        side = "left" if end.left >= 0.0 else "right"
        y -= BIG + 2.9
        marks.append(Text(frame.left, y, end.name, BIG, bold=True))
        lines = (
            (f"{_tape(abs(end.left), inches)} {side}", "of the centre line"),
            (_tape(end.ahead, inches), "from the tower line"),
            (_tape(end.height, inches), "high"),
        )
        for big, small in lines:
            said, y = _number(frame.left + 9.0, y, big, small, split - frame.left - 13.0)
            marks += said
        y += BIG
    y -= BIG + 2.9
    turn = degrees(pose.turn)
    said, y = _number(frame.left, y, turn, _turn_words(pose), split - frame.left - 4.0)
    marks += said
    if pose.reversed:
        said, y = paragraph(
            frame.left,
            y + BIG,
            split - frame.left - 4.0,
            "laid end for end: A on the right, targets upside down",
            HEADING,
            True,
        )
        marks += said
    drawn = Frame(split + 2.0, frame.bottom + 7.0, frame.right, frame.top - 3.0)
    return marks + _drawing(bay, pose, drawn)


def _turn_words(pose: BarPose) -> str:
    if abs(pose.turn) < math.radians(0.005):
        return "turn: faces level"
    way = "down" if pose.turn > 0.0 else "up"
    return f"turn: faces look {way}"


def _tape(metres: float, inches: bool) -> str:
    """Return a length as the paper's tape has it: inches first on Letter, millimetres else."""
    if inches:
        return f"{feet_inches(metres)} ({millimetres(metres)} mm)"
    return f"{millimetres(metres)} mm"


def _number(
    x: float, y: float, big: str, small: str, width: float
) -> tuple[tuple[Mark, ...], float]:
    """Return a key number with its words after it, or beneath, and the next one's baseline."""
    size = BIG
    while size > BODY and width_of(big, size, True) > width:
        size -= 0.25
    wide = width_of(big, size, True)
    number = Text(x, y, big, size, bold=True)
    if wide + 2.0 + width_of(small, HEADING) <= width:
        return (number, Text(x + wide + 2.0, y, small, HEADING)), y - BIG - 1.6
    below = y - LINE * HEADING
    words = Text(x, below, fitted(small, width, HEADING), HEADING)
    return (number, words), below - BIG - 1.6


def tick_box(x: float, y: float) -> list[Mark]:
    """Return a box to tick, with its word."""
    side = 8.0
    lines = closed(Frame(x, y, x + side, y + side).corners, THICK)
    return [*lines, Text(x + side + 2.0, y + 2.6, "taken", HEADING)]


def _drawing(bay: Bay, pose: BarPose, frame: Frame) -> list[Mark]:
    """Return the pose from above: towers at the top, tower line, centre line, the bar's ends."""
    ends = ends_of(bay, pose)
    wide = 0.3 + max(
        *(abs(end.left) for end in ends), *(abs(t.placement.offset) for t in bay.towers)
    )
    deep = 0.5 + max(end.ahead for end in ends)
    scale = scale_for(2.0 * wide, deep + 0.4, (frame.width, frame.height - 6.0))
    # who faces the towers has the vehicle's left at the left
    origin = (0.5 * (frame.left + frame.right), frame.top - 4.0 - 400.0 / scale)
    view = View(scale, origin, ((-1.0, 0.0), (0.0, -1.0)))
    marks: list[Mark] = [
        *dashed(*view.at(0.0, -0.3), *view.at(0.0, deep), CENTRE_LINE, FINE, QUIET),
        *dashed(*view.at(wide, 0.0), *view.at(-wide, 0.0), CENTRE_LINE, FINE, QUIET),
    ]
    for tower in bay.towers:
        x, y = view.at(tower.placement.offset, -tower.placement.forward)
        marks.append(box(x - 1.5, y - 1.5, x + 1.5, y + 1.5, 0.55))
        marks.append(Text(x, y + 2.4, tower.name, SMALL, "middle"))
    a, b = (view.at(end.left, end.ahead) for end in ends)
    marks.append(Line(*a, *b, 2.0 * THICK))
    for end, (x, y) in zip(ends, (a, b), strict=True):
        marks.append(Dot(x, y, 1.1))
        foot_x, _ = view.at(0.0, end.ahead)
        marks.append(Line(foot_x, y, x, y, FINE, QUIET))
        out = 1.0 if x > foot_x else -1.0
        marks += _lettered(x + 3.2 * out, y - 2.6, end.name)
    marks += scale_bar(frame.left, frame.bottom - 4.0, scale, 20.0)
    return marks


def _lettered(x: float, y: float, name: str) -> list[Mark]:
    """Return an end's letter on a white ground, clear of the lines."""
    half = 1.9
    ground = Fill((rectangle(x - half, y - half + 1.1, x + half, y + half + 1.1),), 1.0)
    return [ground, Text(x, y, name, HEADING, "middle", bold=True)]
