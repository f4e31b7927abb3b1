import numpy as np
import pytest
from scipy.stats import binomtest

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.ambiguity import mirrored_fit, mirrored_pose
from bench.solve.face import face_of
from bench.solve.image_fit import fit_image
from bench.solve.mirror_rate import corner_distance, image_distance, mirrored_share
from bench.solve.noise import noise_of_sensor
from bench.solve.points import planar_points
from bench.solve.refine import refine
from bench.solve.weights import Weigher
from bench.targets.design import build_target
from bench.targets.marker import MarkerDesign

CAMERA = Camera(2448, 2048, 3000.0, 3000.0, 1223.5, 1023.5)
MARKER = build_target(MarkerDesign(size=0.2))
CORNERS = np.column_stack((MARKER.markers[0], np.zeros(4)))
# of an interval around a rate that was counted: one failure in ten thousand seeds
CONFIDENCE = 1.0 - 1e-4


def assert_rate(wins, n, predicted):
    interval = binomtest(wins, n).proportion_ci(CONFIDENCE, method="exact")
    assert interval.low < predicted < interval.high


def test_share_of_a_distance_is_the_normal_tail():
    # Q(1) = 0.158655, Q(2) = 0.022750: Abramowitz and Stegun 1964, table 26.1
    assert mirrored_share(2.0) == pytest.approx(0.158655, abs=5e-7)
    assert mirrored_share(4.0) == pytest.approx(0.022750, abs=5e-7)
    assert np.isnan(mirrored_share(np.nan))


@pytest.mark.parametrize(("tilt_deg", "sigma"), [(15.0, 0.06), (25.0, 0.1), (50.0, 0.2)])
def test_corner_prediction_agrees_with_monte_carlo(tilt_deg, sigma):
    pose = pose_of_view(View(12.0, np.deg2rad(tilt_deg)), CAMERA)
    pixels = project(CORNERS, pose, CAMERA)
    n, wins = 1500, 0
    for noise in np.random.default_rng(int(tilt_deg)).normal(0.0, sigma, (n, 4, 2)):
        points = planar_points(Detection(Found.FOUND, pixels + noise, CORNERS), CAMERA)
        right = refine(pose.rotation, pose.translation, points, CAMERA)
        wins += mirrored_fit(right, points, CAMERA).sse_px2 < right.sse_px2
    predicted = mirrored_share(corner_distance(CORNERS, pose, CAMERA, sigma))
    assert 0.01 < predicted < 0.4
    assert_rate(wins, n, predicted)


@pytest.mark.slow
def test_image_prediction_agrees_with_monte_carlo():
    imaging = Imaging(Optics(0.8), Illumination(1.0), Sensor(dark_noise=75.0))
    pose = pose_of_view(View(30.0, np.deg2rad(20.0), roll=0.2, pixel=(1200.3, 1000.2)), CAMERA)
    mirrored = mirrored_pose(pose)
    region = region_of(MARKER.drawing, pose, CAMERA, 8.0)
    noise = noise_of_sensor(imaging.sensor)
    rng = np.random.default_rng(2)
    n, wins = 600, 0
    for _ in range(n):
        picture = capture(MARKER.drawing, pose, CAMERA, imaging, region, rng)
        observation = Observation(picture, CAMERA, MARKER, imaging.sensor)
        scene = face_of(observation, pose, 0.8, noise).scene
        right, wrong = (fit_image(scene, start, 0.8, Weigher(noise)) for start in (pose, mirrored))
        wins += wrong.chi_square < right.chi_square
    distance = image_distance(MARKER.drawing, pose, CAMERA, imaging, region)
    predicted = mirrored_share(distance)
    assert 0.02 < predicted < 0.2
    assert_rate(wins, n, predicted)


def test_distances_are_inversely_proportional_to_noise():
    pose = pose_of_view(View(18.0, 0.5), CAMERA)
    region = region_of(MARKER.drawing, pose, CAMERA, 8.0)
    near, far = (
        image_distance(
            MARKER.drawing, pose, CAMERA, Imaging(Optics(0.6), sensor=Sensor(dark_noise=e)), region
        )
        for e in (400.0, 800.0)
    )
    # shot noise of up to 7000 electrons beside 400² and 800²: 1.022 and 1.005 in the roots,
    # and a little more or less of it from pixel to pixel
    assert near / far == pytest.approx(2.0, rel=0.02)
    one, two = (corner_distance(CORNERS, pose, CAMERA, sigma) for sigma in (0.1, 0.2))
    assert one / two == pytest.approx(2.0, rel=1e-12)


def test_target_that_faces_the_camera_has_no_second_branch():
    pose = pose_of_view(View(18.0), CAMERA)
    region = region_of(MARKER.drawing, pose, CAMERA, 8.0)
    assert np.isnan(image_distance(MARKER.drawing, pose, CAMERA, Imaging(), region))
    assert np.isnan(corner_distance(CORNERS, pose, CAMERA, 0.1))
