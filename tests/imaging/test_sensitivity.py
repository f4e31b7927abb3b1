import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.geometry.camera import pose_jacobian
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.appearance import normal_equations
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.pixels import choose_pixels
from bench.imaging.region import region_of
from bench.imaging.sensitivity import blurred_sensitivity

VIEW = View(4.0, turn=0.6, pitch=-0.2, roll=0.15, pixel=(500.3, 400.6))
# How far a central difference moves boundaries, and by how much it changes the blur, pixels: its
# own error, step²/6 of the third derivative, is under (0.04/σ)²/6 = 7e-4 of the largest for
# motion, and under three times that for blur, of which the picture's derivative depends as σ⁻².
STEP_PX = 0.04


def finite_difference(drawing, pose, camera, sigma_px, region, channel):
    def picture(amount):
        delta = np.zeros(7)
        delta[channel] = amount
        moved = Pose(pose.rotation @ exp_rotvec(delta[:3]), pose.translation + delta[3:6])
        chords = project_chords(drawing, moved, camera)
        return blurred_image(chords, drawing.background, sigma_px + delta[6], region)

    step = STEP_PX
    if channel < 6:
        corners = np.column_stack((drawing.outline, np.zeros(4)))
        motion = pose_jacobian(corners, pose, camera)[..., channel]
        step /= np.max(np.abs(motion))
    return (picture(step) - picture(-step)) / (2.0 * step)


@pytest.mark.parametrize("lens", ["pinhole", "barrel"])
@pytest.mark.parametrize("sigma_px", [0.6, 1.1])
@pytest.mark.parametrize("channel", range(7))
def test_sensitivity_is_the_derivative_of_the_picture(
    lens, sigma_px, channel, mixed_drawing, request
):
    camera = request.getfixturevalue(lens)
    pose = pose_of_view(VIEW, camera)
    region = region_of(mixed_drawing, pose, camera, 6.0)
    chords = project_chords(mixed_drawing, pose, camera)
    sensitivity = blurred_sensitivity(chords, pose, camera, sigma_px, region)[:, channel]
    numeric = finite_difference(mixed_drawing, pose, camera, sigma_px, region, channel)
    # kernels are cut where they are 2.2e-3 of their largest; the difference's own error on top
    difference = (STEP_PX / sigma_px) ** 2 / 6.0 * (3.0 if channel == 6 else 1.0)
    scale = np.max(np.abs(numeric))
    assert scale > 0.0
    assert_allclose(sensitivity, numeric.ravel(), rtol=0.0, atol=(2.2e-3 + difference) * scale)


def test_region_that_cuts_the_target_has_the_same_derivatives(mixed_drawing, pinhole):
    pose = pose_of_view(VIEW, pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 6.0)
    part = type(region)(region.u0 + 21, region.v0 + 13, 25, 30)
    chords = project_chords(mixed_drawing, pose, pinhole)
    whole = blurred_sensitivity(chords, pose, pinhole, 0.7, region)
    cut = blurred_sensitivity(chords, pose, pinhole, 0.7, part)
    scale = np.max(np.abs(whole), axis=0)
    expected = whole.reshape(region.height, region.width, 7)[13:43, 21:46].reshape(-1, 7)
    # chords are cut where they leave the reach, so that their pieces lie elsewhere: quadrature,
    # 1e-3 of the largest derivative for each of the two
    assert_allclose(cut / scale, expected / scale, atol=2e-3)


def test_derivatives_go_to_the_places_asked_for(mixed_drawing, pinhole):
    pose = pose_of_view(VIEW, pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 6.0)
    chords = project_chords(mixed_drawing, pose, pinhole)
    whole = blurred_sensitivity(chords, pose, pinhole, 0.7, region)
    wanted = np.random.default_rng(1).permutation(len(whole))[:500]
    places = np.full(len(whole), -1)
    places[wanted] = np.arange(500)
    some = blurred_sensitivity(
        chords, pose, pinhole, 0.7, region, places.reshape(region.height, region.width)
    )
    np.testing.assert_array_equal(some, whole[wanted])


def test_position_information_of_an_edge_and_a_disc_matches_closed_form(pinhole, disc_drawing):
    # The picture of a straight edge of step A blurred by a Gaussian σ_b has the derivative
    # A g(x) by its position; Σ over unit pixels of its square is A² L / (2 √π σ_b) for a length
    # L. Around a disc of radius R the normal's component in x squared averages to 1/2:
    # A² √π R / (2 σ_b), so that the bound on the centre is
    #     σ = (σ_n / A) √(2 σ_b / (√π R)).
    # Cramér-Rao with additive Gaussian noise: Kay 1993, Estimation Theory, section 3.5; the
    # integrals are the ones above.
    pose = pose_of_view(View(4.0), pinhole)
    region = region_of(disc_drawing, pose, pinhole, 12.0)
    sigma_px, noise = 1.5, 0.01
    chords = project_chords(disc_drawing, pose, pinhole)
    # the disc's own share: pixels nearer to its rim than to the plate's edge (20 mm apart)
    u = np.arange(region.u0, region.u0 + region.width)[None, :] - pinhole.cx
    v = np.arange(region.v0, region.v0 + region.height)[:, None] - pinhole.cy
    f_px_per_m = pinhole.fx / 4.0
    from_disc = np.hypot(u / pinhole.fx * 4.0 - 0.02, v / pinhole.fy * 4.0 - 0.01)
    own = from_disc < 0.085
    pixels = choose_pixels(disc_drawing, pose, pinhole, sigma_px, region, own)
    sensitivity = blurred_sensitivity(chords, pose, pinhole, sigma_px, region, pixels.places)
    nothing = np.zeros(len(pixels))
    information, _ = normal_equations(
        sensitivity,
        nothing,
        np.array([0.0, 1.0, 0.0, 0.0]),
        nothing,
        np.full(len(pixels), 1.0 / noise**2),
        pixels,
    )
    bound_px = f_px_per_m / np.sqrt(information[3, 3])
    # the pixel's box adds 1/12 to the blur's variance
    sigma_b, radius = np.hypot(sigma_px, np.sqrt(1.0 / 12.0)), 0.075 * f_px_per_m
    expected = noise / 0.8 * np.sqrt(2.0 * sigma_b / (np.sqrt(np.pi) * radius))
    # box * Gaussian isn't quite a Gaussian: its excess kurtosis -(1/120)/σ_b⁴ changes ∫ h² by
    # under 1e-3; curvature by (σ_b/R)²/8 < 1e-4; fx and fy differ by 3e-3, half of it in R
    assert bound_px == pytest.approx(expected, rel=3e-3)
