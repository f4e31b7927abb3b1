"""Blur over the field, edges' responses and light from rendered faces."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import special

from bench.characterise.blur import blur_field
from bench.characterise.edges import FREQUENCIES, edge_responses, response_of
from bench.characterise.faces import fit_face
from bench.characterise.flatness import flatness_of
from bench.characterise.known import KnownCamera
from bench.characterise.lighting import black_of_light, light_claimed, lighting_of
from bench.characterise.spot import DECIDES, compare_spots
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.imaging.sensor import Sensor
from bench.render.planar import render_target
from bench.targets.bend import Bend
from bench.targets.design import MarkerDesign, build_target
from bench.targets.ink import inked

CAMERA = Camera(1200, 1000, 1700.0, 1700.0, 599.5, 499.5, (-0.07, 0.05, 0.0, 0.0, 0.0), 5e-6)
SENSOR = Sensor(0.6, 4.0, 0.0, 0.005, 12_000.0, None, 10, 8.0)
OPTICS = Optics(0.7, field_sigma_px=0.5)
IMAGING = Imaging(OPTICS, Illumination(0.8, (0.08, -0.05)), SENSOR)
TARGET = build_target(MarkerDesign(size=0.2, plate=(0.26, 0.26), quiet_zone=0.025))
PLACES = [(0.5, 0.5), (0.2, 0.2), (0.8, 0.25), (0.25, 0.8), (0.8, 0.8), (0.5, 0.25)]


def seen(imaging, drawing=TARGET.drawing, places=PLACES):
    for k, (x, y) in enumerate(places):
        pixel = (x * CAMERA.width, y * CAMERA.height)
        view = View(2.0 + 0.3 * (k % 3), math.radians((-20, 25, 35)[k % 3]), 0.15, 0.1, pixel)
        pose = pose_of_view(view, CAMERA)
        rng = np.random.default_rng([19, k])
        target = replace(TARGET, drawing=drawing)
        picture = render_target(target, pose, CAMERA, imaging, rng)
        observation = Observation(picture, CAMERA, TARGET, SENSOR)
        known = KnownCamera(CAMERA, OPTICS, SENSOR)
        yield observation, fit_face(f"face {k}", observation, pose, known.noise)


@pytest.fixture(scope="module")
def faces():
    return list(seen(IMAGING))


def test_blur_is_found_in_the_middle_and_outward_within_its_claim(faces):
    found = blur_field([face for _, face in faces], CAMERA)
    assert abs(found.sigma.value - 0.7) < 4.0 * found.sigma.u
    assert abs(found.field_sigma.value - 0.5) < 4.0 * found.field_sigma.u
    assert found.sigma.u < 0.01
    # round everywhere: the bench's field has no direction
    assert abs(found.radial) < 4.0 * found.u_radial


def test_even_blur_has_no_field_but_a_limit():
    even = replace(IMAGING, optics=Optics(0.7))
    found = blur_field([face for _, face in seen(even)], CAMERA)
    assert found.field_sigma.at_most
    assert found.optics.field_sigma_px == 0.0
    assert abs(found.sigma.value - 0.7) < 4.0 * found.sigma.u


def test_edges_alone_say_the_same(faces):
    widths, blurs = [], []
    for observation, face in faces:
        widths += [one.sigma_px for one in edge_responses(observation, face.pose)]
        blurs.append(face.blur_px)
    assert len(widths) >= 6
    # an edge of 100 px: its width is known to some 2 %, and noise of bins widens nothing
    assert np.median(widths) == pytest.approx(np.median(blurs), rel=0.05)


def test_a_gaussian_edge_has_the_closed_form():
    # exp(-2 π² σ² f²) times the pixel's sinc, along rows: an exact edge, sampled every 0.05 px
    sigma, distance = 0.8, np.arange(-6.0, 6.0, 0.05)
    lens = np.linspace(-0.5, 0.5, 201)
    step = special.ndtr((distance[:, None] + lens) / sigma).mean(axis=1)
    found = response_of(distance, 100.0 * step, 0.0)
    expected = np.exp(-2.0 * (np.pi * sigma * FREQUENCIES) ** 2) * np.sinc(FREQUENCIES)
    # the window and bins of a quarter pixel leave under a hundredth
    assert np.max(np.abs(found.response - expected)) < 0.01
    assert found.sigma_px == pytest.approx(sigma, rel=0.01)


def test_light_black_and_ink_are_found():
    spread = inked(TARGET.drawing, 1e-4)
    pairs = list(seen(IMAGING, spread))
    known = KnownCamera(CAMERA, OPTICS, SENSOR)
    found = lighting_of([face for _, face in pairs], known, TARGET)
    assert found.level.value == pytest.approx(0.8, abs=max(4.0 * found.level.u, 0.002))
    assert found.across.value == pytest.approx(0.08, abs=max(4.0 * found.across.u, 0.002))
    assert found.black.value == pytest.approx(0.05, abs=max(4.0 * found.black.u, 0.001))
    assert found.ink.value == pytest.approx(1e-4, abs=4.0 * found.ink.u + 3e-6)
    assert abs(found.falloff.value) < 4.0 * found.falloff.u + 0.002


def test_a_gamma_that_is_a_little_off_is_in_what_ink_claims():
    # no ink; a gamma of 2.2 that was measured as 2.23 ± 0.03 moves all boundaries to one side
    sensors = [replace(SENSOR, bit_depth=12, gamma=gamma) for gamma in (2.2, 2.23, 2.26)]
    known = KnownCamera(CAMERA, OPTICS, sensors[1], others=(sensors[2],))
    pictures = [o.picture for o, _ in seen(replace(IMAGING, sensor=sensors[0]), places=PLACES[:1])]
    pose = pose_of_view(View(2.0, math.radians(-20), 0.15, 0.1, (600.0, 500.0)), CAMERA)
    faces = [known.fitted("face", pictures[0], TARGET, pose)]
    plain = lighting_of(faces, known, TARGET)
    found, _ = light_claimed(pictures, faces, known, TARGET)
    assert abs(plain.ink.value) > 4.0 * plain.ink.u
    assert abs(found.ink.value) < 2.0 * found.ink.u
    assert abs(found.black.value - 0.05) < 2.0 * found.black.u


def test_black_level_is_told_by_faces_under_different_light():
    rng = np.random.default_rng(3)
    levels = np.array([900.0, 600.0, 420.0, 300.0])
    # half a per cent of stray light in proportion, each offset known to 0.05 DN
    faces = [
        SimpleNamespace(
            light=[8.0 + 0.005 * v + rng.normal(0, 0.05)], light_at_centre=lambda _, v=v: (v, 0, 0)
        )
        for v in levels
    ]
    found = black_of_light(faces, CAMERA)
    assert abs(found.value - 8.0) < 4.0 * found.u < 1.0
    assert black_of_light(faces[:3], CAMERA) is None
    assert black_of_light([faces[0]] * 4, CAMERA) is None


@pytest.mark.slow
@pytest.mark.parametrize("bend", [(0.0, 0.0, 0.0), (3e-4, 0.0, -2e-4)], ids=["flat", "bent"])
def test_a_plates_bend_is_told_from_its_poses_by_views_that_differ(bend):
    drawing = replace(TARGET.drawing, bend=Bend(*bend))
    pairs = [(observation, face.pose) for observation, face in seen(IMAGING, drawing)]
    found = flatness_of(pairs, KnownCamera(CAMERA, OPTICS, SENSOR).noise)
    for mode, true in zip(found.modes, bend, strict=True):
        assert abs(mode.value - true) < 4.0 * mode.u, found.words
        assert mode.u < 5e-5
    assert flatness_of(pairs[:2], KnownCamera(CAMERA, OPTICS, SENSOR).noise) is None


@pytest.mark.slow
@pytest.mark.parametrize("f_number", [None, 11.0])
def test_the_spot_that_drew_the_pictures_explains_them_best(f_number):
    said = Optics(0.4, f_number=11.0, focus_distance=2.1)
    real = said if f_number else Optics(0.7)
    pairs = [(o, face.pose) for o, face in seen(replace(IMAGING, optics=real), places=PLACES[:1])]
    found = compare_spots(pairs, said, KnownCamera(CAMERA, OPTICS, SENSOR).noise)
    assert found.faces == 1
    assert (found.gain > DECIDES) == (f_number is not None), found.words
    if f_number:
        assert found.sigma_px == pytest.approx(0.4, abs=0.05)


def test_without_an_f_number_there_is_no_other_spot(faces):
    assert compare_spots([(o, f.pose) for o, f in faces], Optics(0.7), None) is None
