"""Calibrations published with OpenCV 4.11 (opencv-python-headless 4.11.0.86, folder opencv/)."""

import cv2
import numpy as np
import pytest

from bench.cameras.intrinsics import BoardView, LensModel, calibrate
from bench.cameras.intrinsics_views import OUTSTANDING, view_scores
from bench.cameras.model_choice import Freedom, choose, claimed
from bench.detect.chessboard import Chessboard
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.imaging.read import find_pictures, read_picture
from bench.targets.chessboard import ChessboardDesign, build_chessboard

pytestmark = pytest.mark.network
SIZE = (640, 480)
ANY_CAMERA = Camera(*SIZE, 500.0, 500.0, 319.5, 239.5)  # the chessboard detector ignores it


def published(path):
    """Return the numbers of an OpenCV calibration file, whatever the case of its keys."""
    storage = cv2.FileStorage(str(path), cv2.FILE_STORAGE_READ)
    nodes = {key.lower(): storage.getNode(key) for key in storage.root().keys()}  # noqa: SIM118
    values = {k: n.mat() if n.isMap() else n.real() for k, n in nodes.items() if not n.isString()}
    storage.release()
    return values


def board_poses(calibration, design):
    """Return rotation and translation of OpenCV's board frame, (V, 3, 3) and (V, 3), metres.

    OpenCV's boards have their origin at the first corner, x along the row, y down, z away from
    the viewer: ours turned half way about x.
    """
    to_first = np.array([-0.5 * (design.columns - 1), 0.5 * (design.rows - 1), 0]) * design.square
    flip = np.diag([1.0, -1.0, -1.0])
    rotations = np.array([pose.rotation @ flip for pose in calibration.poses])
    return rotations, np.array([pose @ to_first for pose in calibration.poses])


def test_published_corners_give_the_published_calibration(opencv_source):
    # samples/.../out_camera_data.yml: fx = fy and the principal point held, no tangential terms
    folder = opencv_source / "samples/cpp/tutorial_code/calib3d/camera_calibration"
    file = published(folder / "out_camera_data.yml")
    design = ChessboardDesign(columns=9, rows=6, square=0.05)
    target = build_chessboard(design)
    p_target = np.column_stack((target.points, np.zeros(54)))
    views = [
        BoardView(str(i), pixels.astype(np.float64), p_target)
        for i, pixels in enumerate(file["image_points"].reshape(8, 54, 2))
    ]
    model = LensModel(square_pixels=True, centred=True, tangential=False)
    calibration = calibrate(views, SIZE, model)
    # Both are minima of one sum of squares. 2011's single-precision points and stopping rule
    # leave a step short of the minimum; a thousandth of the standard uncertainty (20 px on f)
    # is far above what that can do and far below what any other model gives
    expected = [657.46697810243404] * 2 + [319.5, 239.5]
    expected += file["distortion_coefficients"].ravel().tolist()
    allowed = 1e-3 * calibration.standard_uncertainties + 1e-12
    assert np.all(np.abs(calibration.values - expected) < allowed)
    assert calibration.rmse_px == pytest.approx(0.384414, abs=5e-7)  # as many digits as published
    np.testing.assert_allclose(
        calibration.view_rmse_px, file["per_view_reprojection_errors"].ravel(), atol=1e-5
    )
    rotations, translations = board_poses(calibration, design)
    extrinsics = file["extrinsic_parameters"]
    expected_rotations = np.array([cv2.Rodrigues(r)[0] for r in extrinsics[:, :3]])
    # f / f at a thousandth of its uncertainty is 3e-5; range goes with f, 1.1 m at most
    np.testing.assert_allclose(rotations, expected_rotations, atol=3e-5)
    np.testing.assert_allclose(translations, 1e-3 * extrinsics[:, 3:], atol=4e-5)


@pytest.fixture(scope="module")
def left_pictures(opencv_source):
    pictures = find_pictures([str(opencv_source / "samples/data/left[01][0-9].jpg")])
    assert len(pictures) == 13
    return pictures


def left_views(pictures, window):
    target = build_chessboard(ChessboardDesign(columns=9, rows=6, square=0.025))
    detector = Chessboard(window=window)
    views = []
    for path in pictures:
        detection = detector.detect(Observation(read_picture(path), ANY_CAMERA, target))
        views.append(BoardView(path.stem, detection.pixels, detection.p_target))
    return views


def calibrate_left(pictures, window):
    views = left_views(pictures, window)
    calibration = calibrate(views, SIZE, LensModel(square_pixels=True))
    scores = view_scores(calibration)
    return calibration, [v.name for v, s in zip(views, scores, strict=True) if s > OUTSTANDING]


def test_left_photographs_give_the_published_calibration(left_pictures, opencv_source):
    file = published(opencv_source / "samples/data/left_intrinsics.yml")
    calibration, outstanding = calibrate_left(left_pictures, window=11)
    assert outstanding == ["left02"]
    matrix = file["camera_matrix"]
    # The same corners to within what the detector's start point leaves after a refinement that
    # stops at steps of 0.1 px. Corners off by 0.1 px at random would give parameters off by
    # half of their standard uncertainties (sigma is 0.2 px in all views but left02); a twentieth
    # tells that they come from the same corners
    expected = [matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]]
    expected += file["distortion_coefficients"].ravel().tolist()
    allowed = 0.05 * calibration.standard_uncertainties
    assert np.all(np.abs(calibration.values - expected) < allowed)
    assert calibration.rmse_px == pytest.approx(file["avg_reprojection_error"], rel=0.005)
    np.testing.assert_allclose(
        calibration.view_rmse_px, file["per_view_reprojection_errors"].ravel(), rtol=0.005
    )


def test_window_that_clears_the_neighbours_removes_what_stood_out(left_pictures):
    # 11 px reach half way to the next corner of left02 and pull its corners; with a window of a
    # third of the spacing all views fit alike, and better than the best of both before
    wide, _ = calibrate_left(left_pictures, window=11)
    fitted, outstanding = calibrate_left(left_pictures, window=None)
    assert outstanding == []
    assert fitted.rmse_px < 0.5 * wide.rmse_px
    assert np.all(fitted.standard_uncertainties <= wide.standard_uncertainties)


def test_chosen_model_predicts_views_left_out_better_than_the_published_one(left_pictures):
    views = left_views(left_pictures, window=None)
    choice = choose(views, SIZE, Freedom())
    own = calibrate(views, SIZE, choice.model, choice.shape)
    published = calibrate(views, SIZE, LensModel(square_pixels=True))
    assert own.n_free < published.n_free + 2  # k3 goes, two numbers of the board's shape come
    for i in range(0, 13, 4):  # refitted, not to first order
        rest = [v for k, v in enumerate(views) if k != i]
        full = calibrate(rest, SIZE, choice.model, choice.shape)
        assert abs(full.camera.fy - own.camera.fy) < 2.0 * own.standard_uncertainties[1]
    assert np.sum(own.left_out_rmse_px**2) < np.sum(published.left_out_rmse_px**2)
    # the published numbers lie within what is claimed around the chosen ones; their window of
    # 11 px has moved them by 2.9 px, so that k = 3
    claims = claimed(own, views, SIZE, choice).standard_uncertainties
    off = own.values[:4] - [535.915733, 535.915733, 342.283155, 235.570828]
    assert np.all(np.abs(off) < 3.0 * claims[:4])
