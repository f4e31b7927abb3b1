"""Light as splines over a plate: their equations, their amplitudes, the score test."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import BSpline
from scipy.stats import binom, multivariate_normal

from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.appearance import FREE_LIGHT
from bench.imaging.illumination import Highlight, Illumination
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.face import face_of
from bench.solve.field_amplitude import (
    LADDER,
    amplitudes_of,
    choose_amplitudes,
    solve_penalised,
)
from bench.solve.field_equations import Equations, field_equations
from bench.solve.image_fit import fit_image
from bench.solve.light_fields import fields_at, light_basis, places_on_plate
from bench.solve.light_score import LEVELS, UNEVEN, light_is_uneven
from bench.solve.noise import noise_of_differences, noise_of_sensor
from bench.solve.weights import Weigher
from bench.targets.design import build_target
from bench.targets.grid import GridDesign
from bench.targets.marker import MarkerDesign

# Pose, blur and a response curve come before the fields.
FIRST = 8
CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
TARGET = build_target(MarkerDesign(size=0.2))
WIDE = build_target(GridDesign("DICT_APRILTAG_36h11", 3, 1, size=0.08, gap=0.02))
SENSOR = Sensor()
NOISE = noise_of_sensor(SENSOR)
POSE = pose_of_view(View(9.0, 0.7, 0.05, 0.1, (900.3, 800.6)), CAMERA)


EVEN = Illumination(0.6)


def take(rng, light=EVEN, target=TARGET):
    region = region_of(target.drawing, POSE, CAMERA, 8.0)
    imaging = Imaging(Optics(0.6), light, SENSOR)
    picture = capture(target.drawing, POSE, CAMERA, imaging, region, rng)
    return Observation(picture, CAMERA, target, SENSOR)


def fitted(rng, light=EVEN, target=TARGET):
    scene = face_of(take(rng, light, target), POSE, 0.6, NOISE).scene
    return scene, fit_image(scene, POSE, 0.6, Weigher(NOISE))


def test_places_are_the_plate_s():
    scene, _ = fitted(np.random.default_rng(1))
    places = places_on_plate(scene, POSE)
    assert np.all(np.abs(places) < 0.5)
    side = TARGET.drawing.width
    points = np.column_stack((places * side, np.zeros(len(places))))
    row, column = np.divmod(scene.pixels.index, scene.pixels.region.width)
    seen = np.column_stack((column + scene.pixels.region.u0, row + scene.pixels.region.v0))
    # single precision of a homography over 100 px
    assert_allclose(project(points, POSE, CAMERA), seen, atol=1e-3)


@pytest.mark.parametrize("target", [TARGET, WIDE])
def test_fields_are_cubic_b_splines_as_scipy_has_them(target):
    scene, _ = fitted(np.random.default_rng(1), target=target)
    basis = light_basis(scene, POSE, 6)
    columns, rows = basis.cells
    assert columns == 6
    assert rows == round(6 * target.drawing.height / target.drawing.width)
    coefficients = np.random.default_rng(2).normal(size=(columns + 3, rows + 3))
    places = places_on_plate(scene, POSE) + 0.5
    design = [
        BSpline.design_matrix(place * cells, np.arange(-3, cells + 4.0), 3).toarray()
        for place, cells in zip(places.T, basis.cells, strict=True)
    ]
    expected = np.einsum("ni,nj,ij->n", *design, coefficients)
    found = fields_at(basis, coefficients.reshape(-1, 1))[:, 0]
    assert_allclose(found, expected, atol=1e-12)


def test_a_plane_costs_nothing_and_nothing_else_is_free():
    scene, _ = fitted(np.random.default_rng(1))
    basis = light_basis(scene, POSE, 5)
    i, j = np.mgrid[0:8, 0:8].astype(float)
    for plane in (np.ones(64), i.ravel(), j.ravel()):
        assert plane @ basis.penalty @ plane == pytest.approx(0.0, abs=1e-9)
    values = np.linalg.eigvalsh(basis.penalty)
    assert np.count_nonzero(values > 1e-9 * values[-1]) == basis.rank == 61


def whole_of(equations):
    """The equations as one matrix and vector: B's own parameters, c, a's and b's in turn."""
    head, band = equations.head, equations.band
    first, size = len(head), len(head) + len(band)
    whole = np.zeros((size, size))
    whole[:first, :first], whole[first:, :first] = head, equations.border
    for j, column in enumerate(band):
        reach = min(len(column), len(band) - j)
        whole[first + j : first + j + reach, first + j] = column[:reach]
        assert not np.any(column[reach:])
    pull = np.concatenate((equations.head_pull, equations.pull))
    return np.tril(whole) + np.tril(whole, -1).T, pull


def some_equations(terms=4):
    """Equations of a picture at random coefficients, and the same by rows written out."""
    scene, fit = fitted(np.random.default_rng(3))
    basis = light_basis(scene, POSE, terms)
    rng = np.random.default_rng(4)
    response, weights = rng.uniform(50, 150, len(scene.grey)), rng.uniform(0.5, 2, len(scene.grey))
    residual = rng.normal(size=len(scene.grey))
    rows = np.zeros((len(residual), FIRST + 2 * basis.size))
    near = scene.pixels.near
    rows[:near, :7] = fit.sensitivity * response[:near, None]
    rows[:, 7] = fit.reflectance**2
    rows[:, FIRST::2] = fields_at(basis, np.eye(basis.size))
    rows[:, FIRST + 1 :: 2] = rows[:, FIRST::2] * fit.reflectance[:, None]
    coefficients = rng.normal(size=1 + 2 * basis.size)
    equations = field_equations(
        basis, fit.sensitivity, fit.reflectance, response, residual, weights, coefficients
    )
    return basis, equations, rows, weights, residual


def test_equations_are_those_of_the_jacobian_written_out():
    _, equations, rows, weights, residual = some_equations()
    information, gradient = whole_of(equations)
    whole = rows.T @ (rows * weights[:, None])
    assert_allclose(information, whole, rtol=1e-9, atol=1e-12 * np.max(whole))
    pull = rows.T @ (weights * residual)
    assert_allclose(gradient, pull, rtol=1e-8, atol=1e-10 * np.max(np.abs(pull)))
    assert equations.left == pytest.approx(float(weights @ residual**2))


@pytest.mark.parametrize("curved", [True, False])
def test_a_band_with_a_border_is_solved_as_numpy_solves_the_whole(curved):
    basis, equations, *_ = some_equations()
    amplitudes = (3.0, 20.0)
    solved = solve_penalised(basis, equations, amplitudes, curved=curved)
    information, gradient = whole_of(equations)
    penalised, pull = information.copy(), gradient.copy()
    for k, amplitude in enumerate(amplitudes):
        own = np.arange(FIRST + k, len(pull), 2)
        cost = basis.penalty / amplitude**2
        penalised[np.ix_(own, own)] += cost
        pull[own] -= cost @ equations.coefficients[1 + k :: 2]
    free = np.flatnonzero((np.arange(len(pull)) != FIRST - 1) | curved)
    inverse = np.zeros_like(penalised)
    inverse[np.ix_(free, free)] = np.linalg.inv(penalised[np.ix_(free, free)])
    # a jitter of 1e-11 and the matrix's condition, 1e5 once it is scaled
    expected = inverse @ pull
    assert_allclose(solved.step(), expected, rtol=1e-5, atol=1e-6 * np.max(np.abs(expected)))
    spent = np.trace(inverse @ information) + (not curved)
    assert solved.spent() == pytest.approx(spent, rel=1e-5)
    known, taken = solved.without_light(curved=curved)
    light = free[free >= FIRST - 1]
    rest = np.linalg.solve(penalised[np.ix_(light, light)], penalised[light, : FIRST - 1])
    left = penalised[: FIRST - 1, : FIRST - 1] - penalised[: FIRST - 1, light] @ rest
    assert_allclose(known, left, rtol=1e-4, atol=1e-6 * np.max(np.abs(left)))
    assert_allclose(taken[light - FIRST + 1], rest, rtol=1e-4, atol=1e-6 * np.max(np.abs(rest)))


def small_problem(rng, amplitude):
    """A field over some random pixels, drawn from its prior on top of a plane, with noise."""
    scene, _ = fitted(np.random.default_rng(5))
    basis = light_basis(scene, POSE, 3)
    few = rng.choice(len(scene.grey), 900, replace=False)
    design = fields_at(basis, np.eye(basis.size))[few]
    values, vectors = np.linalg.eigh(basis.penalty)
    rough = np.where(values > 1e-9, values, np.inf)
    own = amplitude * (vectors @ (rng.normal(size=basis.size) / np.sqrt(rough)))
    return basis, design, design @ own + rng.normal(size=len(few)), vectors, rough


def test_marginal_likelihood_is_that_of_the_whole_picture_as_one_gaussian():
    rng = np.random.default_rng(6)
    basis, design, grey, vectors, rough = small_problem(rng, 3.0)
    size = basis.size
    known, pull = design.T @ design, design.T @ grey
    # nothing else is asked: one of all other parameters, and of b, is known of each
    band = np.zeros((2 * size, 6 * (basis.cells[1] + 3) + 8))
    band[1::2, 0] = 1.0
    for d in range(size):
        band[: 2 * (size - d) : 2, 2 * d : 2 * d + 1] = np.diagonal(known, -d)[:, None]
        if 2 * d + 2 >= band.shape[1]:
            break
    equations = Equations(
        np.eye(FIRST),
        np.zeros(FIRST),
        np.zeros((2 * size, FIRST)),
        band,
        np.column_stack((pull, np.zeros(size))).reshape(-1),
        grey @ grey,
        np.zeros(2 * size + 1),
    )

    def by_parts(amplitude):
        return solve_penalised(basis, equations, (amplitude, 1.0), curved=False).loss

    def as_one_gaussian(amplitude):
        # planes nearly free: a prior so wide that only a constant depends on it
        spread = vectors / np.where(np.isinf(rough), 1e-6, rough / amplitude**2) @ vectors.T
        whole = design @ spread @ design.T + np.eye(len(grey))
        return -2.0 * multivariate_normal(cov=whole).logpdf(grey)

    for amplitude in (0.3, 1.0, 10.0):
        # constants cancel in differences; planes' width leaves 1e-6 of a χ² of hundreds
        assert by_parts(amplitude) - by_parts(3.0) == pytest.approx(
            as_one_gaussian(amplitude) - as_one_gaussian(3.0), abs=0.02
        )
    rungs = choose_amplitudes(basis, equations, 100.0, (4, 4), curved=False)
    found = amplitudes_of(rungs, 100.0)[0]
    losses = [by_parts(float(rung) * 100.0) for rung in LADDER]
    assert found == pytest.approx(float(LADDER[int(np.argmin(losses))]) * 100.0)


def test_even_light_is_hardly_ever_called_uneven():
    rng = np.random.default_rng(7)
    n, alarms = 60, 0
    for _ in range(n):
        scene, fit = fitted(rng)
        alarms += light_is_uneven(scene, fit, Weigher(NOISE)(fit.predicted))
    # three levels share pixels, so that together they err no more often than apart
    assert alarms <= binom.ppf(1.0 - 1e-4, n, len(LEVELS) * UNEVEN)


@pytest.mark.parametrize("sigma", [0.03, 0.1])
def test_a_reflection_of_three_percent_is_noticed(sigma):
    rng = np.random.default_rng(8)
    glare = Illumination(0.6, highlight=Highlight(0.03, 0.02, sigma, 0.03))
    for _ in range(5):
        scene, fit = fitted(rng, glare)
        assert light_is_uneven(scene, fit, Weigher(NOISE)(fit.predicted))


def test_noise_of_neighbours_is_the_sensor_s_whatever_the_light():
    rng = np.random.default_rng(9)
    glare = Illumination(0.6, highlight=Highlight(0.03, 0.02, 0.06, 0.25))
    ratios = []
    for _ in range(10):
        seen = replace(take(rng, glare), sensor=None)
        scene = replace(face_of(seen, POSE, 0.6, NOISE).scene, terms=FREE_LIGHT)
        fit = fit_image(scene, POSE, 0.6, Weigher(NOISE))
        flat = np.arange(len(scene.grey)) >= scene.pixels.near
        left = scene.grey - fit.predicted
        noise = noise_of_differences(scene.pixels, left, fit.predicted, flat)
        level = np.array([float(np.median(fit.predicted))])
        ratios.append(float((noise.variance(level) / NOISE.variance(level))[0]))
    # the mean of ten; clipped squares of some hundred pixels: 10 % each, and light's error 10 %
    # of the level at which it is asked
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.15)
