"""Poses in pictures by somebody else's simulator, against its truth: april-vision 3.1.0.

36 pictures of a tag36h11 marker made with Webots; true positions and angles in
tests/test_data/locations.csv. `reports.real.april_vision` tells the frames apart.

How far a corner may be off follows from the pictures. On an edge of the black square, seen face
on at 2 m (img-004), grey runs 232, 220, 121, 35 in consecutive pixels: half way down in
displayed values at 334.88 px, in linear light (power 2.2) at 334.61 px, and the texture's own
edge lies at 334.77 px. So the picture itself leaves an edge open by 0.26 px. Sub-pixel
refinement adds its own: up to 0.1 px toward the pixel grid.
"""

import numpy as np
import pytest

from bench.cameras.measuring import measure_picture
from bench.cameras.photographs import measurement_row, measurements_table
from bench.detect.observation import Observation
from bench.geometry.camera import pose_jacobian, project
from bench.imaging.raster import reflectance_image
from bench.imaging.read import read_picture
from bench.render.planar import full_frame
from bench.solve.pipeline import pipeline_from_name
from bench.survey.score import rotation_error
from bench.targets.drawing import Drawing
from bench.targets.marker import MarkerDesign, build_marker
from reports.real.april_vision import (
    CAMERA,
    SIZE_M,
    TEXTURE_SIZE_M,
    read_truth,
    score_table,
    summary,
)

pytestmark = pytest.mark.network

EDGE_PX, REFINEMENT_PX = 0.26, 0.1
CORNER_PX = EDGE_PX + REFINEMENT_PX
SOLVERS = ("ippe", "ippe-lm", "sqpnp", "epnp", "iterative")
TARGET = build_marker(MarkerDesign("DICT_APRILTAG_36h11", 14, SIZE_M))
CORNERS = np.column_stack((TARGET.markers[14], np.zeros(4)))


@pytest.fixture(scope="module")
def data(april_vision):
    return april_vision / "tests/test_data"


@pytest.fixture(scope="module")
def truth(data):
    return read_truth(data / "locations.csv")


@pytest.fixture(scope="module")
def measured(data, truth):
    """Measurements by sub-pixel corners and each solver, by picture."""
    pipelines = [pipeline_from_name(f"aruco-subpix/{solver}") for solver in SOLVERS]
    found = {}
    for name in truth:
        observation = Observation(read_picture(data / f"{name}.png", CAMERA), CAMERA, TARGET)
        found[name] = [m for p in pipelines for m in measure_picture(name, observation, p)[0]]
    return found


@pytest.fixture(scope="module")
def scores(measured, truth):
    rows = [measurement_row(m) for found in measured.values() for m in found]
    table = measurements_table(rows)
    return {
        solver: score_table(table.filter(table["pipeline"] == f"aruco-subpix/{solver}"), truth)
        for solver in SOLVERS
    }


@pytest.mark.parametrize("solver", [s for s in SOLVERS if s != "epnp"])
def test_every_picture_gives_a_pose_and_none_is_mirrored(scores, solver):
    # OpenCV's own IPPE returns NaN or a half turn for the face-on pictures 4 and 9, and a wrong
    # first solution for some that are turned about one axis alone
    table = scores[solver]
    assert len(table) == 36
    assert table["outcome"].to_list() == ["ok"] * 36
    assert not any(table["mirrored"])


def test_epnp_says_so_where_four_points_of_a_plane_are_too_few_for_it(scores):
    # EPnP (Lepetit, Moreno-Noguer and Fua 2009) is for six points and more, or four in space;
    # what it makes of a square is a pose or an outcome, never a wrong pose that passes as good
    table = scores["epnp"]
    assert set(table["outcome"]) <= {"ok", "ambiguous", "not_finite"}
    good = table.filter(table["outcome"] == "ok")
    assert len(good) >= 18
    assert not any(good["mirrored"])


def test_corners_lie_where_the_truth_puts_them(measured, truth, corner_reach):
    for name, found in measured.items():
        expected = project(CORNERS, truth[name], CAMERA)
        # the texture is 0.1 % larger than the marker it stands for
        texture_px = 0.5 * (TEXTURE_SIZE_M / SIZE_M - 1.0) * CAMERA.fx * SIZE_M
        texture_px /= truth[name].translation[2]
        allowed = corner_reach(expected, EDGE_PX + texture_px) + REFINEMENT_PX
        off = np.linalg.norm(found[0].detection.pixels - expected, axis=1)
        assert np.all(off < allowed)


def test_pose_errors_are_what_the_corners_errors_lead_to(measured, truth):
    # The solver's part: with corners off by d the least-squares pose is off by J⁺d to first
    # order. Second order is smaller by the rotation error over the tilt, 0.22 deg of 7, and by
    # the corner error over the marker's size, 0.4 px of 129: together 4 % of the error
    for name, found in measured.items():
        T_true, (estimate,) = truth[name], [m.estimate for m in found if "ippe-lm" in m.pipeline]
        d = found[0].detection.pixels - project(CORNERS, T_true, CAMERA)
        J = pose_jacobian(CORNERS, T_true, CAMERA).reshape(-1, 6)
        expected, *_ = np.linalg.lstsq(J, d.reshape(-1))
        T_est = estimate.T_camera_target_est
        rotation = rotation_error(T_true, T_est)
        translation = T_est.translation - T_true.translation
        size = np.linalg.norm(expected[:3]), np.linalg.norm(expected[3:])
        # plus what single-precision corners round: 3e-5 px over 129 px
        assert np.linalg.norm(rotation - expected[:3]) < 0.04 * size[0] + 1e-6
        assert np.linalg.norm(translation - expected[3:]) < 0.04 * size[1] + 1e-6


def test_errors_stay_within_what_the_edges_leave_open(scores):
    table = scores["ippe-lm"]
    far, near = table[:9], table[9:]
    tilted = table.filter(table["tilt_true_deg"] > 30.0)
    assert len(tilted) == 24
    lateral = np.hypot(table["err_right_mm"].to_numpy(), table["err_up_mm"].to_numpy())
    # all corners off alike, both ways: √2 · 0.36 px · Z / f
    assert np.max(lateral) < 1e3 * np.sqrt(2.0) * CORNER_PX * 2.03 / CAMERA.fx  # 0.80 mm
    # all corners off inward, the texture too large: Z · 2 · 0.36 px / (f s / Z)
    for part, z in ((far, 2.03), (near, 1.0)):
        allowed = 1e3 * z * 2.0 * CORNER_PX / (CAMERA.fx * SIZE_M / z)  # 11.5 and 2.8 mm
        assert np.max(np.abs(part["err_along_mm"].to_numpy())) < allowed
    # the bench's default tolerance, on pictures it has no part in
    tilt_rms = np.sqrt(np.mean(tilted["err_tilt_deg"].to_numpy() ** 2))
    assert tilt_rms < 0.05
    assert "36 of 36" in summary(table)


def test_our_picture_of_the_same_scene_has_its_edges_in_the_same_place(data, truth):
    design = MarkerDesign(
        "DICT_APRILTAG_36h11", 14, TEXTURE_SIZE_M, plate=(0.25, 0.25), quiet_zone=0.02,
        white=1.0, black=0.0, background=0.0,
    )  # fmt: skip
    drawing = build_marker(design).drawing
    outline = Drawing(drawing.width, drawing.height, 0.0, drawing.shapes[:1])
    corners = len(drawing.segments()[0]) - 4  # of the pattern, without the plate's
    for name, T_true in truth.items():
        theirs = read_picture(data / f"{name}.png").grey.astype(float)
        ours = reflectance_image(drawing, T_true, CAMERA, full_frame(CAMERA))
        inside = reflectance_image(outline, T_true, CAMERA, full_frame(CAMERA)) > 1.0 - 1e-9
        dark, bright = np.quantile(theirs[inside], [0.05, 0.95])
        differ = (ours > 0.5) != (theirs > 0.5 * (dark + bright))
        # The two may put an edge EDGE_PX apart. So they agree on black or white wherever our
        # coverage is further than that from one half, but for the pixel at a corner, which two
        # edges share
        plain = inside & (np.abs(ours - 0.5) > EDGE_PX)
        assert np.count_nonzero(plain) > 20_000
        assert np.count_nonzero(differ & plain) <= corners
