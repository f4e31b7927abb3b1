"""What bays as built do to a photometric pose: the solver against its picture's own Jacobian."""

from dataclasses import replace

import numpy as np
import pytest

from bench.built.draws import Moment, Sizes, draw_bay, draw_moment
from bench.built.picture import built_electrons
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.appearance import fit_light, normal_equations
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture
from bench.imaging.pixels import choose_pixels, face_mask
from bench.imaging.region import region_of
from bench.imaging.sensitivity import blurred_sensitivity
from bench.imaging.sensor import Sensor, digitise, mean_dn, variance_dn
from bench.scene.budget_terms import BudgetTerms
from bench.scene.imperfections import Imperfections
from bench.solve.pipeline import pipeline_from_name
from bench.targets.design import MarkerDesign, build_target

TARGET = build_target(MarkerDesign())
CAMERA = Camera(640, 480, 900.0, 900.0, 319.5, 239.5, (-0.07, 0.05, 0.0, 0.0, 0.0))
# 16 bits, so that rounding (1/65536 of white) is far below everything asked
IMAGING = Imaging(sensor=Sensor(bit_depth=16))
TERMS = BudgetTerms()
SIZES = Sizes(
    TERMS.camera_modes(CAMERA),
    TERMS.print_scale,
    TERMS.print_aspect,
    TERMS.flatness,
    Imperfections(),
)
POSE = pose_of_view(View(range_m=1.6, turn=0.7, pitch=0.1, roll=0.2, pixel=(380.0, 200.0)), CAMERA)
REGION = region_of(TARGET.drawing, POSE, CAMERA, 16)
BAY = draw_bay(SIZES, 1, "left 0")
NOTHING = replace(
    BAY, camera=0.0 * BAY.camera, scale=0.0, aspect=0.0, plate=0.0 * BAY.plate, ink=0.0, blur=1.0
)
NOTHING = replace(NOTHING, blur_corner=0.0)
STILL = Moment(1.0, (0.0, 0.0), None, np.empty((0, 3)))
CLEAN = replace(SIZES, imperfections=replace(SIZES.imperfections, paper=0.0))


def own(name, times):
    """Return a bay with one of the drawn bay's own causes, so many times as large."""
    return replace(NOTHING, **{name: getattr(BAY, name) * times})


def spots(times):
    # one spot near a corner, one inside, both faint: a robust solver takes deep ones for outliers
    return replace(
        STILL, spots=np.array([[0.07, 0.07, 0.01 * times], [-0.02, 0.03, 0.01 * times]])
    )


CAUSES = {
    "camera": lambda times: (own("camera", times), STILL),
    "print": lambda times: (replace(own("scale", times), aspect=BAY.aspect * times), STILL),
    "plate": lambda times: (own("plate", times), STILL),
    "ink": lambda times: (own("ink", times), STILL),
    "light": lambda times: (
        NOTHING,
        replace(STILL, level=1.0 + 0.05 * times, gradient=(0.05 * times, 0.0)),
    ),
    "dirt": lambda times: (NOTHING, spots(times)),
}


def electrons(bay, moment):
    return built_electrons(TARGET.drawing, POSE, CAMERA, IMAGING, CLEAN, bay, moment, REGION)


def estimate(bay, moment):
    grey = digitise(electrons(bay, moment) + IMAGING.sensor.dark_electrons, IMAGING.sensor)
    picture = Picture(grey, REGION.u0, REGION.v0, IMAGING.sensor.full_scale)
    seen = Observation(picture, CAMERA, TARGET, IMAGING.sensor)
    _, found = pipeline_from_name("apriltag/photometric").run(seen)
    T = found.T_camera_target_est
    return np.concatenate(
        (log_rotation(POSE.rotation.T @ T.rotation), T.translation - POSE.translation)
    )


def predicted(bay, moment):
    """Return one Gauss-Newton step from the truth, pose, blur and light free."""
    sigma, sensor = IMAGING.optics.sigma_px, IMAGING.sensor
    chords = project_chords(TARGET.drawing, POSE, CAMERA)
    before, after = electrons(NOTHING, STILL), electrons(bay, moment)
    mask = face_mask(TARGET.drawing, POSE, CAMERA, sigma, REGION)
    pixels = choose_pixels(TARGET.drawing, POSE, CAMERA, sigma, REGION, mask)
    sensitivity = blurred_sensitivity(chords, POSE, CAMERA, sigma, REGION, pixels.places)
    reflectance = pixels.of(blurred_image(chords, TARGET.drawing.background, sigma, REGION))
    weights = 1.0 / variance_dn(pixels.of(before), sensor)
    grey = pixels.of(mean_dn(before, sensor))
    light = fit_light(reflectance, grey, weights, pixels)
    change = pixels.of(mean_dn(after, sensor)) - grey
    information, gradient = normal_equations(
        sensitivity, reflectance, light, change, weights, pixels
    )
    return np.linalg.solve(information, gradient)[:6]


@pytest.fixture(scope="module")
def start():
    """What the solver is off by in the picture as drawn: nothing, to its own stop."""
    return estimate(NOTHING, STILL)


@pytest.mark.slow
@pytest.mark.parametrize("cause", CAUSES)
def test_the_photometric_error_is_its_jacobian_s(cause, start):
    # a picture is linear for moves far below its blur: the step of a hundredth, a hundred times
    step = 100.0 * predicted(*CAUSES[cause](0.01))
    error = estimate(*CAUSES[cause](1.0)) - start
    second = 0.5 * (estimate(*CAUSES[cause](2.0)) - start - 2.0 * error)
    for part in (slice(0, 3), slice(3, 6)):
        off = np.linalg.norm(error[part] - step[part])
        if cause == "ink":  # which the solver finds and fits: no more than the step is left
            off = max(0.0, np.linalg.norm(error[part]) - np.linalg.norm(step[part]))
        # the solver stops within a hundredth of its standard deviation, 1e-6 of a radian or metre
        assert off <= 0.05 * np.linalg.norm(step[part]) + 2.0 * np.linalg.norm(second[part]) + 1e-6


@pytest.mark.slow
def test_light_alone_moves_no_pose(start):
    # level and gradient are parameters of the model: whatever they do, the pose stays
    error = estimate(*CAUSES["light"](1.0)) - start
    assert np.linalg.norm(error) < 1e-6


def test_a_moment_s_light_and_dirt_are_linear_in_their_sizes():
    before = electrons(NOTHING, STILL)
    for cause in ("light", "dirt"):
        once, twice = (electrons(*CAUSES[cause](times)) - before for times in (1.0, 2.0))
        # a spot is linear in its depth; level times gradient is 0.05 x 0.05 / m over the plate's
        # half diagonal, 0.15 m at most here with its margin, and twice that is left
        assert np.max(np.abs(twice - 2.0 * once)) < 2.0 * 0.05 * 0.05 * 0.15 * np.max(before)


def test_moments_are_keyed_by_their_picture():
    drawn = [draw_moment(SIZES, 1, key, TARGET.drawing) for key in ("a", "a", "b")]
    assert drawn[0].level == drawn[1].level != drawn[2].level
