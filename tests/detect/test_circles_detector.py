import pickle
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.detect.circles import Circles, blob_parameters
from bench.detect.claims import centroid_shift
from bench.detect.detection import Detector, Found
from bench.errors import TargetError
from bench.geometry.camera import project
from bench.imaging.picture import Picture
from bench.targets.design import CirclesDesign, MarkerDesign, build_target

DETECTOR = Circles()
SIZE_PX = 250.0


def grid(columns, rows, *, symmetric):
    pitch, diameter = (0.03, 0.018) if symmetric else (0.02, 0.015)
    return build_target(
        CirclesDesign(
            columns=columns, rows=rows, pitch=pitch, diameter=diameter, symmetric=symmetric
        )
    )


ASYMMETRIC = grid(4, 11, symmetric=False)
SYMMETRIC = grid(7, 5, symmetric=True)
SQUARE = grid(5, 5, symmetric=True)
EVEN_ROWS = grid(4, 10, symmetric=False)

all_grids = pytest.mark.parametrize(
    "target", [ASYMMETRIC, SYMMETRIC, SQUARE, EVEN_ROWS], ids=lambda t: t.name
)
views = pytest.mark.parametrize(
    ("turn_deg", "roll_deg"), [(0.0, 15.0), (35.0, 10.0)], ids=["frontal", "tilted"]
)


def ellipse_centres(scene):
    """Where the centroids of the circles' pictures truly are, (P, 2) pixels.

    A circle is the conic x^T C x = 0 in its plane, its picture H^-T C H^-1 under the homography
    H from plane to pixels, whose centre is where the derivative is zero (Hartley and Zisserman
    2004, sections 2.2.3 and 2.3).
    """
    camera, pose = scene.observation.camera, scene.T_camera_target
    inverse = np.linalg.inv(
        camera.matrix @ np.column_stack((pose.rotation[:, :2], pose.translation))
    )
    circles, _ = scene.observation.target.drawing.discs()
    centres = []
    for x, y, radius in circles:
        conic = np.array([[1.0, 0.0, -x], [0.0, 1.0, -y], [-x, -y, x * x + y * y - radius**2]])
        conic = inverse.T @ conic @ inverse
        centres.append(np.linalg.solve(conic[:2, :2], -conic[:2, 2]))
    return np.array(centres)


@all_grids
@pytest.mark.parametrize("roll_deg", [0.0, 15.0, -40.0])
@pytest.mark.parametrize("turn_deg", [0.0, 35.0])
def test_all_circles_are_matched_to_their_own(target, turn_deg, roll_deg, scene_of):
    scene = scene_of(target, SIZE_PX, turn_deg, roll_deg)
    detection = DETECTOR.detect(scene.observation)
    assert detection.found is Found.FOUND
    np.testing.assert_array_equal(detection.p_target[:, :2], target.points)
    # scatter and perspective shift together; the next circle is 25 px away or more
    assert np.abs(scene.errors(detection)).max() < 0.3


@views
@pytest.mark.parametrize("target", [ASYMMETRIC, SYMMETRIC], ids=lambda t: t.name)
def test_centres_are_the_centroids_of_the_circles_pictures(target, turn_deg, roll_deg, scene_of):
    offsets, scatter = [], []
    for u, v in np.ndindex(6, 6):
        scene = scene_of(target, SIZE_PX, turn_deg, roll_deg, (320.0 + u / 6.0, 240.0 + v / 6.0))
        error = DETECTOR.detect(scene.observation).pixels - ellipse_centres(scene)
        offsets.append(error.mean(axis=0))
        scatter.append(error)
    # pixel origin: three standard errors over 36 places of 35 circles and more, and 1e-3 px for
    # the tilted circles' unequal sides; an origin at a pixel's corner would be 0.5 px off
    tolerance = 3.0 * np.std(scatter) / np.sqrt(36.0) + 1e-3
    assert np.all(np.abs(np.mean(offsets, axis=0)) < tolerance)
    assert tolerance < 0.01


def test_perspective_shift_is_left_in_and_claimed(scene_of):
    scene = scene_of(SYMMETRIC, SIZE_PX, 35.0, 10.0)
    points = np.column_stack((SYMMETRIC.points, np.zeros(len(SYMMETRIC.points))))
    true = project(points, scene.T_camera_target, scene.observation.camera)
    shift = ellipse_centres(scene) - true
    detection = DETECTOR.detect(scene.observation)
    errors = scene.errors(detection)
    # found errors follow the closed form: what is left is scatter alone, 0.006 px without noise
    assert np.sqrt(np.mean(shift**2)) > 0.03
    assert np.sqrt(np.mean((errors - shift) ** 2)) < DETECTOR.sigma_px
    # the claim knows the homography from the found centres alone, whose scatter of 0.006 px over
    # 250 px turns the plane by 1e-3 rad at most: a thousandth of a shift of 0.05 px, and ten spare
    assert_allclose(centroid_shift(SYMMETRIC, true)[0], shift, atol=1e-6)
    assert_allclose(detection.shared[0], shift, atol=1e-2 * np.abs(shift).max())


def test_claimed_sigma_is_the_scatter_at_250_px(errors_over_phases):
    rng = np.random.default_rng(22)
    errors = errors_over_phases(DETECTOR, ASYMMETRIC, SIZE_PX, 30.0, 0.0, rng)
    scatter = np.sqrt(np.mean((errors - errors.mean(axis=0)) ** 2))
    # see test_claimed_sigma_is_the_scatter_at_100_px
    assert scatter == pytest.approx(DETECTOR.sigma_px, rel=0.36)


@pytest.mark.parametrize(
    ("target", "turned_deg"),
    [(SYMMETRIC, 180.0), (EVEN_ROWS, 180.0), (SQUARE, 90.0), (ASYMMETRIC, None)],
    ids=["symmetric", "even rows", "square", "asymmetric"],
)
def test_a_grid_that_looks_the_same_turned_is_taken_upright(target, turned_deg, scene_of):
    """What can't be seen is decided by the side that is up; asymmetric grids tell themselves."""
    for roll_deg in (60.0, 140.0):
        scene = scene_of(target, SIZE_PX, 20.0, roll_deg)
        largest = np.abs(scene.errors(DETECTOR.detect(scene.observation))).max()
        if turned_deg is None or roll_deg <= turned_deg / 2.0:
            assert largest < 0.3
        else:
            assert largest > 25.0  # wrong by the turn that it looks the same under


@pytest.mark.parametrize(
    ("target", "size_px"),
    [(SYMMETRIC, 40.0), (grid(3, 3, symmetric=True), 300.0)],
    ids=["far, 4 px", "near, 90 px"],
)
def test_far_and_near_circles_are_found(target, size_px, scene_of):
    scene = scene_of(target, size_px, 10.0, 5.0)
    # OpenCV's default limits drop circles under 5.6 px and over 79 px
    pattern = cv2.CALIB_CB_SYMMETRIC_GRID + cv2.CALIB_CB_CLUSTERING
    grey = scene.observation.picture.grey8
    assert not cv2.findCirclesGrid(grey, target.layout, flags=pattern)[0]
    errors = DETECTOR.detect(scene.observation).pixels - ellipse_centres(scene)
    assert np.abs(errors).max() < 0.1


def test_a_small_plate_is_not_taken_for_a_circle(scene_of):
    # by OpenCV's default limits a plate under 5000 px² is a blob too, for it has a dark circle
    # at its centre; whichever circle shares its group is drawn away
    scene = scene_of(grid(3, 3, symmetric=True), 40.0, 9.7, 5.2)
    picture = scene.observation.picture
    true = ellipse_centres(scene)
    pattern = cv2.CALIB_CB_SYMMETRIC_GRID + cv2.CALIB_CB_CLUSTERING
    default = cv2.findCirclesGrid(picture.grey8, (3, 3), flags=pattern)[1].reshape(-1, 2)
    default = default + (picture.u0, picture.v0)
    nearest = np.linalg.norm(default[:, None] - true, axis=2).min(axis=1)
    assert nearest.max() > 1.0
    assert np.abs(DETECTOR.detect(scene.observation).pixels - true).max() < 0.1


def test_blob_limits_follow_the_largest_spots_that_are_alike():
    grey = np.full((300, 300), 200, np.uint8)
    for k in range(6):
        cv2.circle(grey, (30 + 45 * k, 60), 12, 10, -1)
        cv2.circle(grey, (30 + 45 * k, 160), 2, 10, -1)
    grey[200:290, 20:150] = 20  # a dark thing, larger than the circles
    area = float(np.count_nonzero(grey[40:80, 10:50] == 10))
    found = blob_parameters(grey, 6)
    assert (found.minArea, found.maxArea) == (area / 2.0, area * 2.0)
    unlike = blob_parameters(grey, 14)
    default = cv2.SimpleBlobDetector.Params()
    assert (unlike.minArea, unlike.maxArea) == (default.minArea, default.maxArea)


def test_other_dark_spots_do_not_hide_the_grid(scene_of):
    scene = scene_of(ASYMMETRIC, SIZE_PX, 20.0, 5.0)
    picture = scene.observation.picture
    # spots as large as circles, as near to them as they are to each other: clustering, which
    # takes the nearest spots for the grid, gives up
    grey = np.pad(picture.grey, 60, constant_values=220)
    for u in range(20, grey.shape[1], 34):
        cv2.circle(grey, (u, 30), 9, 15, -1)
    cluttered = Picture(grey, picture.u0 - 60, picture.v0 - 60)
    detection = DETECTOR.detect(replace(scene.observation, picture=cluttered))
    assert detection.found is Found.FOUND
    assert np.abs(scene.errors(detection)).max() < 0.3


@all_grids
def test_no_grid_is_a_miss(target, scene_of, picture_without_target):
    observation = scene_of(target, SIZE_PX).observation
    half = Picture(observation.picture.grey[: observation.picture.grey.shape[0] // 2])
    for picture in (picture_without_target, half, Picture(np.zeros((1, 5), np.uint8))):
        detection = DETECTOR.detect(replace(observation, picture=picture))
        assert detection.found is Found.MISSED
        assert len(detection.pixels) == len(detection.p_target) == 0


def test_pixels_are_the_sensor_s(scene_of):
    observation = scene_of(ASYMMETRIC, SIZE_PX, 20.0, 10.0).observation
    picture = observation.picture
    at_origin = DETECTOR.detect(replace(observation, picture=Picture(picture.grey)))
    np.testing.assert_allclose(
        DETECTOR.detect(observation).pixels,
        at_origin.pixels + (picture.u0, picture.v0),
        rtol=0.0,
        atol=1e-9,
    )


@all_grids
def test_a_detection_depends_on_its_picture_alone(target, scene_of):
    # one of OpenCV's two finders draws from its global random generator
    observation = scene_of(target, SIZE_PX, 20.0, 10.0).observation
    before = DETECTOR.detect(observation)
    DETECTOR.detect(scene_of(ASYMMETRIC, 100.0, -30.0, 20.0).observation)
    cv2.setRNGSeed(1234)
    after = pickle.loads(pickle.dumps(DETECTOR)).detect(observation)
    np.testing.assert_array_equal(after.pixels, before.pixels)


def test_is_a_detector_for_circles_alone(scene_of):
    assert isinstance(DETECTOR, Detector)
    assert [k for k in ("marker", "grid", "charuco", "circles") if DETECTOR.supports(k)] == [
        "circles"
    ]
    marker = replace(scene_of(ASYMMETRIC).observation, target=build_target(MarkerDesign()))
    with pytest.raises(TargetError, match="circles looks for a grid"):
        DETECTOR.detect(marker)


def test_a_frame_full_of_spots_is_a_miss_without_a_search(monkeypatch, scene_of):
    scene = scene_of(SYMMETRIC, 250.0, 0.0, 0.0)
    grey = np.full((600, 800), 200, np.uint8)
    grey[6::12, 6::12] = 20
    grey = cv2.dilate(255 - grey, np.ones((5, 5), np.uint8))
    crowded = replace(scene.observation, picture=Picture(255 - grey))

    def search(*_):
        raise AssertionError("searched among thousands of spots")

    monkeypatch.setattr(cv2, "findCirclesGrid", search)
    assert (
        len(cv2.SimpleBlobDetector.create(blob_parameters(255 - grey, 35)).detect(255 - grey))
        > 210
    )
    assert DETECTOR.detect(crowded).found is Found.MISSED
