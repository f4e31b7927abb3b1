"""Black and white pictures as targets."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from numpy.testing import assert_allclose
from PIL import Image

from bench.detect.apriltag import AprilTag
from bench.detect.detection import Detection, Found, refusal
from bench.detect.observation import Observation
from bench.digest import content_digest
from bench.errors import ConfigError, TargetError
from bench.geometry.camera import Camera, project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, capture
from bench.imaging.region import region_of
from bench.solve.default_pipeline import default_pipeline
from bench.solve.photometric import PhotometricSolver
from bench.targets.design import BitmapDesign, MarkerDesign, build_target
from bench.targets.dictionary import marker_cells
from bench.targets.pdf import sheet_pdf
from bench.targets.sheet import layout_sheet
from bench.targets.spec import target_from_spec
from bench.verify.protocol import request_line

CAMERA = Camera(640, 480, 900.0, 900.0, 319.5, 239.5)


@pytest.fixture
def saved(tmp_path):
    """Return a function that saves cells, True where white, with `zoom` pixels a cell."""

    def save(cells, zoom=1, name="sign.png"):
        grey = np.kron(np.asarray(cells, np.uint8) * 255, np.ones((zoom, zoom), np.uint8))
        Image.fromarray(grey).save(tmp_path / name)
        return str(tmp_path / name)

    return save


@pytest.mark.parametrize("zoom", [1, 7])
def test_every_pixel_is_drawn_where_the_picture_has_it(zoom, saved, render):
    cells = np.random.default_rng(2).random((9, 13)) > 0.5
    target = build_target(BitmapDesign(saved(cells, zoom), 1.3, quiet_zone=0.1))
    picture = render(target.drawing, 0.1)  # a pixel a cell, one of quiet zone around
    np.testing.assert_array_equal(picture[1:-1, 1:-1] > 127, cells)
    assert_allclose(target.points, [[-0.65, 0.45], [0.65, 0.45], [0.65, -0.45], [-0.65, -0.45]])
    # repeated rows and columns are one: as many vertices whatever the zoom
    vertices = sum(len(ring) for shape in target.drawing.shapes for ring in shape.rings)
    once = build_target(BitmapDesign(saved(cells, 1), 1.3, quiet_zone=0.1))
    assert vertices == sum(len(ring) for shape in once.drawing.shapes for ring in shape.rings)


def test_a_marker_s_picture_is_read_as_that_marker(saved):
    name = saved(marker_cells("36h11", 7), 20)
    drawn = target_from_spec(f"bitmap:{name}:160 mm")
    marker = build_target(MarkerDesign(marker_id=7, size=0.16, plate=(0.2, 0.2)))
    pose = pose_of_view(View(1.0, 0.5, 0.1, 0.2), CAMERA)
    region = region_of(drawn.drawing, pose, CAMERA, 12.0)
    picture = capture(drawn.drawing, pose, CAMERA, Imaging(), region, np.random.default_rng(1))
    seen = Observation(picture, CAMERA, marker)
    found = AprilTag().detect(seen)
    true = project(found.p_target, pose, CAMERA)
    assert found.marker_ids == (7,)
    assert np.abs(found.pixels - true).max() < 0.2  # four times the library's scatter
    # a pipeline of one's own that knows the bitmap's corners has the photometric solver
    corners = np.column_stack((drawn.points, np.zeros(4)))
    own = Detection(Found.FOUND, project(corners, pose, CAMERA) + 0.1, corners)
    estimate = PhotometricSolver().solve(own, replace(seen, target=drawn))
    off = log_rotation(pose.rotation.T @ estimate.T_camera_target_est.rotation)
    sigma = np.sqrt(np.diag(estimate.covariance))[:3]
    assert np.all(np.abs(off) < 4.0 * sigma)


def test_the_protocol_has_the_pixels_and_the_corners(saved):
    cells = np.array([[1, 0, 1], [0, 0, 1]], dtype=bool)
    target = build_target(BitmapDesign(saved(cells), 0.3))
    seen = Observation(None, CAMERA, target)
    pose = pose_of_view(View(1.0), CAMERA)
    region = region_of(target.drawing, pose, CAMERA, 8.0)
    picture = capture(target.drawing, pose, CAMERA, Imaging(), region, np.random.default_rng(1))
    asked = json.loads(request_line(1, Path("x.png"), replace(seen, picture=picture)))["target"]
    assert asked["cells"] == {"bitmap": ["101", "001"]}
    assert asked["kind"] == "bitmap"
    assert_allclose(asked["points"]["p0"], [-0.15, 0.1])
    assert asked["layout"] == [3, 2]
    assert asked["pitch"] == pytest.approx(0.1)


def test_transparent_is_paper(tmp_path):
    rgba = np.zeros((4, 4, 4), np.uint8)  # black, and transparent but for one pixel
    rgba[1, 2, 3] = 255
    Image.fromarray(rgba, "RGBA").save(tmp_path / "t.png")
    target = build_target(BitmapDesign(str(tmp_path / "t.png")))
    assert target.bitmap == ("1111", "1101", "1111", "1111")


def test_its_sheet_shows_it_to_scale(saved):
    cells = np.zeros((4, 4), dtype=bool)
    cells[1, 1] = True
    sheet = layout_sheet(build_target(BitmapDesign(saved(cells), 0.08)), "a4")
    (page,) = sheet.pages
    scale = 4.0
    grey = pypdfium2.PdfDocument(sheet_pdf(sheet))[0].render(scale=scale, grayscale=True)
    grey = grey.to_numpy().reshape(grey.height, grey.width)
    px = scale * 72.0 / 25.4
    x, y = 0.5 * (page.window[0] + page.window[2])
    middle = round((page.height - y) * px), round(x * px)
    dark = grey[middle[0] + round(10 * px)] < 128  # through a black row
    run = np.flatnonzero(dark[middle[1] - round(44 * px) : middle[1] + round(44 * px)])
    assert_allclose((run[-1] - run[0] + 1) / px, 80.0, atol=2.0 / px)
    # the white pixel: up and to the left of the middle
    assert grey[middle[0] - round(10 * px), middle[1] - round(10 * px)] > 200
    assert any("4 × 4 pixels" in getattr(m, "text", "") for m in page.marks)


def test_what_is_no_black_and_white_picture_is_refused_in_one_line(saved, tmp_path):
    grey = tmp_path / "grey.png"
    Image.fromarray(np.array([[0, 128, 255]], np.uint8)).save(grey)
    colour = tmp_path / "colour.png"
    Image.fromarray(np.array([[[255, 0, 0], [255, 255, 255]]], np.uint8)).save(colour)
    text = tmp_path / "text.png"
    text.write_text("hello")
    cut = tmp_path / "cut.png"
    cut.write_bytes(Path(saved(np.eye(40, dtype=bool), 3)).read_bytes()[:80])
    noise = saved(np.random.default_rng(1).random((200, 200)) > 0.5, name="noise.png")
    for path, words in (
        (grey, "3 grey values"),
        (colour, "has colours"),
        (text, "not a picture"),
        (cut, "not a picture"),
        (tmp_path / "none.png", "no such picture"),
        (saved(np.ones((3, 3)), name="white.png"), "one grey value"),
        (noise, "sides, at most 20,000"),
    ):
        with pytest.raises(TargetError, match=words) as caught:
            build_target(BitmapDesign(str(path)))
        assert Path(path).name in str(caught.value)
        assert "\n" not in str(caught.value)


def test_bundled_detectors_do_not_look_for_one(saved):
    target = build_target(BitmapDesign(saved(np.eye(5, dtype=bool))))
    assert "kind 'bitmap'" in str(refusal(AprilTag(), target))
    with pytest.raises(ConfigError, match="a pipeline of your own"):
        default_pipeline(target)
    other = build_target(BitmapDesign(saved(~np.eye(5, dtype=bool), name="other.png")))
    assert content_digest(target) != content_digest(other)
