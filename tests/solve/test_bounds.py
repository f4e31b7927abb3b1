from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import ive

from bench.geometry.camera import Camera, pose_jacobian
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.appearance import normal_equations
from bench.imaging.chords import project_chords
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, expected_electrons
from bench.imaging.optics import Optics
from bench.imaging.pixels import choose_pixels, face_mask
from bench.imaging.region import region_of
from bench.imaging.sensitivity import blurred_sensitivity
from bench.imaging.sensor import Sensor, mean_dn, variance_dn
from bench.solve.bounds import blur_of, corner_bound, image_bound
from bench.solve.covariance import in_facing_frame
from bench.targets.circles import CirclesDesign
from bench.targets.design import build_target
from bench.targets.drawing import Area, Drawing
from bench.targets.marker import MarkerDesign
from bench.targets.outline import rectangle

CAMERA = Camera(1600, 1200, 3000.0, 3000.0, 799.5, 599.5, pixel_pitch=3.45e-6)
BARREL = replace(CAMERA, distortion=(-0.2, 0.05, 1e-3, -5e-4, 0.0))
MARKER = build_target(MarkerDesign(size=0.2))
CIRCLES = build_target(CirclesDesign(4, 4, pitch=0.05, diameter=0.03, symmetric=True))
TARGETS = {"marker": MARKER, "circles": CIRCLES}
VIEWS = {"near": View(9.0, 0.6, -0.2, 0.3, (700.3, 500.8)), "far": View(18.0, 0.9)}
# few electrons, so that the noise's own dependence on the light counts: K²/(2v) is 1 % here
DIM = Sensor(full_well=300.0, dark_noise=4.0)
SETTINGS = {
    "plain": (CAMERA, Imaging(Optics(0.6), Illumination(), Sensor())),
    "bent, uneven": (BARREL, Imaging(Optics(0.8), Illumination(0.7, (0.9, -0.5)), Sensor())),
    "dim": (CAMERA, Imaging(Optics(0.6), Illumination(0.9), DIM)),
    "moved": (CAMERA, Imaging(Optics(0.5, motion_px=(1.0, 0.5)))),
    "diffracted": (CAMERA, Imaging(Optics(0.0, f_number=8.0))),
}


def information_by_differences(drawing, pose, camera, imaging, region, mask):
    """Fisher's information (11, 11) from differences of expected grey values and variances.

    Slepian-Bangs (Kay 1993, section 3.9), with the forward model alone: pose, blur, exposure,
    gradient and black level.
    """
    corners = np.column_stack((drawing.outline, np.zeros(4)))
    speed = np.max(np.abs(pose_jacobian(corners, pose, camera)), axis=(0, 1))
    steps = [*(0.03 / speed), 0.02, 0.02, 0.02, 0.02, 0.5]

    def statistics(k, amount):
        way = np.zeros(11)
        way[k] = amount
        moved = Pose(pose.rotation @ exp_rotvec(way[:3]), pose.translation + way[3:6])
        # blur by its variance, so that there may be none
        optics = replace(imaging.optics, sigma_px=np.sqrt(imaging.optics.sigma_px**2 + way[6]))
        light, sensor = imaging.illumination, imaging.sensor
        light = replace(
            light,
            level=light.level + way[7],
            gradient=(light.gradient[0] + way[8], light.gradient[1] + way[9]),
        )
        sensor = replace(sensor, black_level=sensor.black_level + way[10], gain=sensor.system_gain)
        electrons = expected_electrons(
            drawing, moved, camera, Imaging(optics, light, sensor), region
        )
        return mean_dn(electrons, sensor)[mask], variance_dn(electrons, sensor)[mask]

    means, variances = [], []
    for k, step in enumerate(steps):
        back = 0.0 if k == 6 and imaging.optics.sigma_px == 0.0 else -step
        (m1, v1), (m0, v0) = statistics(k, step), statistics(k, back)
        means.append((m1 - m0) / (step - back))
        variances.append((v1 - v0) / (step - back))
    _, v = statistics(0, 0.0)
    m, dv = np.array(means), np.array(variances)
    return (m / v) @ m.T + 0.5 * (dv / v**2) @ dv.T


# diffraction takes seconds a picture's derivatives: one target and view of it will do
CASES = [
    pytest.param(
        *(setting, kind, view), marks=[pytest.mark.slow] if setting == "diffracted" else []
    )
    for setting in SETTINGS
    for kind in TARGETS
    for view in VIEWS
    if setting != "diffracted" or (kind, view) == ("marker", "far")
]


@pytest.mark.parametrize(("setting", "kind", "view"), CASES)
def test_image_bound_is_the_inverse_information_of_the_forward_model(setting, kind, view):
    camera, imaging = SETTINGS[setting]
    drawing = TARGETS[kind].drawing
    pose = pose_of_view(VIEWS[view], camera)
    region = region_of(drawing, pose, camera, 4.0)
    mask = face_mask(drawing, pose, camera, blur_of(imaging.optics, camera, pose), region)
    information = information_by_differences(drawing, pose, camera, imaging, region, mask)
    scale = np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale)
    bound = image_bound(drawing, pose, camera, imaging, region)
    ratio = np.sqrt(np.diag(bound) / np.diag(inverse)[:6])
    # A difference lacks (step/σ)²/6 of a derivative, and what derivatives lack bounds gain:
    # 4e-4 for steps of 0.03 px here; 3e-3 for those of 0.05 px that the bound itself takes where
    # it has no analytic ones, at the 0.37 px to which diffraction amounts. Kernels cut at 3.5 σ
    # lack 5e-6 of ∫ g².
    by_differences = setting in ("moved", "diffracted")
    assert_allclose(ratio, 1.0, atol=4e-3 if by_differences else 1e-3)


def test_saturated_pixels_tell_nothing():
    pose = pose_of_view(View(9.0, 0.6), CAMERA)
    region = region_of(MARKER.drawing, pose, CAMERA, 4.0)
    # white, 0.85, is over full well: what is left is the dark side of each edge
    over = Imaging(Optics(0.6), Illumination(1.4))
    mask = face_mask(MARKER.drawing, pose, CAMERA, 0.6, region)
    electrons = expected_electrons(MARKER.drawing, pose, CAMERA, over, region)
    ceiling = over.sensor.saturation_electrons
    mask &= electrons + 2.0 * np.sqrt(electrons) < ceiling
    information = information_by_differences(MARKER.drawing, pose, CAMERA, over, region, mask)
    expected = np.diag(np.linalg.inv(information))[:6]
    bound = np.diag(image_bound(MARKER.drawing, pose, CAMERA, over, region))
    assert_allclose(np.sqrt(bound / expected), 1.0, atol=1e-3)  # as above


def test_face_that_saturates_everywhere_has_no_bound():
    pose = pose_of_view(View(9.0, 0.6), CAMERA)
    region = region_of(MARKER.drawing, pose, CAMERA, 4.0)
    white = Imaging(Optics(0.6), Illumination(40.0))
    with pytest.raises(np.linalg.LinAlgError):
        image_bound(MARKER.drawing, pose, CAMERA, white, region)


@pytest.mark.parametrize("angle", [0.0, 0.3, 1.1])
def test_edge_position_bound_matches_closed_form(angle):
    # A straight edge of step A blurred by σ_b: the picture's derivative by its position is
    # A g(x), and Σ over unit pixels of g² is L / (2 √π σ_b) for a length L, so that
    #     σ = (σ_n / A) √(2 √π σ_b / L).
    # Additive Gaussian noise: Kay 1993, section 3.5; the integral of a squared Gaussian is
    # 1/(2 √π σ_b).
    blur, noise, step = 1.2, 0.01, 0.8
    half = 0.06  # half the edge's length, metres, far from all corners that count
    square = rectangle(-0.4, -0.2, 0.0, 0.2)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    plate = Area((rectangle(-0.5, -0.5, 0.5, 0.5),), 0.85, 0.85)
    drawing = Drawing(1.0, 1.0, 0.85, (plate, Area((square @ turn.T,), 0.85 - step, 0.85)))
    pose = pose_of_view(View(4.0), CAMERA)
    region = region_of(drawing, pose, CAMERA, 2.0)
    v, u = np.mgrid[0 : region.height, 0 : region.width]
    x = (u + region.u0 - CAMERA.cx) * 4.0 / CAMERA.fx
    y = -(v + region.v0 - CAMERA.cy) * 4.0 / CAMERA.fy
    across, along = x * turn[0, 0] + y * turn[1, 0], x * turn[0, 1] + y * turn[1, 1]
    own = (np.abs(along) < half) & (np.abs(across) < 0.03)
    pixels = choose_pixels(drawing, pose, CAMERA, blur, region, own)
    chords = project_chords(drawing, pose, CAMERA)
    sensitivity = blurred_sensitivity(chords, pose, CAMERA, blur, region, pixels.places)
    nothing, light = np.zeros(len(pixels)), np.array([0.0, 1.0, 0.0, 0.0])
    weights = np.full(len(pixels), noise**-2)
    information, _ = normal_equations(sensitivity, nothing, light, nothing, weights, pixels)
    # along the edge's normal in the camera's x and y (down)
    normal = np.array([np.cos(angle), -np.sin(angle)])
    bound_px = CAMERA.fx / 4.0 / np.sqrt(normal @ information[3:5, 3:5] @ normal)
    length_px = 2.0 * half * CAMERA.fx / 4.0
    sigma_b = np.hypot(blur, np.sqrt(1.0 / 12.0))  # the pixel's box adds its variance
    expected = noise / step * np.sqrt(2.0 * np.sqrt(np.pi) * sigma_b / length_px)
    # the length is good to the rows at its ends, half a pixel of 90; half of it in the root
    assert bound_px == pytest.approx(expected, rel=5e-3)


def test_position_bound_of_many_circles_matches_closed_form():
    # The picture of a disc of radius R and step A, blurred by σ_b, has the spectrum
    # A R J1(2πRk)/k · exp(-2π²σ_b²k²). Parseval and Weber's second exponential integral (Watson
    # 1944, A Treatise on the Theory of Bessel Functions, section 13.31) give
    #     Σ (∂μ/∂x)² = A² π R²/(2σ_b²) e^-z I1(z),  z = R²/(2σ_b²),
    # which for R >> σ_b is A² √π R/(2σ_b), the form in tests/imaging/test_sensitivity.py. Of n
    # discs face on, with the target's other five degrees of freedom known:
    pose = pose_of_view(View(5.0), CAMERA)
    region = region_of(CIRCLES.drawing, pose, CAMERA, 4.0)
    imaging = Imaging(Optics(1.0), Illumination(0.5), Sensor(dark_noise=500.0))
    bound = image_bound(CIRCLES.drawing, pose, CAMERA, imaging, region)
    lateral_px = CAMERA.fx / 5.0 / np.sqrt(np.diag(np.linalg.inv(bound))[3:5])
    electrons = imaging.sensor.full_well * 0.5 * np.array([0.85, 0.05])
    noise = np.sqrt(np.mean(variance_dn(electrons, imaging.sensor)))
    step = np.ptp(mean_dn(electrons, imaging.sensor))
    radius = 0.015 * CAMERA.fx / 5.0
    variance = 1.0 + 1.0 / 12.0  # the pixel's box adds its own
    z = radius**2 / (2.0 * variance)
    information = step**2 * np.pi * radius**2 / (2.0 * variance) * ive(1, z) / noise**2
    # Light's gradient takes up the square of its correlation, 0.049² here, half of it in the
    # root; the box isn't a Gaussian: 2e-4; the cut at 3.5 σ and quadrature: 5e-4
    assert_allclose(lateral_px, 1.0 / np.sqrt(16 * information), rtol=2.5e-3)


def test_corner_bound_is_least_squares_covariance_in_closed_form():
    # σ_Z = σ Z²/(√2 f s) face on: derived in tests/accuracy/test_pose_closed_forms.py
    size, range_m, sigma = 0.2, 5.0, 0.1
    square = 0.5 * size * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])
    pose = pose_of_view(View(range_m), CAMERA)
    bound = in_facing_frame(corner_bound(square, pose, CAMERA, sigma), pose)
    expected = sigma * range_m**2 / (np.sqrt(2.0) * CAMERA.fx * size)
    assert np.sqrt(bound[5, 5]) == pytest.approx(expected, rel=1e-10)  # rounding, conditioning


def test_plate_on_the_sensors_border_is_bounded_by_the_part_that_shows():
    middle = pose_of_view(View(5.0, 0.6, pixel=(799.5, 599.5)), CAMERA)
    border = pose_of_view(View(5.0, 0.6, pixel=(10.0, 599.5)), CAMERA)
    imaging = SETTINGS["plain"][1]
    whole, part = (
        image_bound(
            MARKER.drawing, pose, CAMERA, imaging, region_of(MARKER.drawing, pose, CAMERA, 4.0)
        )
        for pose in (middle, border)
    )
    assert np.all(np.diag(part) > np.diag(whole))  # less than half of the marker shows
