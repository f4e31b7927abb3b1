"""A siting sheet's page for the whole bay: plan to scale, square check, lengths, cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bench.scene.model import Bay, wheels
from bench.setting_out.cautions import CAUTIONS
from bench.setting_out.deviations import rounded_down
from bench.setting_out.dimensions import anchors_of, base_corners, square_check
from bench.setting_out.placements import base_centre
from bench.setting_out.sheet_frame import (
    FOOT,
    GAP,
    HEAD,
    LINE,
    Flow,
    Plan,
    body_frame,
    foot,
    heading,
    page_of,
)
from bench.setting_out.sheet_marks import (
    BODY,
    CENTRE_LINE,
    DASHED,
    FINE,
    SMALL,
    THICK,
    THIN,
    Column,
    Frame,
    View,
    across_dimension,
    allowed_inches,
    closed,
    dashed,
    degrees,
    down_dimension,
    feet_inches,
    millimetres,
    scale_bar,
    scale_for,
    wrapped,
)
from bench.setting_out.slack import ALL
from bench.targets.annotation import QUIET
from bench.targets.page import Dot, Line, Mark, Page, Text, box

RIGHT = 96.0  # mm of the width for tables
STEPS = (
    "Snap the centre line along the bay and, square to it, the tower line. The bay's zero is "
    "where they cross.",
    "Mark corners 1 and 2 on the tower line, 3 and 4 on the near axle's line. Measure both "
    "diagonals: turn the tower line until they agree within what is allowed.",
    "Mark each tower's four anchor points from both lines (its page), and check their distance "
    "from the crossing.",
    "Stand, plumb and anchor the towers; set heights; aim at the aim marks; compare pictures.",
    "Write what was measured beside each key, copy it into a file that 'sightbench site "
    "--template' starts, and let 'sightbench site --as-built' judge it.",
)
CAUTION_SIZE = 2.15
Table = tuple[Sequence[Column], Sequence[Sequence[str]]]


def bay_page(plan: Plan, size: tuple[float, float], which: tuple[int, int, str]) -> Page:
    """Return the bay's page; see `bench.setting_out.sheet_tower.tower_page`."""
    frame = body_frame(size)
    marks: list[Mark] = [*heading(frame, "The bay", plan)]
    marks += foot(
        frame, *which, "Lengths are horizontal. Where a floor slopes, hold the tape level."
    )
    cautions, top = _cautions(frame)
    marks += cautions
    left = Frame(frame.left, top + GAP, frame.right - RIGHT - 4.0, frame.top - HEAD)
    marks += bay_plan(plan.bay, left)
    marks += _right(plan, Frame(frame.right - RIGHT, top + GAP, frame.right, frame.top - HEAD))
    return page_of(size, tuple(marks))


def bay_view(bay: Bay, frame: Frame) -> View:
    """Return the view from above in a frame: x up the page, the vehicle's left to the left."""
    low, high, half = bay_extent(bay)
    scale = scale_for(2.0 * half, high - low, (frame.width - 20.0, frame.height - 18.0))
    k = 1000.0 / scale
    middle = 0.5 * (frame.left + frame.right) - 6.0
    return View(scale, (middle, frame.top - 10.0 - k * high), ((0.0, 1.0), (-1.0, 0.0)))


def bay_extent(bay: Bay) -> tuple[float, float, float]:
    """Return the lowest and highest x, and the largest |y|, that the plan shows, metres."""
    column = bay.surroundings.column
    bases = [base_centre(tower.placement, column) for tower in bay.towers]
    every = wheels(bay)
    tyre = max(axle.tyre_radius for axle in bay.axles)
    low = min(float(wheel.centre[0]) for wheel in every) - tyre - 0.05
    high = max(x for x, _ in bases) + 0.5 * column.base_along
    half = max(
        *(abs(y) + 0.5 * column.base_across for _, y in bases),
        *(abs(float(wheel.T_bay_target.translation[1])) + 0.15 for wheel in every),
    )
    return low, max(high, 0.1), half


def bay_plan(bay: Bay, frame: Frame) -> tuple[Mark, ...]:
    """Return the bay from above: lines, towers, axles and wheels, the square check."""
    view = bay_view(bay, frame)
    low, high, half = bay_extent(bay)
    marks: list[Mark] = [
        *dashed(*view.at(low, 0.0), *view.at(high, 0.0), CENTRE_LINE),
        *dashed(*view.at(0.0, half), *view.at(0.0, -half), CENTRE_LINE),
    ]
    marks += _vehicles(bay, view)
    marks += _square(bay, view)
    for tower in bay.towers:
        marks += _tower(bay, view, tower.name)
    top = view.at(high, 0.0)[1]
    offsets = sorted(tower.placement.offset for tower in bay.towers)
    if len(offsets) > 1:
        a, b = view.at(0.0, offsets[0])[0], view.at(0.0, offsets[-1])[0]
        spacing = offsets[-1] - offsets[0]
        words = f"cameras {millimetres(spacing)} mm = {feet_inches(spacing)}"
        marks += across_dimension(a, b, top + 4.0, words)
        marks += [Line(x, view.at(0.0, 0.0)[1], x, top + 5.0, FINE, QUIET) for x in (a, b)]
    right = view.at(0.0, -half)[0]
    zero = view.at(0.0, 0.0)
    distances = sorted({station.standoff for station in bay.stations})[:2]
    for i, distance in enumerate(distances):
        y, at = view.at(-distance, 0.0)[1], right + 3.0 + 8.0 * i
        ends = (*view.at(-distance, half), *view.at(-distance, -half))
        marks += dashed(*ends, DASHED, FINE)
        marks += down_dimension(at, zero[1], y, (millimetres(distance), "mm"), "start")
    marks += [
        Text(zero[0], view.at(low, 0.0)[1] - 3.6, "centre line", SMALL, "middle"),
        Text(right + 1.0, zero[1] + 1.0, "tower line", SMALL),
    ]
    marks += scale_bar(frame.left, frame.bottom + 0.4, view.scale, 18.0)
    return tuple(marks)


def _tower(bay: Bay, view: View, name: str) -> list[Mark]:
    column = bay.surroundings.column
    tower = next(t for t in bay.towers if t.name == name)
    marks: list[Mark] = [*view.outline(base_corners(tower.placement, column), THICK)]
    marks += [Dot(*view.at(p.x, p.y), 0.35) for p in anchors_of(tower.placement, column)]
    place = tower.placement
    camera = view.at(place.forward, place.offset)
    marks.append(Dot(*camera, 0.6))
    # the field's edges across, at the principal row, to the far axle at most
    k = tower.camera
    edges = [math.atan((u - k.cx) / k.fx) for u in (-0.5, k.width - 0.5)]
    low, high, half = bay_extent(bay)
    for turn in (0.0, *edges):
        # pixels to the right are the camera's right: yaw's other way
        yaw = place.yaw - turn
        length = 0.45 * (high - low)
        aside = math.copysign(half, -math.sin(yaw)) - place.offset
        if abs(length * math.sin(yaw)) > abs(aside):  # not off the drawing
            length = abs(aside / math.sin(yaw))
        end = (place.forward - length * math.cos(yaw), place.offset - length * math.sin(yaw))
        pattern = DASHED if turn == 0.0 else (0.5, 1.3)
        marks += dashed(*camera, *view.at(*end), pattern, FINE, 0.0 if turn == 0.0 else QUIET)
    return marks


def _vehicles(bay: Bay, view: View) -> list[Mark]:
    """Return tyres and targets of every vehicle at the first station."""
    marks: list[Mark] = []
    plate = 0.5 * bay.target.drawing.width
    station = bay.stations[0].name
    tyres = {(vehicle.name, axle.name): axle for vehicle in bay.vehicles for axle in vehicle.axles}
    for wheel in wheels(bay):
        if wheel.station != station:
            continue
        axle = tyres[wheel.vehicle, wheel.axle]
        x, y = float(wheel.centre[0]), float(wheel.centre[1])
        a, b = axle.tyre_radius, 0.5 * axle.tyre_width
        ring = [(x - a, y - b), (x - a, y + b), (x + a, y + b), (x + a, y - b)]
        marks += view.outline(ring, FINE, QUIET)
        T = wheel.T_bay_target
        ends = T.translation[:2] + plate * T.rotation[:2, :1].T * [[-1.0], [1.0]]
        (x0, y0), (x1, y1) = ends.tolist()
        marks.append(view.line((x0, y0), (x1, y1), THICK))
    return marks


def square_corners(bay: Bay) -> dict[str, tuple[float, float]]:
    """Return the square check's corners by number, x and y, metres."""
    check = square_check(bay)
    return {
        "1": (0.0, check.half),
        "2": (0.0, -check.half),
        "3": (-check.along, -check.half),
        "4": (-check.along, check.half),
    }


def _square(bay: Bay, view: View) -> list[Mark]:
    corners = square_corners(bay)
    plate = 500.0 * bay.surroundings.column.base_across / view.scale
    marks: list[Mark] = []
    for start, end in (("1", "3"), ("2", "4")):
        marks.append(view.line(corners[start], corners[end], THIN))
    for start, end in (("1", "4"), ("2", "3")):
        marks.append(view.line(corners[start], corners[end], FINE))
    for number, (x, y) in corners.items():
        u, v = view.at(x, y)
        outward = math.copysign(1.0, -y)
        marks.append(box(u - 0.5, v - 0.5, u + 0.5, v + 0.5))
        # beside the base plate, inward; at the axle's line outward
        on_tower_line = number in "12"
        aside = -outward * (plate + 2.0) if on_tower_line else 2.6 * outward
        below = -1.4 if on_tower_line else 3.4
        marks.append(Text(u + aside, v - below, number, BODY, "middle", bold=True))
    return marks


def _right(plan: Plan, frame: Frame) -> list[Mark]:
    """Return the steps and the tables beside the plan."""
    flow = Flow(frame.left, frame.top, frame.width)
    flow.title("Setting out")
    flow.numbered(STEPS, BODY, 4.0, 0.6)
    flow.title("Lengths and square check", gap=1.6)
    flow.table(*_lengths(plan, frame.width))
    flow.title("Allowed deviations, all towers alike", gap=1.6)
    flow.table(*_allowed(plan, frame.width))
    words = f"Together: {plan.joint.words}."
    if plan.allowances.broken:
        count = len(plan.allowances.broken)
        words += (
            f" The plan itself breaks {count} limits, left out here: {plan.allowances.broken[0]}"
        )
        words += " and others." if count > 1 else "."
    flow.paragraph(words, SMALL, gap=1.0)
    holders = holder_words(plan.bay)
    if not flow.fits(holders, SMALL, frame.bottom, gap=1.0):  # many vehicles, each set otherwise
        holders = "Targets' holders: set as the bay file has them."
    flow.paragraph(holders, SMALL, gap=1.0)
    return flow.marks


def holder_words(bay: Bay) -> str:
    """Say how the targets' holders are set on each axle."""
    settings: dict[str, list[str]] = {}
    for vehicle in bay.vehicles:
        for axle in vehicle.axles:
            mount = axle.mount
            key = f"turn {degrees(mount.turn)} outward, pitch {degrees(mount.pitch)} up"
            settings.setdefault(key, []).append(f"{vehicle.name} {axle.name}")
    if len(settings) == 1:
        return f"Targets' holders on all wheels: {next(iter(settings))}."
    shown = [f"{key}: {', '.join(names)}" for key, names in settings.items()]
    return f"Targets' holders at {'; '.join(shown)}."


def _lengths(plan: Plan, width: float) -> Table:
    bay, check = plan.bay, square_check(plan.bay)
    columns = (
        Column("", width - 67.0),
        Column("plan", 18.0, "end"),
        Column("", 23.0),
        Column("measured", 26.0, blank=True),
    )
    rows = [("1 to 2, 4 to 3", check.across, ""), ("1 to 4, 2 to 3", check.along, "")]
    rows += [
        ("diagonal 1 to 3", check.diagonal, "square.one_three"),
        ("diagonal 2 to 4", check.diagonal, "square.two_four"),
    ]
    texts = [(w, f"{millimetres(v)} mm", feet_inches(v), key) for w, v, key in rows]
    one = plan.allowances.of(ALL, "square")
    slack = check.difference(rounded_down(plan.joint.fraction * one.least, one.knob))
    most = f"{math.floor(1000.0 * slack)} mm", allowed_inches(slack)
    texts.append(("these differ at most", *most, ""))
    for i, station in enumerate(bay.stations[:3]):
        value, key = station.standoff, "standoff" if i == 0 else ""
        row = (f"standoff, {station.name}", f"{millimetres(value)} mm", feet_inches(value), key)
        texts.append(row)
    return columns, texts


def _allowed(plan: Plan, width: float) -> Table:
    columns = (
        Column("of all towers", width - 57.0),
        Column("allowed alone", 36.0),
        Column("measured", 21.0, blank=True),
    )
    names = (
        ("spacing, + outward", "spacing", ""),
        ("standoff, + farther off", "standoff", ""),
        ("height", "height", ""),
        ("yaw, + inward", "yaw", ""),
        ("pitch, + up", "pitch", ""),
        ("roll", "roll", ""),
        ("tower line out of square", "square", ""),
        ("floor, + rising to the towers", "floor_along", "floor.along"),
        ("floor, + rising to the left", "floor_across", "floor.across"),
    )
    return columns, [(words, plan.allowed(ALL, name)[0], key) for words, name, key in names]


def _cautions(frame: Frame) -> tuple[tuple[Mark, ...], float]:
    """Return the cautions in two columns above the foot, boxed, and the box's top."""
    width = 0.5 * (frame.width - 4.0) - 5.0
    columns: list[list[tuple[str, bool]]] = [[], []]
    for i, (title, text) in enumerate(CAUTIONS):
        lines = columns[0 if i < 0.5 * len(CAUTIONS) else 1]
        lines.append((title, True))
        lines += [(line, False) for line in wrapped(text, width, CAUTION_SIZE)]
    pitch = LINE * CAUTION_SIZE
    tall = max(map(len, columns)) * pitch + 3.0
    bottom = frame.bottom + FOOT + 1.0
    top = bottom + tall
    marks: list[Mark] = [*closed(Frame(frame.left, bottom, frame.right, top).corners, THICK)]
    for i, lines in enumerate(columns):
        x = frame.left + 2.5 + i * (width + 7.0)
        for row, (text, bold) in enumerate(lines):
            y = top - 1.2 - (row + 1) * pitch + 0.3 * CAUTION_SIZE
            marks.append(Text(x, y, text, CAUTION_SIZE, bold=bold))
    return tuple(marks), top
