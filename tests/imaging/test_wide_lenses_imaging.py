"""Pictures through rational and fisheye lenses, and their derivatives, far from the axis too."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.geometry.camera import Camera, pose_jacobian, project
from bench.geometry.lens_kernel import wide_numbers, wide_radial
from bench.geometry.lens_models import FISHEYE, RATIONAL, radial
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.chords import DEVIATION_PX, project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.region import region_of
from bench.imaging.sensitivity import blurred_sensitivity

LENSES = {
    RATIONAL: Camera(
        1600, 1200, 620.0, 615.0, 805.3, 590.1,
        (2.1, 0.9, 2e-4, -1e-4, 0.03), model=RATIONAL, more=(2.45, 1.5, 0.2),
    ),
    FISHEYE: Camera(
        1600, 1200, 480.0, 479.0, 798.2, 603.0,
        (-0.02, 0.006, 0.0, 0.0, -0.003), model=FISHEYE, more=(0.0005,),
    ),
}  # fmt: skip
# near the axis, 40 and, for the fisheye, 68 degrees from it, its plate to 79
VIEWS = {
    RATIONAL: [View(0.4, 0.5, 0.1, 0.2, (830.0, 600.0)), View(0.4, 0.6, pixel=(1330.0, 750.0))],
    FISHEYE: [View(0.4, 0.5, 0.1, 0.2, (830.0, 600.0)), View(0.6, 0.9, pixel=(1370.0, 640.0))],
}
CASES = [(model, at) for model in LENSES for at in range(2)]
each_case = pytest.mark.parametrize(("model", "at"), CASES)


def by_opencv(p_target, pose, camera):
    """Return OpenCV's own pixels of target points."""
    p = p_target.reshape(-1, 1, 3)
    rvec, tvec = cv2.Rodrigues(pose.rotation)[0], pose.translation
    coefficients = np.array(camera.opencv_coefficients)
    project_points = cv2.fisheye.projectPoints if camera.model == FISHEYE else cv2.projectPoints
    return project_points(p, rvec, tvec, camera.matrix, coefficients)[0].reshape(-1, 2)


def gaps(points, ends):
    """Return the distance of each point from the nearest chord."""
    a, b = ends[None, :, :2], ends[None, :, 2:]
    along = np.sum((points[:, None] - a) * (b - a), axis=2) / np.sum((b - a) ** 2, axis=2)
    foot = a + np.clip(along, 0.0, 1.0)[..., None] * (b - a)
    return np.min(np.linalg.norm(points[:, None] - foot, axis=2), axis=1)


def enclosed(ends):
    u0, v0, u1, v1 = ends.T
    return 0.5 * np.sum(u1 * v0 - u0 * v1)


@pytest.mark.slow
@each_case
def test_no_chord_leaves_opencv_s_curve_by_more_than_the_bound(model, at, disc_drawing):
    camera, pose = LENSES[model], pose_of_view(VIEWS[model][at], LENSES[model])
    chords = project_chords(disc_drawing, pose, camera)
    is_disc = chords.steps < 0.0
    disc = disc_drawing.shapes[1]
    angle = 2.0 * np.pi * np.arange(1999) / 1999
    x, y = disc.x + disc.radius * np.cos(angle), disc.y + disc.radius * np.sin(angle)
    rim = by_opencv(np.column_stack((x, y, 0 * x)), pose, camera)
    assert np.max(gaps(rim, chords.ends[is_disc])) <= 1.01 * DEVIATION_PX
    # polygon through 1999 points: it lacks (2π/n)²/6 of the area
    area = enclosed(np.hstack((rim, np.roll(rim, -1, axis=0)))) / (
        1.0 - (2 * np.pi / 1999) ** 2 / 6
    )
    assert_allclose(enclosed(chords.ends[is_disc]), area, rtol=3e-6)
    t = np.linspace(0.0, 1.0, 300)[:, None]
    corners = disc_drawing.outline
    for i in range(4):
        side = corners[i] + t * (corners[(i + 1) % 4] - corners[i])
        pixels = by_opencv(np.column_stack((side, np.zeros(len(side)))), pose, camera)
        assert np.max(gaps(pixels, chords.ends[~is_disc])) <= 1.01 * DEVIATION_PX


@each_case
@pytest.mark.parametrize("channel", [0, 1, 5])
def test_sensitivity_is_the_derivative_of_the_picture(model, at, channel, mixed_drawing):
    camera, pose, sigma = LENSES[model], pose_of_view(VIEWS[model][at], LENSES[model]), 1.0
    region = region_of(mixed_drawing, pose, camera, 6.0)
    found = blurred_sensitivity(
        project_chords(mixed_drawing, pose, camera), pose, camera, sigma, region
    )[:, channel]
    corners = np.column_stack((mixed_drawing.outline, np.zeros(4)))
    largest = np.max(np.abs(pose_jacobian(corners, pose, camera)[..., channel]))
    step = 0.04 / largest  # as tests/imaging/test_sensitivity.py has it

    def picture(amount):
        delta = np.zeros(6)
        delta[channel] = amount
        moved = Pose(pose.rotation @ exp_rotvec(delta[:3]), pose.translation + delta[3:])
        chords = project_chords(mixed_drawing, moved, camera)
        return blurred_image(chords, mixed_drawing.background, sigma, region)

    numeric = (picture(step) - picture(-step)).ravel() / (2.0 * step)
    atol = (2.2e-3 + 0.04**2 / 6.0) * np.max(np.abs(numeric))
    assert_allclose(found, numeric, rtol=0.0, atol=atol)


@pytest.mark.parametrize("model", LENSES)
def test_the_compiled_radial_part_is_the_other_one(model):
    camera = LENSES[model]
    for q in (0.0, 1e-9, 0.004, 0.0099999, 0.0100001, 0.3, 2.0, 30.0):
        g, slope, _ = radial(np.array(q), model, camera.radial_terms, camera.more)
        own = wide_radial(q, *camera.radial_terms, *wide_numbers(camera.model, camera.more))
        # above r2 = 0.01 the difference of ratios loses two digits
        assert_allclose(own[:2], [g, slope], rtol=1e-12)
        h = 1e-5 * (1.0 + q)
        if q > 0.02:
            ends = [
                wide_radial(q + d, *camera.radial_terms, *wide_numbers(camera.model, camera.more))[
                    1
                ]
                for d in (-h, h)
            ]
            # h²/6 of the third derivative, and rounding over h
            assert own[2] == pytest.approx((ends[1] - ends[0]) / (2 * h), rel=1e-5, abs=1e-9)


def test_pixels_and_their_points_agree_in_the_picture_as_in_geometry(mixed_drawing):
    for model, camera in LENSES.items():
        pose = pose_of_view(VIEWS[model][1], camera)
        corners = np.column_stack((mixed_drawing.outline, np.zeros(4)))
        assert_allclose(
            project(corners, pose, camera), by_opencv(corners, pose, camera), atol=1e-8
        )
