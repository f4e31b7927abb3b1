import cv2
import numpy as np
import pytest
from scipy import stats

from bench.cameras.adjustment import BoardView
from bench.cameras.intrinsics import LensModel, calibrate
from bench.cameras.lenses import PARAMETERS
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.targets.chessboard import ChessboardDesign, build_chessboard

SIZE = (1280, 960)
CAMERA = Camera(*SIZE, 1400.0, 1403.0, 645.0, 470.0, (-0.2, 0.1, 5e-4, -3e-4, 0.02))
BOARD = build_chessboard(ChessboardDesign(columns=9, rows=6, square=0.025))
P_TARGET = np.column_stack((BOARD.points, np.zeros(len(BOARD.points))))
TILTS = [(0.5, 0.1), (-0.5, 0.2), (0.1, 0.5), (0.0, -0.5), (0.35, 0.35), (-0.4, -0.3)]
PLACES = [(400, 330), (880, 330), (400, 640), (880, 640), (640, 480), (700, 420)]


def sightings(camera, sigma_px=0.0, seed=0, turned=True):
    """Twelve views of the board in all parts of the frame."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 3]))
    views = []
    for i in range(12):
        turn, pitch = TILTS[i % 6] if turned else (0.0, 0.0)
        roll = 0.3 * i if turned else 0.0
        view = View(0.45 + 0.03 * i, turn=turn, pitch=pitch, roll=roll, pixel=PLACES[i % 6])
        if not turned:  # parallel to the sensor, wherever the board is
            view = View(0.45 + 0.03 * i)
        pixels = project(P_TARGET, pose_of_view(view, camera), camera)
        noise = rng.normal(0.0, sigma_px, pixels.shape) if sigma_px else 0.0
        views.append(BoardView(f"view {i}", pixels + noise, P_TARGET))
    return views


def test_noise_free_views_give_the_camera_back():
    calibration = calibrate(sightings(CAMERA), SIZE)
    # double precision throughout: pixels of a thousand are rounded by 1e-13, which a sum over 54
    # points and a normal matrix of condition 1e4 (scaled) make 1e-8 at most
    assert calibration.rmse_px < 1e-9
    expected = np.array([CAMERA.fx, CAMERA.fy, CAMERA.cx, CAMERA.cy, *CAMERA.distortion])
    np.testing.assert_allclose(calibration.values, expected, rtol=0.0, atol=1e-7)


def test_standard_uncertainties_equal_opencv_s_own():
    views = sightings(CAMERA, sigma_px=0.2)
    for model, flags in (
        (LensModel(), 0),
        (LensModel(square_pixels=True), cv2.CALIB_FIX_ASPECT_RATIO),
        (LensModel(tangential=False, radial_terms=1), cv2.CALIB_ZERO_TANGENT_DIST
         + cv2.CALIB_FIX_K2 + cv2.CALIB_FIX_K3),
        (LensModel(centred=True, radial_terms=2), cv2.CALIB_FIX_PRINCIPAL_POINT
         + cv2.CALIB_FIX_K3),
    ):  # fmt: skip
        ours = calibrate(views, SIZE, model)
        opencv = cv2.calibrateCameraExtended(
            [v.p_target.astype(np.float32) for v in views],
            [v.pixels.astype(np.float32) for v in views],
            SIZE, np.eye(3), np.zeros(5), flags=flags,
        )[5].ravel()[:9]  # fmt: skip
        free = [name in model.free for name in PARAMETERS]
        # the two differ by single-precision points and where the iteration stopped
        # both take errors as independent: what views left out add is ours alone
        own = ours.standard_uncertainties[free] / ours.widening
        np.testing.assert_allclose(own, opencv[free], rtol=1e-3)
        held = ours.standard_uncertainties[~np.array(free)]
        if model.square_pixels:
            assert ours.standard_uncertainties[0] == ours.standard_uncertainties[1]
        else:
            assert np.all(held == 0.0)


@pytest.mark.slow
def test_covariance_matches_monte_carlo():
    sigma_px, trials = 0.2, 60
    expected = np.array([CAMERA.fx, CAMERA.fy, CAMERA.cx, CAMERA.cy, *CAMERA.distortion])
    squares, variances = [], []
    for seed in range(trials):
        calibration = calibrate(sightings(CAMERA, sigma_px, seed), SIZE)
        error = calibration.values - expected
        claimed = calibration.widening * calibration.sigma_px
        cofactor = calibration.covariance / claimed**2
        squares.append(error @ np.linalg.solve(cofactor * sigma_px**2, error))
        variances.append(calibration.sigma_px**2)
    # the sum of `trials` independent chi-squares of 9 degrees of freedom
    assert stats.chi2.ppf(0.0005, 9 * trials) < sum(squares) < stats.chi2.ppf(0.9995, 9 * trials)
    # and the variance of a coordinate, with 2 * 54 * 12 - 9 - 72 degrees of freedom each
    freedom = trials * (2 * 54 * 12 - 9 - 72)
    low, high = stats.chi2.ppf([0.0005, 0.9995], freedom) / freedom
    assert low < np.mean(variances) / sigma_px**2 < high


def test_poses_and_residuals_belong_to_the_views():
    views = sightings(CAMERA, sigma_px=0.2)
    calibration = calibrate(views, SIZE)
    for view, pose, residual in zip(views, calibration.poses, calibration.residuals, strict=True):
        predicted = project(view.p_target, pose, calibration.camera)
        np.testing.assert_allclose(predicted + residual, view.pixels, atol=1e-9)
        assert pose.rotation[2, 2] < 0.0  # the board shows its face
    together = np.sqrt(np.mean(calibration.view_rmse_px**2))  # all views have 54 points
    assert calibration.rmse_px == pytest.approx(together)


@pytest.mark.parametrize("sigma_px", [0.0, 0.1])
@pytest.mark.parametrize("model", [LensModel(), LensModel(square_pixels=True, centred=True)])
def test_views_parallel_to_the_sensor_are_refused(sigma_px, model):
    plain = Camera(*SIZE, 1400.0, 1400.0, 639.5, 479.5)
    with pytest.raises(GeometryError, match="other tilts"):
        calibrate(sightings(plain, sigma_px, turned=False), SIZE, model)


def test_two_views_are_too_few():
    with pytest.raises(GeometryError, match="at least 3 pictures, got 2"):
        calibrate(sightings(CAMERA)[:2], SIZE)


def test_view_with_too_few_points_is_named():
    views = sightings(CAMERA)
    views[4] = BoardView("cut off", views[4].pixels[:5], views[4].p_target[:5])
    with pytest.raises(GeometryError, match="cut off: calibration needs at least 6 points"):
        calibrate(views, SIZE)


def test_left_out_residual_is_that_of_a_calibration_without_the_view():
    views = sightings(CAMERA, sigma_px=0.2)[:6]
    views[2] = BoardView("bent", views[2].pixels + [[0.0, 1.0], [0.0, -1.0]] * 27, P_TARGET)
    calibration = calibrate(views, SIZE, LensModel(square_pixels=True, radial_terms=2))
    for i, view in enumerate(views):
        others = calibrate([*views[:i], *views[i + 1 :]], SIZE, calibration.model).camera
        _, rvec, tvec = cv2.solvePnP(
            P_TARGET, view.pixels, others.matrix, others.distortion_vector,
            flags=cv2.SOLVEPNP_ITERATIVE,
        )  # fmt: skip
        residual = view.pixels - project(P_TARGET, Pose.from_rotvec(rvec, tvec.ravel()), others)
        left_out = np.sqrt(np.mean(np.sum(residual**2, axis=1)))
        # to first order: what leaving out adds moves with the change of the Jacobian, a few
        # per cent for intrinsics that move by a few per cent
        added = calibration.left_out_rmse_px[i] - calibration.view_rmse_px[i]
        assert added > 0.0
        assert calibration.left_out_rmse_px[i] == pytest.approx(left_out, rel=0.02)
