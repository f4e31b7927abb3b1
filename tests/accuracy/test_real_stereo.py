"""Real stereo pictures registered by the bench, by OpenCV, and by what was published of them.

The 13 pairs are left01..14 and right01..14 under samples/data of OpenCV 4.11 (in the source
package opencv-python-headless 4.11.0.86). J.-Y. Bouguet's Camera Calibration Toolbox, example 5,
publishes a stereo calibration from pictures of a board of 30 mm squares. That they are the same
pictures is inferred from the match of the numbers: no file here says so.
"""

import cv2
import numpy as np
import pytest

from bench.cameras.intrinsics import BoardView, LensModel, calibrate
from bench.detect.chessboard import Chessboard
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.imaging.read import find_pictures, read_picture
from bench.registration.fit import register
from bench.registration.sights import Cameras, Sight, Step
from bench.registration.systematic import Causes
from bench.solve.response import calibrated_errors
from bench.targets.chessboard import ChessboardDesign, build_chessboard

pytestmark = pytest.mark.network
SIZE = (640, 480)
ANY_CAMERA = Camera(*SIZE, 500.0, 500.0, 319.5, 239.5)
# Bouguet's toolbox, example 5: right camera from left, X_right = R X_left + T; its "errors" are
# about three standard deviations, as its documentation says.
PUBLISHED_OM = np.array([0.00669, 0.00452, -0.00350])
PUBLISHED_T_MM = np.array([-99.802, 1.124, 0.050])
PUBLISHED_ERROR_MM = np.array([0.142, 0.114, 0.498])


@pytest.fixture(scope="module")
def views(stereo_pictures):
    target = build_chessboard(ChessboardDesign(columns=9, rows=6, square=0.03))
    found = {}
    for side in ("left", "right"):
        paths = find_pictures([str(stereo_pictures / f"{side}[01][0-9].jpg")])
        assert len(paths) == 13
        found[side] = []
        for path in paths:
            picture = read_picture(path)
            detection = Chessboard().detect(Observation(picture, ANY_CAMERA, target))
            found[side].append(BoardView(path.stem, detection.pixels, detection.p_target))
    return found


@pytest.fixture(scope="module")
def calibrations(views):
    model = LensModel(radial_terms=2)  # what the published calibration fits
    return {side: calibrate(views[side], SIZE, model) for side in views}


@pytest.fixture(scope="module")
def registration(views, calibrations):
    sigma = {side: calibrations[side].sigma_px for side in views}
    steps = [
        Step(
            left.name,
            (
                Sight("left", "A", left.p_target, left.pixels, sigma["left"]),
                Sight("right", "A", right.p_target, right.pixels, sigma["right"]),
            ),
        )
        for left, right in zip(views["left"], views["right"], strict=True)
    ]
    cameras = Cameras(calibrations["left"].camera, calibrations["right"].camera)
    return register(steps, cameras, Pose.identity())


def test_opencv_stereo_calibration_gives_the_same_transform(views, calibrations, registration):
    cameras = [calibrations[side].camera for side in ("left", "right")]
    points = [v.p_target.astype(np.float32) for v in views["left"]]
    pixels = [[v.pixels.astype(np.float32) for v in views[side]] for side in ("left", "right")]
    # K and distortion alternate; all held
    lenses = [part for c in cameras for part in (c.matrix, c.distortion_vector)]
    flags = cv2.CALIB_FIX_INTRINSIC
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 200, 1e-12)
    found = cv2.stereoCalibrate(points, *pixels, *lenses, SIZE, flags=flags, criteria=stop)
    rotation, translation = found[5], found[6].reshape(3)
    theirs = Pose(rotation, translation).inverse()
    ours = registration.T_left_right
    difference = np.concatenate(
        (log_rotation(ours.rotation.T @ theirs.rotation), theirs.translation - ours.translation)
    )
    # Same points, so what differs is the weighting: OpenCV weighs all pixels alike, we by
    # 1/sigma² of each camera and by Huber's loss. From our minimum the step to the unweighted
    # one is, to first order, least squares of the residuals in pixels
    model, x = registration.model, np.zeros(registration.model.n_parameters)
    sigma_px = np.concatenate([np.full(len(rows), s.sigma_px) for _, s, rows in model.sights])
    jacobian = sigma_px[:, None] * model.jacobian(x).toarray()
    step, *_ = np.linalg.lstsq(jacobian, -sigma_px * registration.residuals, rcond=None)
    # a first-order step of a tenth of a standard uncertainty is wrong by its square, a hundredth
    sigma = np.sqrt(np.diag(registration.covariance_left_right))
    assert np.all(np.abs(difference - step[:6]) < 0.01 * sigma)
    assert np.all(np.abs(step[:6]) < 0.3 * sigma)


def test_published_transform_is_within_our_uncertainty(calibrations, registration):
    inverse = registration.T_left_right.inverse()
    known = {s: calibrated_errors(c.covariance, "").modes for s, c in calibrations.items()}
    model = registration.model
    informed = register(model.steps, model.cameras, model.start.T_a_b, causes=Causes(known))
    covariance = registration.covariance_left_right + informed.systematic
    # to first order T_right_left has the same uncertainties: the cameras are parallel within
    # 0.5 degrees, and turns of 1e-3 rad times 0.1 m are 0.1 mm, in the covariance below
    turn = np.zeros((6, 6))
    R = inverse.rotation
    turn[:3, :3] = -np.eye(3) @ registration.T_left_right.rotation
    turn[3:, 3:] = -R
    x, y, z = inverse.translation
    turn[3:, :3] = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    sigma = np.sqrt(np.diag(turn @ covariance @ turn.T))
    # the same pictures, other corners' refinement and joint intrinsics: errors partly shared,
    # so that three of our standard uncertainties and their own error are ample, and derived
    assert np.all(np.abs(inverse.rotvec - PUBLISHED_OM) < 3.0 * sigma[:3])
    off_mm = 1e3 * inverse.translation - PUBLISHED_T_MM
    assert np.all(np.abs(off_mm) < 3.0 * np.hypot(1e3 * sigma[3:], PUBLISHED_ERROR_MM / 3.0))
    # the base line to 0.3 %: no other pair of cameras would do
    assert abs(off_mm[0]) < 0.3


def test_noise_explains_the_residuals_of_real_pictures(registration):
    # sigma comes from each camera's own calibration with free intrinsics; tied together the
    # residuals may be a little larger, and a gross mistake in pairing would make them enormous
    assert registration.chi_square / registration.degrees < 1.2
