"""Print sheets: which paper, how many pages, and what goes where on them."""

from functools import cache

import numpy as np
import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from numpy.testing import assert_allclose

from bench.defaults import PAPERS
from bench.errors import TargetError
from bench.targets.design import (
    CharucoDesign,
    ChessboardDesign,
    CirclesDesign,
    GridDesign,
    MarkerDesign,
    build_target,
)
from bench.targets.page import Dot, Fill, Line, Text
from bench.targets.sheet import layout_sheet

DESIGNS = {
    "small": MarkerDesign("4x4_50", 3, 0.05),
    "office": MarkerDesign(size=0.15),
    "plate larger than A4": MarkerDesign(size=0.2),
    "wide": GridDesign(columns=6, rows=2),
    "charuco": CharucoDesign(first_id=2),
    "chessboard": ChessboardDesign(),
    "circles": CirclesDesign(),
    "symmetric circles": CirclesDesign(7, 6, symmetric=True, diameter=0.012),
    "large": MarkerDesign(size=0.6, plate=(0.8, 0.75)),
}


@cache
def text_box(text, size, bold):
    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    return TextPath((0, 0), text, size=size, prop=font).get_extents()


def extent(mark):
    """Return a mark's left, bottom, right and top, mm."""
    match mark:
        case Fill():
            points = np.vstack(mark.rings)
            return (*points.min(axis=0), *points.max(axis=0))
        case Dot():
            r = mark.radius
            return mark.x - r, mark.y - r, mark.x + r, mark.y + r
        case Line():
            half = 0.5 * mark.width
            pad_x, pad_y = (half, 0.0) if mark.x0 == mark.x1 else (0.0, half)
            return mark.x0 - pad_x, mark.y0 - pad_y, mark.x1 + pad_x, mark.y1 + pad_y
        case Text():
            box = text_box(mark.text, mark.size, mark.bold)
            x = mark.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[mark.anchor] * box.x1
            return x + box.x0, mark.y + box.y0, x + box.x1, mark.y + box.y1


def overlap(a, b, gap=0.0):
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


@pytest.mark.parametrize("paper", ["auto", "fit"])
@pytest.mark.parametrize("name", DESIGNS)
def test_everything_lies_on_the_page_off_the_plate_and_no_two_texts_touch(name, paper):
    sheet = layout_sheet(build_target(DESIGNS[name]), paper)
    for page in sheet.pages:
        texts, others = [], []
        window = (*page.window[0], *page.window[2])
        for mark in page.marks:
            x0, y0, x1, y1 = edges = extent(mark)
            assert min(x0, y0) > 0, mark
            assert max(x1 - page.width, y1 - page.height) < 0, mark
            # plate marks touch the plate's edge, to rounding
            assert not overlap(edges, window, -1e-9), mark
            texts += [edges] if isinstance(mark, Text) else []
            others += [edges] if isinstance(mark, Fill | Line) else []
        for i, text in enumerate(texts):
            assert not any(overlap(text, other, 0.2) for other in texts[:i] + others)


@pytest.mark.parametrize("name", DESIGNS)
def test_the_page_shows_the_whole_plate_and_its_face_keeps_its_scale(name):
    target = build_target(DESIGNS[name])
    (page,) = layout_sheet(target).pages
    for shape, mark in zip(target.drawing.shapes[1:], page.pattern, strict=True):
        if isinstance(mark, Fill):
            ours, theirs = np.vstack(shape.rings), np.vstack(mark.rings)
            assert_allclose(np.ptp(theirs, axis=0), 1000 * np.ptp(ours, axis=0), atol=1e-9)
        else:
            assert mark.radius == pytest.approx(1000 * shape.radius)
    # in millimetres; a dozen roundings of numbers up to 1000
    size = 1000 * np.array([target.drawing.width, target.drawing.height])
    assert_allclose(page.window[2] - page.window[0], size, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("name", "paper"),
    [("office", "A4"), ("plate larger than A4", "A3"), ("large", "820 x 805 mm")],
)
def test_auto_takes_the_smallest_of_a4_a3_and_a_page_to_fit(name, paper):
    sheet = layout_sheet(build_target(DESIGNS[name]))
    assert (sheet.paper, len(sheet.pages)) == (paper, 1)


def test_a_page_is_laid_across_where_only_that_takes_the_plate():
    page = layout_sheet(build_target(CharucoDesign(square=0.035, marker=0.026)), "a3").pages[0]
    assert page.width < page.height  # fits either way: upright
    wide = layout_sheet(build_target(GridDesign(columns=4, rows=2, size=0.07)), "a3")
    assert len(wide.pages) == 1
    assert wide.pages[0].width > wide.pages[0].height


@pytest.mark.parametrize("paper", PAPERS)
def test_every_named_paper_takes_a_small_target(paper):
    sheet = layout_sheet(build_target(DESIGNS["small"]), paper.upper())
    assert sorted((sheet.pages[0].width, sheet.pages[0].height)) == sorted(PAPERS[paper])


def test_an_unknown_paper_is_refused_with_those_known():
    with pytest.raises(TargetError, match=r"'a7'; known are auto, fit, a4, a3, .*tabloid"):
        layout_sheet(build_target(MarkerDesign()), "a7")


def test_a_paper_too_small_for_the_plate_is_refused():
    with pytest.raises(TargetError, match=r"400 x 400 mm doesn't fit A4; take a larger page"):
        layout_sheet(build_target(MarkerDesign(size=0.3, plate=(0.4, 0.4))), "a4")


def test_a_page_larger_than_pdf_allows_is_refused():
    with pytest.raises(TargetError, match="larger than PDF's 5080 mm"):
        layout_sheet(build_target(MarkerDesign(size=5.0)), "fit")


def test_in_black_and_white_only_pure_black_and_paper_are_printed():
    for design in DESIGNS.values():
        for mark in layout_sheet(build_target(design)).pages[0].pattern:
            assert mark.tone in (0.0, 1.0)


@pytest.mark.parametrize(
    ("design", "says"),
    [
        (MarkerDesign(marker_id=7), "DICT_APRILTAG_36h11, id 7"),
        (MarkerDesign(size=0.2032), "black square 203.2 mm, plate 254 × 254 mm"),
        (GridDesign(), "DICT_APRILTAG_36h11, 3 × 2 markers, ids 0 to 5"),
        (CharucoDesign(), "squares 40 mm, markers 30 mm, plate 290 × 210 mm"),
        (ChessboardDesign(), "squares 25 mm, plate 300 × 225 mm"),
        (CirclesDesign(), "rows 20 mm apart, circles in a row 40 mm"),
        (CirclesDesign(symmetric=True), "diameter 15 mm, plate 95 × 235 mm"),
        (MarkerDesign(), "Print at 100 %, never fitted to the page; then measure the bar."),
        (MarkerDesign(), "up"),
    ],
)
def test_the_page_says_what_it_shows_and_how_to_check_it(design, says):
    page = layout_sheet(build_target(design), "fit").pages[0]
    assert says in [m.text for m in page.marks if isinstance(m, Text)]
