"""AprilTag families with data outside the border, against the library's own pictures of them."""

import ctypes

import numpy as np
import pypdfium2
import pytest
from numpy.testing import assert_allclose
from pupil_apriltags.bindings import _image_u8_get_array, _ImageU8

from bench.digest import content_digest
from bench.errors import TargetError
from bench.targets.design import CharucoDesign, GridDesign, MarkerDesign, build_target
from bench.targets.dictionary import dictionary, marker_cells, outside_dictionaries
from bench.targets.families import NAMES, Library, made_by
from bench.targets.fill import Plate, design_on_plate
from bench.targets.pdf import sheet_pdf
from bench.targets.sheet import layout_sheet

# Number of codes, cells along the square and all cells: AprilTag 3's README and family files
# (github.com/AprilRobotics/apriltag), from memory.
PUBLISHED = {
    "tagStandard41h12": (2115, 5, 9),
    "tagStandard52h13": (48714, 6, 10),
    "tagCircle21h7": (38, 5, 9),
    "tagCircle49h12": (65535, 5, 11),
    "tagCustom48h12": (42211, 6, 10),
}
# Cells that a family gives no meaning: 9² - 21 bits - 24 of the ring - 16 of the square's rim, …
FREE = {"tagCircle21h7": 20, "tagCircle49h12": 32, "tagCustom48h12": 4}


@pytest.fixture(scope="module")
def library_picture():
    """Return a function: the library's own picture of a marker, a pixel a cell."""
    library = Library("tag16h5")
    library.libc.apriltag_to_image.restype = ctypes.POINTER(_ImageU8)

    def draw(name, marker_id):
        image = library.libc.apriltag_to_image(made_by(library, name), ctypes.c_uint32(marker_id))
        return _image_u8_get_array(image)[:, : image.contents.width] > 0

    return draw


@pytest.mark.parametrize("name", NAMES)
def test_cells_are_those_of_the_library_s_picture_where_they_mean_anything(name, library_picture):
    size, border, width = PUBLISHED[name]
    book = dictionary(name)
    assert (book.size, book.cells, book.width) == (size, border, width)
    ids = range(0, book.size, max(1, book.size // 40))
    ours = np.array([marker_cells(name, i) for i in ids])
    theirs = np.array([library_picture(name, i) for i in ids])
    differs = (ours != theirs).any(axis=0)
    # the library leaves those black, we leave them unprinted
    free = ours.all(axis=0) & ~theirs.any(axis=0)
    assert free.sum() == FREE.get(name, 0)
    np.testing.assert_array_equal(differs, free)


@pytest.mark.parametrize("name", NAMES)
def test_the_drawing_is_its_cells(name, render):
    target = build_target(MarkerDesign(name, 7, size=0.01 * dictionary(name).cells))
    picture = render(target.drawing, 0.01)  # a pixel a cell, one of quiet zone around
    np.testing.assert_array_equal(picture[1:-1, 1:-1] > 127, marker_cells(name, 7))
    assert np.all(picture[[0, -1]] > 127)
    corners = target.markers[7]
    assert_allclose(np.ptp(corners, axis=0), target.marker_size)
    assert_allclose(target.reach, 0.01 * dictionary(name).outside)


def test_neighbours_in_a_grid_stand_apart_by_the_gap_as_printed():
    target = build_target(GridDesign("41h12", 2, 1, 0.05, 0.02))
    assert_allclose(target.pitch, 0.09 + 0.02)
    assert_allclose(target.drawing.width, 2 * 0.09 + 0.02 + 2 * 0.01)
    assert_allclose(
        target.markers[1] - target.markers[0], np.tile([0.11, 0.0], (4, 1)), atol=1e-15
    )


def test_a_marker_fills_its_plate_with_a_cell_of_white_around():
    design = design_on_plate("marker:tagStandard41h12:3", Plate(0.22, 0.22))
    assert design.size == pytest.approx(0.1)  # 11 cells of 20 mm
    design = design_on_plate("grid:41h12:2x2", Plate(0.22, 0.22))
    assert design.size == pytest.approx(0.05)


@pytest.mark.parametrize("name", ["tagStandard41h12", "tagCircle21h7"])
def test_the_library_reads_the_printed_sheet(name):
    target = build_target(MarkerDesign(name, 11, size=0.06))
    sheet = layout_sheet(target, "a4")
    page = pypdfium2.PdfDocument(sheet_pdf(sheet))[0]
    scale = 3.0
    grey = page.render(scale=scale, grayscale=True).to_numpy()
    grey = np.ascontiguousarray(grey.reshape(grey.shape[:2]))
    (tag,) = Library(name).detect(grey)
    assert (tag.tag_id, tag.hamming) == (11, 0)
    # 60 mm at 72 scale / 25.4 px a mm; PDFium's whole pixels shift a side by one at most
    sides = np.linalg.norm(tag.corners - np.roll(tag.corners, 1, axis=0), axis=1)
    assert_allclose(sides, 60.0 * 72.0 * scale / 25.4, rtol=0, atol=1.0)
    (words,) = [
        m.text for p in sheet.pages for m in p.marks if "corners" in getattr(m, "text", "")
    ]
    assert f"square between corners 60 of {_whole(name):.6g} mm" in words


def _whole(name):
    book = dictionary(name)
    return 60.0 * book.width / book.cells


def test_what_opencv_alone_can_do_is_refused_and_old_digests_stay():
    with pytest.raises(TargetError, match="doesn't read tagStandard41h12"):
        CharucoDesign(dictionary="41h12")
    assert {b.name for b in outside_dictionaries()} == set(NAMES)
    assert build_target(MarkerDesign()).reach == 0.0
    upright, turned = (build_target(MarkerDesign("21h7", half_turn=h)) for h in (False, True))
    assert content_digest(upright) != content_digest(turned)
