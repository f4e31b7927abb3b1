"""Pictures of which nothing is known but the camera: grey values may be a curve of light."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

import bench.solve.photometric as photometric
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.appearance import FREE_LIGHT, LIGHT, fit_light, jacobian, predict
from bench.imaging.model import Imaging, expected_electrons
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture
from bench.imaging.region import region_of
from bench.solve.face import face_of
from bench.solve.image_fit import fit_image
from bench.solve.noise import EVEN_NOISE
from bench.solve.photometric import PhotometricSolver
from bench.solve.weights import Weigher
from bench.targets.design import build_target
from bench.targets.marker import MarkerDesign

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
TARGET = build_target(MarkerDesign(size=0.2))
CORNERS = np.column_stack((TARGET.markers[0], np.zeros(4)))
POSE = pose_of_view(View(7.0, 0.7, 0.05, 0.1, (900.3, 800.6)), CAMERA)
NOISE_DN, FULL = 1.5, 255
POSE_PARAMETERS = 6
RISK = 1e-4  # of a χ² interval, two-sided


def straight(light, across, down):
    return light


def curved(light, across, down):
    return light**0.8  # a mild one; a display's power is 0.45


def stray(light, across, down):
    return light + 0.15 + 0.1 * across - 0.05 * down


def take(rng, response):
    region = region_of(TARGET.drawing, POSE, CAMERA, 8.0)
    electrons = expected_electrons(TARGET.drawing, POSE, CAMERA, Imaging(Optics(0.6)), region)
    light = electrons / np.max(electrons)
    down, across = np.mgrid[-1 : 1 : 1j * region.height, -1 : 1 : 1j * region.width]
    grey = 0.75 * FULL * response(light, across, down) + rng.normal(0.0, NOISE_DN, light.shape)
    picture = Picture(np.rint(grey).clip(0, FULL).astype(np.uint8), region.u0, region.v0, FULL)
    return Observation(picture, CAMERA, TARGET)


def solve(rng, response, count):
    """Squared errors over claims, range errors in mm, χ² over degrees of freedom."""
    found = []
    for _ in range(count):
        pixels = project(CORNERS, POSE, CAMERA) + rng.normal(0.0, 0.1, (4, 2))
        seen = take(rng, response)
        estimate = PhotometricSolver().solve(Detection(Found.FOUND, pixels, CORNERS), seen)
        pose = estimate.T_camera_target_est
        turned = log_rotation(POSE.rotation.T @ pose.rotation)
        error = np.concatenate((turned, pose.translation - POSE.translation))
        squared = error @ np.linalg.solve(estimate.covariance, error)
        found.append((squared, 1e3 * error[5], estimate.chi_square / estimate.degrees))
    return np.array(found).T


@pytest.mark.parametrize("response", [straight, stray])
def test_errors_are_those_claimed(response):
    n = 16
    squared, _, misfit = solve(np.random.default_rng(3), response, n)
    low, high = chi2.ppf([0.5 * RISK, 1.0 - 0.5 * RISK], POSE_PARAMETERS * n)
    # noise learnt from a picture is uncertain by 5 % of its variance, as is widening by χ²
    assert low / 1.1 < np.sum(squared) < 1.1 * high
    assert np.mean(misfit) == pytest.approx(1.0, abs=0.05)


def left_by_parabola(response, black):
    """Share of a curve's mean distance from a line through its ends that a parabola leaves."""
    light = np.linspace(black, 1.0, 1001)
    grey = response(light, 0.0, 0.0)
    over = grey - np.interp(light, light[[0, -1]], grey[[0, -1]])
    bow = (light - black) * (1.0 - light)
    return abs(1.0 - (over @ bow) / (bow @ bow) * np.mean(bow) / np.mean(over))


@pytest.mark.slow
def test_a_curved_response_hardly_shifts_the_range(monkeypatch):
    n = 16
    squared, free, _ = solve(np.random.default_rng(4), curved, n)
    monkeypatch.setattr(photometric, "FREE_LIGHT", LIGHT)
    _, held, _ = solve(np.random.default_rng(4), curved, n)
    # Edges look all open to one side, by what the curve has over a straight line on the way from
    # black to white; that moves the range by tens of claims. A parabola leaves 2 % of it; twice
    # that, since a blurred edge isn't a straight way, and what noise leaves of a mean
    assert abs(np.mean(held)) > 20.0 * np.std(held) / np.sqrt(n)
    share = left_by_parabola(curved, 0.05 / 0.85)
    allowed = 2.0 * share * abs(np.mean(held)) + 4.0 * np.std(free) / np.sqrt(n)
    assert abs(np.mean(free)) < allowed
    assert np.mean(squared) < 2.0 * POSE_PARAMETERS


def some_pixels():
    scene = face_of(take(np.random.default_rng(5), straight), POSE, 0.6, EVEN_NOISE).scene
    return replace(scene, terms=FREE_LIGHT)


def test_light_that_made_grey_values_is_found():
    pixels = some_pixels().pixels
    rng = np.random.default_rng(6)
    reflectance, weights = rng.uniform(0.05, 0.85, len(pixels)), rng.uniform(0.5, 2.0, len(pixels))
    light = np.array([20.0, 180.0, 9.0, -4.0, 3.0, -2.0, 15.0])
    grey = predict(reflectance, light, pixels)
    found = fit_light(reflectance, grey, weights, pixels, FREE_LIGHT)
    assert_allclose(found, light, rtol=1e-9)


def test_derivatives_of_a_curved_response_are_differences():
    scene = some_pixels()
    fit = fit_image(scene, POSE, 0.6, Weigher(EVEN_NOISE))
    light = np.array([20.0, 180.0, 9.0, -4.0, 3.0, -2.0, 40.0])
    pixels, h = scene.pixels, 1e-6
    rows = jacobian(fit.sensitivity, fit.reflectance, light, pixels)
    change = fit.sensitivity[:, 3]
    moved = fit.reflectance.copy()
    moved[: pixels.near] += h * change
    slope = (predict(moved, light, pixels) - predict(fit.reflectance, light, pixels)) / h
    # second order: 40 h times the square of the change, 300 a metre
    assert_allclose(rows[:, 3], slope, atol=40.0 * h * np.max(change**2) + 1e-6)
    for k in range(len(light)):
        step = np.eye(len(light))[k]
        more = predict(fit.reflectance, light + step, pixels)
        assert_allclose(rows[:, 7 + k], more - predict(fit.reflectance, light, pixels), atol=1e-10)
