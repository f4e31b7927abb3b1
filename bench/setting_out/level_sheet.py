"""The sheet for levelling and shimming: where the bar lies, what is read, shims for a lean."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bench.scene.bar import BarPose
from bench.scene.model import Bay, Tower
from bench.scene.surroundings import Column as Body
from bench.setting_out.dimensions import ANCHORS
from bench.setting_out.floor_sheet import BIG, ends_of, tick_box
from bench.setting_out.off_plan import MOST_LEAN
from bench.setting_out.sheet_frame import (
    FOOT,
    HEAD,
    Flow,
    bay_heading,
    body_frame,
    foot,
    page_of,
)
from bench.setting_out.sheet_marks import (
    BODY,
    FINE,
    HEADING,
    SMALL,
    THICK,
    Column,
    Frame,
    closed,
    degrees,
    feet_inches,
    fitted,
    millimetres,
)
from bench.targets.annotation import QUIET
from bench.targets.page import Dot, Line, Mark, Page, Sheet, Text, paper_size, paper_title

LEANS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0)  # degrees, up to what shims are for
TALL = 15.0  # of a setting's row, mm
LEVELLING = (
    "Make all seats one height: a water level, or a straightedge and a level, from one to the "
    "next. That is what level along the bay rests on.",
    "Lay the bar on its stands at each place, both ways round, at each turn; note the bubble and "
    "take a picture with both towers each time.",
    "Write what was read into the table that 'sightbench level solve' takes, in this order.",
)
SHIMMING = (
    "Hold a level against two sides of the mast that meet, well above its foot. Note where the "
    "top leans, and how much.",
    "Look up the shim. It goes under the side to which the top leans: both corners of that side; "
    "where it leans two ways, the corner that both share gets both shims together.",
    "Secure the tower, then ease its anchors, never all at once. Shim, tighten as its maker "
    "says, and measure again.",
    "Then aim the tower anew: sightbench aim --photo, or --watch.",
)
LEAN_WORDS = (
    "top leans along (away from the vehicle: +)",
    "top leans across (to the vehicle's left: +)",
)
MIND = (
    "Towers tip: two people, and the tower held. The equipment maker's instructions and local "
    "codes say what anchors and shims are allowed; they come first."
)


def level_sheet(bay: Bay, poses: Sequence[BarPose], paper: str = "a4") -> Sheet:
    """Return the pages: the bar's settings to find level with, then shims for a lean.

    Parameters
    ----------
    bay : Bay
        Whose.
    poses : sequence of BarPose
        Of the bar, in the order in which they are measured.
    paper : str
        See `bench.defaults.PAPERS`.

    Raises
    ------
    TargetError
        No such paper.
    """
    size = paper_size(paper)
    name = paper_title(paper)
    room = size[1] - 2.0 * 8.0 - HEAD - FOOT - 36.0
    each = max(1, math.floor(room / TALL))
    parts = [range(k, min(k + each, len(poses))) for k in range(0, len(poses), each)]
    count = len(parts) + 1
    pages = [
        _levelling(bay, poses, part, size, (i, count, name)) for i, part in enumerate(parts, 1)
    ]
    pages.append(_shimming(bay, size, (count, count, name)))
    return Sheet(f"Levelling and shimming, {bay.name}", name, tuple(pages))


def _levelling(
    bay: Bay,
    poses: Sequence[BarPose],
    part: Sequence[int],
    size: tuple[float, float],
    which: tuple[int, int, str],
) -> Page:
    frame = body_frame(size)
    marks: list[Mark] = [*bay_heading(frame, "Which way is up", bay), *foot(frame, *which, MIND)]
    flow = Flow(frame.left, frame.top - HEAD, frame.width)
    flow.numbered(LEVELLING, HEADING, 6.0, 0.8)
    marks += flow.marks
    y = flow.y - 2.0
    inches = which[2] == "Letter"
    for index in part:
        marks += _setting(bay, poses, index, Frame(frame.left, y - TALL, frame.right, y), inches)
        y -= TALL
    return page_of(size, tuple(marks))


def _setting(
    bay: Bay, poses: Sequence[BarPose], index: int, frame: Frame, inches: bool
) -> list[Mark]:
    """Return one setting of the bar: large numbers, room for the bubble, a box to tick."""
    pose = poses[index]
    a, b = ends_of(bay, pose)
    y = frame.bottom + 7.0
    way = "A right, end for end" if pose.reversed else "A left"
    ahead = "" if math.isclose(a.ahead, b.ahead, abs_tol=5e-4) else " (A)"
    ahead_mm, high_mm = (
        f"{millimetres(value)} mm " if inches else "" for value in (a.ahead, a.height)
    )
    tape = feet_inches if inches else _whole_mm
    columns = (
        (0.0, f"{index + 1}", f"of {len(poses)}"),
        (16.0, tape(a.ahead), f"{ahead_mm}from the tower line{ahead}"),
        (76.0 if inches else 58.0, tape(a.height), f"{high_mm}high; {way}"),
        (128.0 if inches else 112.0, degrees(pose.turn), "turned"),
    )
    marks: list[Mark] = [Line(frame.left, frame.bottom, frame.right, frame.bottom, 0.1, QUIET)]
    size = 5.0 if inches else BIG
    for left, big, small in columns:
        marks.append(Text(frame.left + left, y, big, size, bold=True))
        marks.append(Text(frame.left + left, y - 4.6, small, BODY))
    marks += [
        Text(frame.right - 46.0, y - 4.6, "bubble", BODY),
        Line(frame.right - 46.0, y, frame.right - 27.0, y, FINE),
        *tick_box(frame.right - 24.0, y - 4.0),
    ]
    return marks


def _whole_mm(metres: float) -> str:
    return f"{millimetres(metres)} mm"


def lean_rows(column: Body, inches: bool) -> list[tuple[str, str, str, str]]:
    """Return shims by lean: degrees, slope, shim along, shim across."""
    rows = []
    for lean in LEANS:
        slope = math.tan(math.radians(lean))
        along, across = slope * column.base_along, slope * column.base_across
        rows.append(
            (
                f"{lean:.1f}°",
                f"{12.0 * slope:.3f} in/ft" if inches else f"{1e3 * slope:.1f} mm/m",
                _shim(along, inches),
                _shim(across, inches),
            )
        )
    return rows


def _shim(metres: float, inches: bool) -> str:
    """Return a shim's thickness as it is sold: tenths of millimetres, or thousandths of inches."""
    if inches:
        return f"{metres / 0.0254:.3f} in"
    return f"{1e3 * metres:.1f} mm"


def _shimming(bay: Bay, size: tuple[float, float], which: tuple[int, int, str]) -> Page:
    frame = body_frame(size)
    column, inches = bay.surroundings.column, which[2] == "Letter"
    marks: list[Mark] = [*bay_heading(frame, "Plumb and shims", bay), *foot(frame, *which, MIND)]
    flow = Flow(frame.left, frame.top - HEAD, frame.width)
    flow.numbered(SHIMMING, HEADING, 6.0, 0.8)
    flow.title("Shim by how much the mast leans", gap=2.0)
    heads = ("lean", "on a level", "along the bay: front or back", "across: inner or outer")
    columns = [Column(head, frame.width / 4.0) for head in heads]
    flow.table(columns, lean_rows(column, inches))
    words = (
        f"A lean beyond {math.degrees(MOST_LEAN):g} deg isn't for shims: keep clear of the tower "
        "and have it set upright."
    )
    flow.paragraph(words, HEADING, True, gap=1.0)
    marks += flow.marks
    y = flow.y - 3.0
    half = 0.5 * (frame.width - 6.0)
    bottom = max(frame.bottom + FOOT + 2.0, y - 74.0)
    for i, tower in enumerate(bay.towers[:2]):
        left = frame.left + i * (half + 6.0)
        marks += _plate(tower, Frame(left, bottom, left + half, y))
    return page_of(size, tuple(marks))


def _plate(tower: Tower, frame: Frame) -> list[Mark]:
    """Return a tower's base plate from above, its corners named, with room to write shims."""
    title = fitted(f"{tower.name.capitalize()} tower", frame.width, HEADING, True)
    marks: list[Mark] = [Text(frame.left, frame.top - 4.0, title, HEADING, bold=True)]
    for k, words in enumerate(LEAN_WORDS):
        y = frame.top - 12.0 - 7.0 * k
        marks += [
            Text(frame.left, y, words, SMALL),
            Line(frame.right - 22.0, y - 0.6, frame.right, y - 0.6, 0.1),
        ]
    side = min(0.42 * frame.width, frame.height - 38.0)
    x, y = 0.5 * (frame.left + frame.right), frame.bottom + 0.5 * side + 6.0
    a = 0.5 * side
    marks += closed(Frame(x - a, y - a, x + a, y + a).corners, THICK)
    # seen facing the towers: their back is up the page, the vehicle's left at the left
    outer = -1.0 if tower.placement.offset > 0.0 else 1.0
    for name in ANCHORS:
        across, along = name.split("_")
        u = x + (outer if across == "outer" else -outer) * (a - 3.0)
        v = y + (a - 3.0 if along == "back" else 3.0 - a)
        marks.append(Dot(u, v, 0.8))
        away = 1.0 if u > x else -1.0
        anchor = "start" if away > 0.0 else "end"
        marks.append(Text(u + 5.0 * away, v + 0.8, name.replace("_", " "), SMALL, anchor))
        marks.append(Line(u + 5.0 * away, v - 3.6, u + (5.0 + 15.0) * away, v - 3.6, 0.1))
    marks.append(Text(x, y - a - 4.0, "the vehicle stands this way ↓", SMALL, "middle"))
    return marks
