"""Siting sheets: nothing overlaps or leaves the page, and lengths times scale are the bay's."""

import math
import re
from dataclasses import replace
from functools import cache
from itertools import combinations

import numpy as np
import pypdfium2
import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.textpath import TextPath
from matplotlib.transforms import Bbox

from bench.errors import TargetError
from bench.scene.load import load_bay
from bench.scene.model import Tower
from bench.setting_out.deviations import allowances
from bench.setting_out.dimensions import anchors_of, square_check
from bench.setting_out.joint_deviations import joint
from bench.setting_out.sheet import siting_sheet, write_siting_sheet
from bench.setting_out.sheet_bay import bay_plan, bay_view, square_corners
from bench.setting_out.sheet_frame import Plan
from bench.setting_out.sheet_marks import (
    Frame,
    View,
    allowed_inches,
    degrees,
    feet_inches,
    millimetres,
    scale_bar,
    scale_for,
)
from bench.setting_out.sheet_picture import MOST, chosen
from bench.setting_out.sheet_tower import base_plan, elevation, plan_view
from bench.setting_out.slack import limits_of
from bench.sighting.prediction import Predictor
from bench.sighting.sighting import sightings
from bench.targets.page import Dot, Fill, Line, Text

SHIPPED = load_bay()
LOOSE = replace(SHIPPED.tolerance, toe=0.03, camber=0.03)


def varied(**changes):
    """The shipped bay with its towers placed otherwise."""
    towers = []
    for tower in SHIPPED.towers:
        side = math.copysign(1.0, tower.placement.offset)
        given = {k: side * v if k in ("offset", "yaw") else v for k, v in changes.items()}
        towers.append(replace(tower, placement=replace(tower.placement, **given)))
    return replace(SHIPPED, towers=tuple(towers), tolerance=LOOSE)


def named(text):
    towers = tuple(Tower(f"{text} {t.name}", t.placement, t.camera, t.imaging)
                   for t in SHIPPED.towers)  # fmt: skip
    return replace(SHIPPED, name=f"{text} of {text}", towers=towers, tolerance=LOOSE)


def far_off():
    """A bay twice as long, its near axle farther off."""
    stations = tuple(replace(s, standoff=2.74) for s in SHIPPED.stations)
    axles = [[replace(a, behind=2.3 * a.behind) for a in v.axles] for v in SHIPPED.vehicles]
    vehicles = tuple(
        replace(v, axles=tuple(a)) for v, a in zip(SHIPPED.vehicles, axles, strict=True)
    )
    wide = varied(offset=2.3, height=2.1, yaw=0.15, pitch=-0.1)
    return replace(wide, standoff=2.74, stations=stations, vehicles=vehicles)


BAYS = {
    "shipped": replace(SHIPPED, tolerance=LOOSE),
    "wide and tall": far_off(),
    "narrow and low": varied(offset=1.25, height=0.7, pitch=0.05, forward=0.15),
    "long names": named("the quite remarkably long-winded training establishment"),
}


@cache
def shipped_deviations():
    bay = BAYS["shipped"]
    limits = limits_of(bay, Predictor("corner", 0.1))
    single = allowances(limits)
    return single, joint(limits, single, trials=60)


@cache
def plan_of(name):
    """A sheet's content; deviations are the shipped bay's: how they are drawn is tested here."""
    bay = BAYS[name]
    single, together = shipped_deviations()
    names = {a.name: b.name for a, b in zip(SHIPPED.towers, bay.towers, strict=True)}
    each = tuple(
        replace(one, knob=replace(one.knob, where=names.get(one.knob.where, one.knob.where)))
        for one in single.each
    )
    seen = sightings(bay, Predictor("corner", 0.1), visible=False)
    return Plan(bay, seen, replace(single, each=each), together)


@cache
def text_box(text, size, bold):
    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    path = TextPath((0, 0), text, size=size, prop=font)
    # the hull of its curves' points, which takes a tenth of the time that their extremes do
    points = path.vertices[path.codes != Path.CLOSEPOLY]
    return Bbox([points.min(axis=0), points.max(axis=0)])


def extent(mark):
    """Left, bottom, right and top, mm."""
    match mark:
        case Fill():
            points = np.vstack(mark.rings)
            return (*points.min(axis=0), *points.max(axis=0))
        case Dot():
            return (mark.x - mark.radius, mark.y - mark.radius,
                    mark.x + mark.radius, mark.y + mark.radius)  # fmt: skip
        case Line():
            xs, ys = sorted((mark.x0, mark.x1)), sorted((mark.y0, mark.y1))
            return xs[0], ys[0], xs[1], ys[1]
        case Text():
            box = text_box(mark.text, mark.size, mark.bold)
            x = mark.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[mark.anchor] * box.x1
            return x + box.x0, mark.y + box.y0, x + box.x1, mark.y + box.y1


def overlap(a, b):
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", BAYS)
def test_nothing_leaves_the_page_and_no_two_texts_touch(name, paper):
    sheet = siting_sheet(plan_of(name), paper)
    assert len(sheet.pages) == 3
    for number, page in enumerate(sheet.pages, start=1):
        texts = []
        for mark in page.marks:
            x0, y0, x1, y1 = edges = extent(mark)
            # 5 mm is what most printers leave white
            assert min(x0, y0) > 5.0, (number, mark)
            assert x1 < page.width - 5.0, (number, mark)
            assert y1 < page.height - 5.0, (number, mark)
            if isinstance(mark, Text):
                texts.append((edges, mark.text))
        for (a, one), (b, other) in combinations(texts, 2):
            assert not overlap(a, b), (number, one, other)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", BAYS)
def test_no_line_runs_through_a_text_of_the_drawings(name, paper):
    for page in siting_sheet(plan_of(name), paper).pages:
        texts = [(extent(m), m.text) for m in page.marks if isinstance(m, Text)]
        long = [
            m for m in page.marks if isinstance(m, Line) and m.width >= 0.1 and m.tone == 0.0
            and (m.x0 == m.x1 or m.y0 == m.y1)
        ]  # fmt: skip
        for line in long:
            for edges, text in texts:
                if len(text) > 1:  # letters of plates lie among the plates
                    assert not overlap(extent(line), edges), (line, text)


def paper_length(view, a, b):
    (x0, y0), (x1, y1) = view.at(*a), view.at(*b)
    return math.hypot(x1 - x0, y1 - y0) * view.scale / 1000.0


@pytest.mark.parametrize("name", BAYS)
def test_lengths_on_the_bays_plan_times_its_scale_are_the_models(name):
    bay = BAYS[name]
    frame = Frame(8.0, 70.0, 98.0, 277.0)
    view, marks = bay_view(bay, frame), bay_plan(bay, frame)
    dots = [(m.x, m.y) for m in marks if isinstance(m, Dot)]
    for tower in bay.towers:
        for anchor in anchors_of(tower.placement, bay.surroundings.column):
            assert min(math.dist(d, view.at(anchor.x, anchor.y)) for d in dots) < 1e-9
    # diagonals: drawn, computed by Pythagoras, and of the model
    check, corners = square_check(bay), square_corners(bay)
    lines = [m for m in marks if isinstance(m, Line)]
    k = view.scale / 1000.0
    lengths = [k * math.hypot(m.x1 - m.x0, m.y1 - m.y0) for m in lines]
    expected = math.sqrt(check.across**2 + check.along**2)
    assert sum(abs(found - expected) < 1e-9 for found in lengths) == 2
    for a, b in (("1", "3"), ("2", "4")):
        assert math.dist(corners[a], corners[b]) == pytest.approx(expected)
        assert paper_length(view, corners[a], corners[b]) == pytest.approx(expected)


@pytest.mark.parametrize("name", BAYS)
def test_lengths_on_a_towers_drawings_times_scale_are_the_models(name):
    plan, frame = plan_of(name), Frame(8.0, 200.0, 137.0, 277.0)
    for tower in plan.bay.towers:
        view = plan_view(tower, plan, frame)
        marks = base_plan(plan, tower, frame)
        anchors = anchors_of(tower.placement, plan.bay.surroundings.column)
        dots = [(m.x, m.y) for m in marks if isinstance(m, Dot)]
        k = view.scale / 1000.0
        drawn = [d for d in dots if any(math.dist(d, view.at(a.x, a.y)) < 1e-9 for a in anchors)]
        assert len(drawn) == 4
        spread = np.ptp(np.array(drawn), axis=0) * k
        column = plan.bay.surroundings.column
        assert spread == pytest.approx((column.anchors_across, column.anchors_along))
        # every dimension across is as long as it says
        said = [int(m.text.split(" mm")[0].split()[-1]) for m in marks
                if isinstance(m, Text) and " mm = " in m.text]  # fmt: skip
        assert sorted(said) == sorted(
            round(1000 * abs(v)) for v in (anchors[0].y, anchors[1].y, tower.placement.offset)
        )
        # and the mast's camera is as high over its floor
        side = Frame(140.0, 200.0, 202.0, 277.0)
        standing = elevation(plan, tower, side)
        scale = next(int(m.text.rsplit(" ", 1)[1]) for m in standing
                     if isinstance(m, Text) and " at 1 : " in m.text)  # fmt: skip
        floor = next(m for m in standing if isinstance(m, Line))
        camera = next(m for m in standing if isinstance(m, Dot))
        assert (camera.y - floor.y0) * scale / 1000.0 == pytest.approx(tower.placement.height)


def test_tables_give_what_the_file_takes():
    bay = BAYS["shipped"]
    words = [m.text for p in siting_sheet(plan_of("shipped")).pages for m in p.marks
             if isinstance(m, Text)]  # fmt: skip
    for key in ("square.one_three", "square.two_four", "standoff", "floor.along", "inner_front",
                "offset", "height", "yaw", "pitch", "roll", "lean_along"):  # fmt: skip
        assert key in words
    diagonal = square_check(bay).diagonal
    assert words.count(f"{millimetres(diagonal)} mm") == 2
    assert words.count(feet_inches(diagonal)) == 2
    assert any("licensed" in text for text in words)
    assert any(re.fullmatch(r"−\d+ / \+\S+ mm", text) for text in words)


def test_a_scale_bar_is_as_long_as_it_says():
    marks = scale_bar(10.0, 5.0, 50, 15.0)
    (words,) = [m.text for m in marks if isinstance(m, Text)]
    xs = np.concatenate([r[:, 0] for m in marks if isinstance(m, Fill) for r in m.rings])
    assert np.ptp(xs) == pytest.approx(20.0)  # 1 m at 1 : 50
    assert words == "1 m at 1 : 50"


def test_scales_are_the_largest_that_fit():
    assert scale_for(1.0, 1.0, (100.0, 100.0)) == 10
    assert scale_for(1.001, 1.0, (100.0, 100.0)) == 15
    assert scale_for(90.0, 1.0, (100.0, 100.0)) == 900
    assert View(20, (10.0, 20.0), ((0.0, 1.0), (-1.0, 0.0))).at(1.0, 0.5) == (-15.0, 70.0)


def test_numbers_read_as_on_a_tape():
    assert (millimetres(-0.0604), millimetres(-0.0002)) == ("−60", "0")
    assert feet_inches(1.6) == "5 ft 3 in"
    assert (degrees(math.radians(-11.5)), degrees(-1e-9)) == ("−11.50°", "0.00°")


def test_allowances_in_inches_never_exceed_the_true_ones():
    assert allowed_inches(0.0254) == "1 in"
    assert allowed_inches(0.0254 - 1e-6) == "15/16 in"
    assert allowed_inches(0.3048 + 0.0015) == "1 ft 0 in"
    assert allowed_inches(0.001) == "0 in"


@pytest.mark.parametrize("name", BAYS)
def test_allowed_lengths_are_given_in_inches_too(name):
    for page in siting_sheet(plan_of(name), "a4").pages:
        words = [m.text for m in page.marks if isinstance(m, Text)]
        lengths = [t for t in words if re.fullmatch(r"−\S+ / \+\S+ mm", t)]
        assert lengths
        inches = [t for t in words if re.fullmatch(r"−(any|[^/]*\S* in) / \+(any|.* in)", t)]
        assert len(inches) == len(lengths)


def test_at_most_six_targets_are_lettered_with_the_nearest_and_farthest_among_them():
    plan = plan_of("shipped")
    seen = [one for one in plan.sightings if one.tower == "left"]
    picked = chosen(seen)
    assert len(picked) == min(MOST, len(seen))
    assert picked[0] is min(seen, key=lambda one: one.range)
    assert picked[-1] is max(seen, key=lambda one: one.range)


def test_files_are_written_and_the_pdf_has_a_page_for_each(tmp_path):
    files = write_siting_sheet(plan_of("shipped"), tmp_path, "letter")
    assert [f.name for f in files] == [
        "siting-sheet.pdf", "siting-sheet-bay.svg", "siting-sheet-left.svg",
        "siting-sheet-right.svg",
    ]  # fmt: skip
    assert len(pypdfium2.PdfDocument(files[0].read_bytes())) == 3
    again = write_siting_sheet(plan_of("shipped"), tmp_path / "again", "letter")
    assert [f.read_bytes() for f in files] == [f.read_bytes() for f in again]


def test_an_unknown_paper_is_refused(tmp_path):
    with pytest.raises(TargetError, match="'a9'"):
        write_siting_sheet(plan_of("shipped"), tmp_path, "a9")
