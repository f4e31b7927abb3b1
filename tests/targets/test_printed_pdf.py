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
from bench.targets.sheet import layout_sheet

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
