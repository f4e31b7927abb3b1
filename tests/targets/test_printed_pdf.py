"""Print sheets as PDF, measured in what another program (PDFium) makes of them."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.targets.design import (
    CharucoDesign,
    CirclesDesign,
    GridDesign,
    MarkerDesign,
    build_target,
)
from bench.targets.page import Line
from bench.targets.pdf import sheet_pdf
from bench.targets.sheet import OVERLAP, layout_sheet

# PDFium widens a rectangle to whole pixels: each end is off by at most one
ENDS_PX = 2.0


def dark_run(pixels, start, stop):
    """Return the first and last dark pixels' outer edges within a stretch."""
    dark = np.flatnonzero(pixels[int(start) : int(stop)] > 0.5)
    return int(start) + dark[0], int(start) + dark[-1] + 1


@pytest.mark.parametrize(("size", "paper"), [(0.15, "a4"), (0.2, "a3"), (0.1, "letter")])
def test_the_black_square_is_as_large_as_stated_and_stands_in_the_middle(size, paper, slice_page):
    sheet = layout_sheet(build_target(MarkerDesign(size=size)), paper)
    (page,) = sheet.pages
    pdf = sheet_pdf(sheet)
    (x, y), half = 0.5 * (page.window[0] + page.window[2]), 500 * size
    # through the marker's black frame, half a cell from its edges; the quiet zone is a cell
    inset, beyond = half * (1 - 1 / 8), half * (1 + 1 / 8)
    pixels, scale = slice_page(pdf, y_mm=y + inset)
    left, right = dark_run(pixels, (x - beyond) * scale, (x + beyond) * scale)
    assert_allclose((right - left) / scale, 1000 * size, rtol=0, atol=ENDS_PX / scale)
    assert_allclose(0.5 * (left + right), 0.5 * len(pixels), rtol=0, atol=ENDS_PX / 2)

    pixels, scale = slice_page(pdf, x_mm=x - inset)
    middle = page.height - y
    top, bottom = dark_run(pixels, (middle - beyond) * scale, (middle + beyond) * scale)
    assert_allclose((bottom - top) / scale, 1000 * size, rtol=0, atol=ENDS_PX / scale)


@pytest.mark.parametrize(("below", "length"), [(3.0 + 0.8, 100.0), (11.5 + 0.8, 101.6)])
@pytest.mark.parametrize("paper", ["a4", "a3", "fit"])
def test_the_scale_bars_are_as_long_as_stated(below, length, paper, slice_page):
    sheet = layout_sheet(build_target(MarkerDesign(size=0.1)), paper)
    (page,) = sheet.pages
    rule = max((m for m in page.marks if isinstance(m, Line)), key=lambda m: m.x1 - m.x0)
    pixels, scale = slice_page(sheet_pdf(sheet), y_mm=rule.y0 - below)
    left, right = dark_run(pixels, (rule.x0 - 2) * scale, (rule.x0 + length + 2) * scale)
    assert_allclose((right - left) / scale, length, rtol=0, atol=ENDS_PX / scale)


def test_a_circle_has_its_diameter(slice_page):
    target = build_target(CirclesDesign(diameter=0.015))
    sheet = layout_sheet(target, "a4")
    (page,) = sheet.pages
    x, y = 0.5 * (page.window[0] + page.window[2]) + 1000 * target.points[0]
    pixels, scale = slice_page(sheet_pdf(sheet), y_mm=y)
    left, right = dark_run(pixels, (x - 9) * scale, (x + 9) * scale)
    # cut within a pixel of the centre: the chord is shorter by 1e-9 mm. Eight Bézier arcs
    # leave a circle by less than 5e-6 of its radius.
    assert_allclose((right - left) / scale, 15.0, rtol=0, atol=ENDS_PX / scale + 15 * 5e-6)


@pytest.mark.parametrize(
    ("paper", "size_mm"),
    [
        # ISO 216; ANSI/ASME Y14.1 (8.5 x 11 in, 11 x 17 in)
        ("a4", (210.0, 297.0)),
        ("a3", (297.0, 420.0)),
        ("letter", (215.9, 279.4)),
        ("tabloid", (279.4, 431.8)),
    ],
)
def test_pages_have_the_papers_size(paper, size_mm, rasterise):
    sheet = layout_sheet(build_target(MarkerDesign(size=0.1)), paper)
    ((picture, scale),) = rasterise(sheet_pdf(sheet), 72)
    # PDFium gives a page's size in single precision: 1200 pt to 6e-5 pt
    assert_allclose(np.array(picture.shape[::-1]) / scale, size_mm, rtol=0, atol=5e-5)


@pytest.mark.parametrize("marker_id", [0, 311])
def test_opencv_finds_the_printed_marker_where_the_sheet_puts_it(marker_id, rasterise):
    target = build_target(MarkerDesign(marker_id=marker_id, size=0.12))
    sheet = layout_sheet(target)
    (page,) = sheet.pages
    ((picture, scale),) = rasterise(sheet_pdf(sheet), 150)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    grey = np.rint(255 * (1 - picture)).astype(np.uint8)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    assert ids.ravel().tolist() == [marker_id]
    middle = 0.5 * (page.window[0] + page.window[2])
    on_page = 1000 * target.markers[marker_id] + middle
    expected = np.column_stack((on_page[:, 0], page.height - on_page[:, 1])) * scale - 0.5
    # unrefined corners are pixel centres of the outermost dark pixels, or one beside
    assert_allclose(corners[0][0], expected, rtol=0, atol=1.5)


def test_no_seams_show_between_cells_of_one_colour(rasterise):
    target = build_target(MarkerDesign(size=0.1))
    sheet = layout_sheet(target)
    ((picture, scale),) = rasterise(sheet_pdf(sheet), 200)
    (page,) = sheet.pages
    corner = 0.5 * (page.window[0] + page.window[2]) + (-50.0, 50.0)  # of the black square
    origin = np.array([corner[0], page.height - corner[1]]) * scale
    rows, columns = np.indices(picture.shape) + 0.5
    bits = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11).generateImageMarker(
        0, 8
    )

    def cell_colour(dx, dy):
        c = (columns + dx - origin[0]) / scale[0] / 12.5
        r = (rows + dy - origin[1]) / scale[1] / 12.5
        inside = (c > 0) & (c < 8) & (r > 0) & (r < 8)
        at = np.clip(r, 0, 7.99).astype(int), np.clip(c, 0, 7.99).astype(int)
        return np.where(inside, bits[at].astype(int) // 255, -1)

    here = cell_colour(0, 0)
    # a pixel whose whole neighbourhood has one colour must have exactly that colour
    even = (here >= 0) & np.logical_and.reduce(
        [cell_colour(dx, dy) == here for dx in (-1, 1) for dy in (-1, 1)]
    )
    assert even.sum() > 0.9 * (here >= 0).sum()
    assert np.array_equal(picture[even], 1.0 - here[even])


@pytest.mark.parametrize(
    "design",
    [
        MarkerDesign(),
        GridDesign(),
        CharucoDesign(),
        CirclesDesign(),
        MarkerDesign(size=0.5, plate=(0.7, 0.8)),
    ],
    ids=["marker", "grid", "charuco", "circles", "large"],
)
def test_every_kind_of_target_prints_as_opencv_would_find_it(design, rasterise):
    target = build_target(design)
    sheet = layout_sheet(target, "fit")
    ((picture, _),) = rasterise(sheet_pdf(sheet), 100)
    grey = np.rint(255 * (1 - picture)).astype(np.uint8)
    if target.kind == "circles":
        found, _ = cv2.findCirclesGrid(
            grey[: -int(32 / 25.4 * 100)], target.layout, flags=cv2.CALIB_CB_ASYMMETRIC_GRID
        )
        assert found
        return
    book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, target.dictionary))
    _, ids, _ = cv2.aruco.ArucoDetector(book).detectMarkers(grey)
    assert sorted(ids.ravel().tolist()) == sorted(target.markers)


def test_pages_joined_at_their_crosses_give_the_whole_marker_at_its_true_size(rasterise):
    target = build_target(MarkerDesign(marker_id=5, size=0.3))
    sheet = layout_sheet(target, "a4")
    assert (sheet.columns, sheet.rows) == (3, 2) or sheet.columns * sheet.rows > 2
    dpi = 100.0
    joined = np.zeros((int(500 * dpi / 25.4), int(500 * dpi / 25.4)))
    offset = {}  # of a page's bottom left corner in the joined picture's plane, mm
    for index, (page, (picture, scale)) in enumerate(
        zip(sheet.pages, rasterise(sheet_pdf(sheet), dpi), strict=True)
    ):
        row, column = divmod(index, sheet.columns)
        crosses = crosses_of(page)
        if index == 0:
            shift = np.array([20.0, 300.0]) - page.window[0]
        elif column > 0:  # lay the left crosses on the right ones of the page before
            shift = offset[index - 1] + right_of(sheet.pages[index - 1]) - left_of(page)
        else:  # lay the top crosses on the bottom ones of the page above
            above = index - sheet.columns
            shift = offset[above] + bottom_of(sheet.pages[above]) - top_of(page)
        offset[index] = shift
        assert len(crosses) >= 2
        # cut at the seams on the left and top, where earlier pages lie underneath
        (x0, y0), (x1, y1) = page.window[0], page.window[2]
        x0, y1 = x0 + OVERLAP * (column > 0), y1 - OVERLAP * (row > 0)
        paste(joined, picture, scale, page, (x0, y0, x1, y1), shift, dpi / 25.4)
    grey = np.rint(255 * (1 - joined)).astype(np.uint8)
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(book).detectMarkers(grey)
    assert ids.ravel().tolist() == [5]
    sides = np.linalg.norm(np.roll(corners[0][0], -1, axis=0) - corners[0][0], axis=1)
    # outermost pixel centres: one pixel less than the square, each corner a pixel uncertain,
    # and each paste rounds to a whole pixel
    assert_allclose(sides, 300 * dpi / 25.4 - 1, rtol=0, atol=4.0)


def paste(joined, picture, scale, page, area, shift, px_per_mm):
    """Copy an area (mm on the page) into the joined picture by nearest pixels."""
    x0, y0, x1, y1 = area
    columns = np.arange(round((x0 + shift[0]) * px_per_mm), round((x1 + shift[0]) * px_per_mm))
    rows = np.arange(round((y0 + shift[1]) * px_per_mm), round((y1 + shift[1]) * px_per_mm))
    x = ((columns + 0.5) / px_per_mm - shift[0]) * scale[0]
    y = (page.height - (rows + 0.5) / px_per_mm + shift[1]) * scale[1]
    height = len(joined)
    joined[np.ix_(height - 1 - rows, columns)] = picture[np.ix_(y.astype(int), x.astype(int))]


def crosses_of(page):
    """Return the centres of the page's crosses (N, 2): pairs of lines that halve each other."""
    lines = [m for m in page.marks if isinstance(m, Line)]
    level = {(0.5 * (m.x0 + m.x1), m.y0) for m in lines if m.y0 == m.y1 and m.x1 - m.x0 == 5.0}
    upright = {(m.x0, 0.5 * (m.y0 + m.y1)) for m in lines if m.x0 == m.x1 and m.y1 - m.y0 == 5.0}
    assert level == upright
    return np.array(sorted(level))


def right_of(page):
    crosses = crosses_of(page)
    return max(c for c in crosses.tolist() if c[1] > page.window[2, 1])


def left_of(page):
    return min(c for c in crosses_of(page).tolist() if c[1] > page.window[2, 1])


def bottom_of(page):
    return min((c for c in crosses_of(page).tolist() if c[0] > page.window[2, 0]), key=second)


def top_of(page):
    return max((c for c in crosses_of(page).tolist() if c[0] > page.window[2, 0]), key=second)


def second(pair):
    return pair[1]


def test_equal_sheets_give_equal_bytes_without_a_date():
    sheet = layout_sheet(build_target(MarkerDesign()))
    pdf = sheet_pdf(sheet)
    assert pdf == sheet_pdf(layout_sheet(build_target(MarkerDesign())))
    assert b"Date" not in pdf
    assert pdf.startswith(b"%PDF-1.")


def test_the_users_own_plot_settings_change_nothing():
    import matplotlib as mpl

    sheet = layout_sheet(build_target(MarkerDesign()))
    plain = sheet_pdf(sheet)
    with mpl.rc_context({"font.family": ["serif"], "pdf.fonttype": 42, "path.simplify": True}):
        assert sheet_pdf(sheet) == plain


def test_grey_prints_the_reflectances_as_srgb_tones(rasterise):
    design = MarkerDesign(size=0.1, white=0.8, black=0.2)
    sheet = layout_sheet(build_target(design), grey=True)
    (page,) = sheet.pages
    ((picture, scale),) = rasterise(sheet_pdf(sheet), 100)

    def grey_at(x, y):
        return 1 - picture[int((page.height - y) * scale[1]), int(x * scale[0])]

    left, bottom = page.window[0]
    # IEC 61966-2-1: 1.055 L^(1/2.4) - 0.055; one grey level of 255 for rounding, twice
    for place, linear in ((3.0, 0.8), (16.0, 0.2)):
        expected = 1.055 * linear ** (1 / 2.4) - 0.055
        assert grey_at(left + place, bottom + place) == pytest.approx(expected, abs=1.01 / 255)
