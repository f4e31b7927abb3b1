import numpy as np
import pytest
from scipy.stats import chi2

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Highlight, Illumination
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.ambiguity import mirrored_pose
from bench.solve.bounds import image_bound
from bench.solve.estimate import Outcome
from bench.solve.photometric import PhotometricSolver
from bench.targets.charuco import CharucoDesign
from bench.targets.circles import CirclesDesign
from bench.targets.design import build_target
from bench.targets.grid import GridDesign
from bench.targets.marker import MarkerDesign

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
IMAGING = Imaging(optics=Optics(sigma_px=0.6), sensor=Sensor())
CORNER_SIGMA = 0.1
TARGETS = {
    "marker": build_target(MarkerDesign(size=0.2)),
    "grid": build_target(GridDesign("DICT_APRILTAG_36h11", 2, 2, size=0.08, gap=0.02)),
    "charuco": build_target(CharucoDesign("DICT_4X4_50", 5, 5, square=0.04, marker=0.03)),
    "circles": build_target(CirclesDesign(5, 5, pitch=0.04, diameter=0.024, symmetric=True)),
}


def features(target):
    xy = target.points if len(target.points) else np.vstack(list(target.markers.values()))
    return np.column_stack((xy, np.zeros(len(xy))))


def observe(target, pose, rng, imaging=IMAGING, camera=CAMERA, known=True, spoil=None):
    """Return what a detector with corner noise would pass on."""
    region = region_of(target.drawing, pose, camera, 8.0)
    picture = capture(target.drawing, pose, camera, imaging, region, rng)
    if spoil is not None:
        picture = Picture(spoil(picture.grey), picture.u0, picture.v0, picture.full_scale)
    points = features(target)
    pixels = project(points, pose, camera) + rng.normal(0.0, CORNER_SIGMA, (len(points), 2))
    detection = Detection(Found.FOUND, pixels, points, (0,), CORNER_SIGMA)
    return detection, Observation(picture, camera, target, imaging.sensor if known else None)


def error_of(estimate, pose_true):
    pose = estimate.T_camera_target_est
    rotation = log_rotation(pose_true.rotation.T @ pose.rotation)
    return np.concatenate((rotation, pose.translation - pose_true.translation))


def views(n, rng, range_m, turn_deg, pitch_deg=5.0):
    for _ in range(n):
        turn, pitch = np.deg2rad([turn_deg, pitch_deg]) + rng.uniform(-0.02, 0.02, 2)
        pixel = (900.0 + rng.uniform(), 800.0 + rng.uniform())
        yield pose_of_view(View(range_m, turn, pitch, rng.uniform(-0.3, 0.3), pixel), CAMERA)


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(k, marks=pytest.mark.slow) if k in ("charuco", "circles") else k
        for k in TARGETS
    ],
)
@pytest.mark.parametrize("known", [True, False])
def test_errors_are_those_that_the_covariance_claims(kind, known):
    rng = np.random.default_rng(11)
    target, solver = TARGETS[kind], PhotometricSolver()
    squares = []
    for pose in views(25, rng, 9.0, 40.0):
        estimate = solver.solve(*observe(target, pose, rng, known=known))
        assert estimate.outcome is Outcome.OK
        error = error_of(estimate, pose)
        squares.append(error @ np.linalg.solve(estimate.covariance, error))
    # Σ of 25 squares of six degrees each: χ² with 150. With the noise estimated from the
    # picture itself a variance is uncertain by about 5 %, and widening adds up to 5 %.
    slack = 1.0 if known else 1.1
    low, high = chi2.ppf([5e-4, 1 - 5e-4], 6 * len(squares))
    assert low / slack <= np.sum(squares) <= high * slack


def test_errors_reach_the_bound():
    rng = np.random.default_rng(3)
    target, solver = TARGETS["marker"], PhotometricSolver()
    errors, bounds = [], []
    for pose in views(80, rng, 14.0, 40.0):
        errors.append(error_of(solver.solve(*observe(target, pose, rng)), pose))
        region = region_of(target.drawing, pose, CAMERA, 8.0)
        bounds.append(np.diag(image_bound(target.drawing, pose, CAMERA, IMAGING, region)))
    efficiency = np.sqrt(np.mean(bounds, axis=0) / np.mean(np.square(errors), axis=0))
    # RMS of 80 errors: relative standard deviation 1/√160 = 8 %; at efficiency 1 each of six
    # components stays within 3 of them with probability 0.98
    assert np.all(np.abs(1.0 / efficiency - 1.0) < 3.0 / np.sqrt(160))


# far away the corners leave both poses open; near, wrong as they are, they claim to decide
@pytest.mark.parametrize("range_m", [14.0, 5.0])
def test_mirrored_start_finds_the_right_branch(range_m):
    rng = np.random.default_rng(8)
    target, solver = TARGETS["marker"], PhotometricSolver()
    for pose in views(5, rng, range_m, 35.0):
        detection, observation = observe(target, pose, rng)
        mirrored = mirrored_pose(pose)
        # corners that fit the mirrored pose better than the true one
        pixels = project(detection.p_target, mirrored, CAMERA)
        misled = Detection(Found.FOUND, pixels, detection.p_target, (0,), CORNER_SIGMA)
        estimate = solver.solve(misled, observation)
        assert estimate.outcome is Outcome.OK
        assert np.max(np.abs(error_of(estimate, pose)[:3])) < np.deg2rad(0.5)


def scratch(grey):
    """Hide a tenth of the face behind a dark bar, as a hose would."""
    spoiled = grey.copy()
    width = max(2, spoiled.shape[1] // 10)
    spoiled[:, spoiled.shape[1] // 2 : spoiled.shape[1] // 2 + width] = 20
    return spoiled


@pytest.mark.slow
def test_an_obstacle_across_the_face_is_weighed_down():
    rng = np.random.default_rng(21)
    target, solver = TARGETS["marker"], PhotometricSolver()
    for pose in views(10, rng, 8.0, 40.0):
        clean = solver.solve(*observe(target, pose, rng))
        spoiled = solver.solve(*observe(target, pose, rng, spoil=scratch))
        # a tenth of the pixels is gone: 5 % more scatter, but no pull. Five standard
        # deviations, of either of two independent noises
        sigma = np.sqrt(np.diag(clean.covariance))
        assert np.all(np.abs(error_of(spoiled, pose)) < 5.0 * 1.2 * sigma)


@pytest.mark.slow
def test_a_highlight_is_weighed_down():
    rng = np.random.default_rng(22)
    target, solver = TARGETS["marker"], PhotometricSolver()
    glare = Imaging(
        IMAGING.optics,
        Illumination(level=0.7, highlight=Highlight(0.03, 0.02, 0.012, 3.0)),
        IMAGING.sensor,
    )
    for pose in views(10, rng, 8.0, 40.0):
        estimate = solver.solve(*observe(target, pose, rng, imaging=glare))
        sigma = np.sqrt(np.diag(estimate.covariance))
        assert estimate.outcome is Outcome.OK
        # the spot's faint tail, below the noise pixel by pixel, still pulls a little
        assert np.all(np.abs(error_of(estimate, pose)[:3]) < 8.0 * sigma[:3])


@pytest.mark.parametrize("blur", [0.5, 0.9, 1.6])
def test_blur_is_found(blur):
    rng = np.random.default_rng(4)
    imaging = Imaging(Optics(sigma_px=blur), IMAGING.illumination, IMAGING.sensor)
    found = []
    for pose in views(8, rng, 8.0, 40.0):
        found.append(
            PhotometricSolver().solve(*observe(TARGETS["marker"], pose, rng, imaging)).blur_px
        )
    # one fit's blur is known to 2e-3 px here (its scatter over these eight); four of the mean's
    spread = np.std(found, ddof=1)
    assert spread < 0.01
    assert abs(np.mean(found) - blur) < 5.0 * spread / np.sqrt(len(found)) + 1e-3


def test_chi_square_notices_a_lens_that_the_model_does_not_know():
    rng = np.random.default_rng(4)
    bent = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5, (-0.6, 0.0, 0.0, 0.0, 0.0))
    target = TARGETS["grid"]
    pose = pose_of_view(View(3.0, 0.6, 0.1, 0.0, (500.0, 500.0)), bent)
    detection, observation = observe(target, pose, rng, camera=bent)
    seen = Observation(observation.picture, CAMERA, target, IMAGING.sensor)
    straight = PhotometricSolver().solve(detection, seen)
    right = PhotometricSolver().solve(detection, observation)
    assert chi2.sf(right.chi_square, right.degrees) > 1e-4
    assert chi2.sf(straight.chi_square, straight.degrees) < 1e-6


def test_missed_target_and_cut_off_face_are_outcomes():
    rng = np.random.default_rng(4)
    pose = pose_of_view(View(9.0, 0.5), CAMERA)
    detection, observation = observe(TARGETS["marker"], pose, rng)
    solver = PhotometricSolver()
    assert solver.solve(Detection(Found.MISSED), observation).outcome is Outcome.MISSED
    nothing = Picture(observation.picture.grey[:3, :3], 0, 0, 255)
    cut = Observation(nothing, CAMERA, observation.target, IMAGING.sensor)
    assert solver.solve(detection, cut).outcome is Outcome.NOT_FINITE


def test_solver_keeps_no_state():
    rng = np.random.default_rng(4)
    pose = pose_of_view(View(9.0, 0.5), CAMERA)
    seen = observe(TARGETS["marker"], pose, rng)
    first, second = (PhotometricSolver().solve(*seen) for _ in range(2))
    np.testing.assert_array_equal(first.covariance, second.covariance)
    np.testing.assert_array_equal(
        first.T_camera_target_est.matrix, second.T_camera_target_est.matrix
    )
