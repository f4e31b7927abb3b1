"""A siting sheet's page for the room: walls, posts, lane, cables, tape distances, reasons."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from bench.scene.cables import Route, lane, routes
from bench.scene.model import Bay, Tower
from bench.scene.occupancy import obstacle_prisms
from bench.setting_out.dimensions import anchors_of, base_corners
from bench.setting_out.existing import Taped, taped
from bench.setting_out.floor_sheet import BIG
from bench.setting_out.sheet_bay import bay_extent
from bench.setting_out.sheet_frame import (
    FOOT,
    HEAD,
    LINE,
    Flow,
    Plan,
    body_frame,
    foot,
    heading,
    page_of,
    side,
    unit,
)
from bench.setting_out.sheet_marks import (
    BODY,
    CENTRE_LINE,
    DASHED,
    FINE,
    HEADING,
    SMALL,
    THICK,
    THIN,
    Column,
    Frame,
    View,
    dashed,
    feet_inches,
    fitted,
    millimetres,
    scale_bar,
    scale_for,
)
from bench.setting_out.slack import ALL
from bench.targets.annotation import QUIET
from bench.targets.outline import rectangle
from bench.targets.page import Dot, Fill, Line, Mark, Page, Text

RIGHT = 92.0  # mm of the width for words
AROUND = 0.35  # beyond what is drawn, metres
CABLE, COVER = 0.5, 1.6  # mm wide
NOTE = (
    "Positions only: what anchors are used, how deep and how they are set, the equipment maker "
    "and local codes say. Have buried cables, pipes and heating located before anybody drills."
)
WHY = (
    ("spacing", "spacing", "outward"),
    ("standoff", "standoff", "farther off"),
    ("height", "height", "up"),
    ("yaw", "yaw", "inward"),
    ("pitch", "pitch", "up"),
    ("square", "tower line", "turned"),
)


def room_page(plan: Plan, size: tuple[float, float], which: tuple[int, int, str]) -> Page:
    """Return the room's page; see `bench.setting_out.sheet_tower.tower_page`."""
    frame = body_frame(size)
    marks: list[Mark] = [*heading(frame, "The room", plan)]
    covered = any(route.cover > 0.0 for route in routes(plan.bay))
    caution = "Nobody drives or stands in the lane while a cover is laid." if covered else ""
    marks += foot(frame, *which, caution)
    bottom = frame.bottom + FOOT + 1.0
    split = frame.right - RIGHT
    marks += room_plan(plan.bay, Frame(frame.left, bottom, split - 4.0, frame.top - HEAD))
    marks += _words(plan, Frame(split, bottom, frame.right, frame.top - HEAD))
    return page_of(size, tuple(marks))


def room_extent(bay: Bay) -> tuple[float, float, float, float]:
    """Return least and greatest x and y that the room's plan shows, metres."""
    low, high, half = bay_extent(bay)
    points = [p for route in routes(bay) for p in route.cable.points]
    reach = max(half, lane(bay) or 0.0)
    bounds = [
        min(low, *(x for x, _ in points)),
        max(high, *(x for x, _ in points)),
        min(-reach, *(y for _, y in points)),
        max(reach, *(y for _, y in points)),
    ]
    room = bay.surroundings.room
    if room is not None:
        bounds = [-room.behind, room.ahead, -room.right, room.left]
    return bounds[0] - AROUND, bounds[1] + AROUND, bounds[2] - AROUND, bounds[3] + AROUND


def room_view(bay: Bay, frame: Frame) -> View:
    """Return the view from above in a frame: x up the page, the vehicle's left to the left."""
    x0, x1, y0, y1 = room_extent(bay)
    rows = len(_legend(bay))
    room = frame.height - 8.0 - LINE * SMALL * rows
    scale = scale_for(y1 - y0, x1 - x0, (frame.width, room))
    k = 1000.0 / scale
    middle = 0.5 * (frame.left + frame.right) + 0.5 * k * (y1 + y0)
    return View(scale, (middle, frame.top - k * x1), ((0.0, 1.0), (-1.0, 0.0)))


def room_plan(bay: Bay, frame: Frame) -> tuple[Mark, ...]:
    """Return the room from above, what stands in it by number, and the list of numbers."""
    view = room_view(bay, frame)
    x0, x1, _, _ = room_extent(bay)
    room = bay.surroundings.room
    ends = (x0, x1) if room is None else (-room.behind, room.ahead)
    marks: list[Mark] = [*_lane(bay, view, *ends)]
    if room is not None:
        corners = [
            (-room.behind, -room.right),
            (-room.behind, room.left),
            (room.ahead, room.left),
            (room.ahead, -room.right),
        ]
        marks += view.outline(corners, 2.5 * THICK)
    _, _, half = bay_extent(bay)
    marks += dashed(*view.at(x0, 0.0), *view.at(x1, 0.0), CENTRE_LINE, FINE, QUIET)
    marks += dashed(*view.at(0.0, half), *view.at(0.0, -half), CENTRE_LINE, FINE, QUIET)
    marks += _things(bay, view)
    for tower in bay.towers:
        marks += _tower(bay, tower, view)
    for route in routes(bay):
        marks += _route(route, view)
    y = view.at(x0, 0.0)[1] - 2.0
    for number, words in enumerate(_legend(bay), start=1):
        y -= LINE * SMALL
        marks.append(Text(frame.left, y, f"{number}", SMALL, bold=True))
        marks.append(Text(frame.left + 4.0, y, fitted(words, frame.width - 4.0, SMALL), SMALL))
    marks += scale_bar(frame.left, frame.bottom + 0.4, view.scale, 15.0)
    return tuple(marks)


def _legend(bay: Bay) -> list[str]:
    """Return what each number of the plan is."""
    lines = []
    for obstacle in bay.surroundings.obstacles:
        low = min(part.bottom for part in obstacle_prisms(bay, obstacle))
        above = "" if low <= 0.0 else f", its underside {millimetres(low)} mm up"
        lines.append(f"{obstacle.name}{above}")
    half = lane(bay)
    if half is not None:
        lines.append(f"lane that vehicles drive through, {millimetres(2.0 * half)} mm wide")
    return lines


def _lane(bay: Bay, view: View, x0: float, x1: float) -> list[Mark]:
    half = lane(bay)
    if half is None:
        return []
    (left, bottom), (right, top) = view.at(x0, half), view.at(x1, -half)
    number = str(len(_legend(bay)))
    return [
        Fill((rectangle(left, bottom, right, top),), 0.93),
        *dashed(left, bottom, left, top, DASHED, FINE, QUIET),
        *dashed(right, bottom, right, top, DASHED, FINE, QUIET),
        Text(left + 1.4, bottom + 2.4, number, BODY, bold=True),
    ]


def _things(bay: Bay, view: View) -> list[Mark]:
    """Return outlines of obstacles with their numbers; what hangs above the floor is dashed."""
    marks: list[Mark] = []
    for number, obstacle in enumerate(bay.surroundings.obstacles, start=1):
        parts = obstacle_prisms(bay, obstacle)
        for part in parts:
            points = [view.at(float(x), float(y)) for x, y in part.corners]
            if part.bottom > 0.0 and len(parts) == 1:
                for a, b in zip(points, [*points[1:], points[0]], strict=True):
                    marks += dashed(*a, *b, DASHED, THIN)
            else:
                marks.append(Fill((np.array(points),), 0.75))
        x, y = np.vstack([part.corners for part in parts]).mean(axis=0)
        u, v = view.at(float(x), float(y))
        # clear of the lines that cross the middle
        aside = 3.0 if abs(float(y)) < 0.05 else 0.0
        marks.append(Text(u + aside, v - 0.35 * BODY, str(number), BODY, "middle", bold=True))
    return marks


def _tower(bay: Bay, tower: Tower, view: View) -> list[Mark]:
    column = bay.surroundings.column
    marks: list[Mark] = [*view.outline(base_corners(tower.placement, column), THICK)]
    marks += [Dot(*view.at(p.x, p.y), 0.3) for p in anchors_of(tower.placement, column)]
    tapes = taped(bay, tower)
    if tapes:
        # one line a tower: four would lie on each other; the table has all
        one = min(tapes, key=lambda tape: tape.distance)
        start, end = view.at(one.anchor.x, one.anchor.y), view.at(*one.at)
        marks += dashed(*start, *end, (0.8, 0.6), FINE)
        marks.append(Dot(*end, 0.4))
    return marks


def _route(route: Route, view: View) -> list[Mark]:
    points = [view.at(*p) for p in route.cable.points]
    marks: list[Mark] = [Line(*a, *b, CABLE) for a, b in pairwise(points)]
    for a, b in route.covered:
        (u0, v0), (u1, v1) = view.at(*a), view.at(*b)
        marks += [Line(u0, v0, u1, v1, COVER), Line(u0, v0, u1, v1, 0.6 * COVER, 1.0)]
        marks.append(Line(u0, v0, u1, v1, CABLE))
    return marks


def _words(plan: Plan, frame: Frame) -> list[Mark]:
    """Return key numbers, tape distances, cables and reasons beside the plan."""
    bay = plan.bay
    flow = Flow(frame.left, frame.top, frame.width)
    for big, small in key_numbers(bay):
        flow.y -= BIG + 1.2
        flow.marks.append(Text(frame.left, flow.y, big, BIG, bold=True))
        flow.y -= LINE * HEADING
        flow.marks.append(Text(frame.left, flow.y, fitted(small, frame.width, HEADING), HEADING))
        flow.y -= 1.6
    tapes = [one for tower in bay.towers for one in taped(bay, tower)]
    flow.title("Anchor points, from what stands there", gap=1.0)
    if tapes:
        flow.table(TAPE_COLUMNS, [_tape_row(one) for one in tapes])
    else:
        flow.paragraph("The bay file has no wall, post or box.")
    flow.paragraph(NOTE, SMALL, gap=1.0)
    flow.title("Cables on the floor", gap=2.0)
    flow.table(CABLE_COLUMNS, [_cable_row(one) for one in routes(bay)])
    flow.paragraph(cable_words(bay), SMALL, gap=1.0)
    flow.title("Why a limit is what it is", gap=2.0)
    for words in reasons(plan):
        if not flow.fits(words, SMALL, frame.bottom, gap=0.6):
            break
        flow.paragraph(words, SMALL, gap=0.6)
    return flow.marks


def key_numbers(bay: Bay) -> list[tuple[str, str]]:
    """Return what has to be right, large, each with its words."""
    offsets = sorted(tower.placement.offset for tower in bay.towers)
    spacing = offsets[-1] - offsets[0]
    heights = sorted({round(tower.placement.height, 4) for tower in bay.towers})
    tall = " and ".join(f"{millimetres(h)} mm" for h in heights)
    inches = " and ".join(feet_inches(h) for h in heights)
    return [
        (f"{millimetres(spacing)} mm", f"cameras apart, {feet_inches(spacing)}"),
        (
            f"{millimetres(bay.standoff)} mm",
            f"tower line to near axle, {feet_inches(bay.standoff)}",
        ),
        (tall, f"cameras above the floor, {inches}"),
    ]


TAPE_COLUMNS = (
    Column("tower, anchor", 30.0),
    Column("tape", 17.0, "end"),
    Column("", 23.0),
    Column("from", 22.0),
)
CABLE_COLUMNS = (
    Column("cable", 34.0),
    Column("floor", 17.0, "end"),
    Column("", 23.0),
    Column("under covers", 18.0, "end"),
)


def _tape_row(one: Taped) -> tuple[str, str, str, str]:
    name = f"{one.tower}, {one.anchor.name.replace('_', ' ')}"
    distance = f"{millimetres(one.distance)} mm"
    return name, distance, feet_inches(one.distance), one.thing.removeprefix("the ")


def _cable_row(route: Route) -> tuple[str, str, str, str]:
    cover = "none" if route.cover == 0.0 else f"{millimetres(route.cover)} mm"
    length = route.length
    return route.cable.name, f"{millimetres(length)} mm", feet_inches(length), cover


def cable_words(bay: Bay) -> str:
    """Say what a cable's length leaves out, and where its route comes from."""
    masts = " and ".join(
        f"{tower.name} {millimetres(tower.placement.height)} mm" for tower in bay.towers
    )
    start = "" if bay.surroundings.cables else "A route to start from; [[cable]] in the bay file "
    own = "gives yours. " if start else ""
    covers = (
        "Double lines: drive-over covers, rated for the vehicles' axle loads. "
        if any(route.cover > 0.0 for route in routes(bay))
        else ""
    )
    return (
        f"{start}{own}Up the masts comes on top: {masts}; and what slack the maker asks for. "
        f"{covers}Mains is an electrician's work."
    )


def reasons(plan: Plan) -> list[str]:
    """Say of each thing set for all towers what breaks where it is off by more."""
    lines = []
    for name, words, ahead in WHY:
        one = plan.allowances.of(ALL, name)
        parts = []
        for sign, breaks in (("+", one.breaks_plus), ("−", one.breaks_minus)):
            amount = side(one, sign)
            parts.append(f"{amount} {unit(one.knob)}, {_beyond(breaks)}")
        same = one.breaks_plus == one.breaks_minus
        if same:
            amounts = f"{side(one, '+')}, {side(one, '−')} {unit(one.knob)}"
            parts = [f"{amounts}, {_beyond(one.breaks_plus)}"]
        lines.append(f"{words}, + {ahead}: {'; '.join(parts)}.")
    return lines


def _beyond(breaks: str) -> str:
    return f"then {breaks} breaks" if breaks else "nothing breaks so far"
