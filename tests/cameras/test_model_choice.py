"""Simulated lenses and boards: what views left out choose, and how wide claims are."""

import numpy as np
import pytest
from scipy import stats

from bench.cameras.adjustment import BoardView, State, adjust
from bench.cameras.calibration import ONLY_WIDE, Sighting, calibrate_from
from bench.cameras.intrinsics import LensModel, calibrate
from bench.cameras.lenses import predict
from bench.cameras.model_choice import Freedom, choose, claimed
from bench.cameras.projection_uncertainty import projected_covariance, projection_map
from bench.cameras.resampling import jackknife, left_out, widening
from bench.cameras.wide_lenses import wide_lens
from bench.geometry.camera import Camera, ray
from bench.geometry.lens_models import BROWN, FISHEYE
from bench.geometry.viewing import View, pose_of_view
from bench.targets.bend import bend_modes
from bench.targets.chessboard import ChessboardDesign, build_chessboard

SIZE = (1280, 960)
BOARD = build_chessboard(ChessboardDesign(columns=9, rows=6, square=0.025)).points
P_TARGET = np.column_stack((BOARD, np.zeros(len(BOARD))))
EXTENT = (0.2, 0.125)
TILTS = [(0.5, 0.1), (-0.5, 0.2), (0.1, 0.5), (0.0, -0.5), (0.35, 0.35), (-0.4, -0.3)]
PLACES = [(400, 330), (880, 330), (400, 640), (880, 640), (640, 480), (700, 420)]
PINHOLE = (1400.0, 1400.0, 645.0, 470.0)


def smooth_patterns():
    """What motion, focus or an uneven board do: constant to cubic over the board, RMS 1 each."""
    x, y = (BOARD / BOARD.max(axis=0)).T
    patterns = np.column_stack((x**0, x, y, x * x, y * y, x * y, x**3, y**3))
    return patterns / np.sqrt(np.mean(patterns**2, axis=0))


def simulated(family, values, *, bend=(0.0, 0.0, 0.0), noise=0.1, shared=0.0, seed=0, views=12):
    """Views of a board bent by `bend`, metres, by a lens; errors of a view in part shared."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 17]))
    camera = Camera(*SIZE, *values[:4])
    p_true = P_TARGET + np.outer(bend_modes(BOARD, *EXTENT) @ bend, (0.0, 0.0, 1.0))
    patterns, found = smooth_patterns(), []
    for i in range(views):
        turn, pitch = TILTS[i % 6]
        distance = (0.45 + 0.03 * i) * values[0] / 1400.0
        view = View(distance, turn=turn, pitch=pitch, roll=0.3 * i, pixel=PLACES[i % 6])
        pixels, _, _ = predict(family, np.array(values), pose_of_view(view, camera) @ p_true)
        pixels = pixels + rng.normal(0.0, noise, pixels.shape)
        amplitudes = rng.normal(0.0, shared / np.sqrt(patterns.shape[1]), (patterns.shape[1], 2))
        found.append(BoardView(f"view {i}", pixels + patterns @ amplitudes, P_TARGET))
    return found


def brown(k1=0.0, k2=0.0, p1=0.0, p2=0.0, k3=0.0, **kwargs):
    return simulated(BROWN, (*PINHOLE, k1, k2, p1, p2, k3), **kwargs)


@pytest.mark.parametrize(
    ("lens", "model"),
    [
        ({"k1": -0.2, "k2": 0.1}, LensModel(True, False, False, 2)),
        pytest.param(
            {"k1": -0.2, "k2": 0.1, "p1": 2e-3, "p2": -2e-3},
            LensModel(True, False, True, 2),
            marks=pytest.mark.slow,
        ),
        pytest.param({}, LensModel(True, False, False, 0), marks=pytest.mark.slow),
        pytest.param({"k1": -0.1}, LensModel(True, False, False, 1), marks=pytest.mark.slow),
        pytest.param(
            {"k1": -0.2, "k2": 0.1, "k3": -0.6},
            LensModel(True, False, False, 3),
            marks=pytest.mark.slow,
        ),
    ],
)
def test_lens_that_was_simulated_is_chosen_also_where_errors_are_shared(lens, model):
    # every term moves points by several tenths of a pixel that no pose and no lesser term makes
    # up for; errors are 0.11 px
    choice = choose(brown(**lens, shared=0.05), SIZE, Freedom(shape=0))
    assert choice.model == model
    assert "views left out are predicted to" in choice.words[0]


def test_what_is_asked_for_is_held_and_nothing_compared():
    views = brown(k1=-0.2, k2=0.1)
    freedom = Freedom(False, True, 3, 0)
    choice = choose(views, SIZE, freedom)
    assert (choice.model, choice.shape, choice.words) == (LensModel(), 0, ())


def test_three_views_are_too_few_to_compare_and_it_is_said():
    choice = choose(brown(k1=-0.2, k2=0.1, views=3), SIZE, Freedom())
    assert choice.model == LensModel()
    assert "too few to compare" in choice.words[0]


def test_bow_and_twist_of_the_board_come_back_within_their_uncertainty():
    bend = (4e-4, -3e-4, 2e-4)
    views = brown(k1=-0.2, k2=0.1, bend=bend)
    model = LensModel(True, False, False, 2)
    calibration = calibrate(views, SIZE, model, shape=3)
    sigma = calibration.shape_uncertainties
    # three numbers within 4 standard uncertainties: chance of a false alarm below 2e-4
    assert np.all(np.abs(calibration.shape - bend) < 4.0 * sigma)
    assert np.all(sigma < 5e-5)  # m: the comparison isn't idle
    flat = calibrate(views, SIZE, model)
    assert flat.rmse_px > 1.2 * calibration.rmse_px


@pytest.mark.parametrize(("bend", "shape"), [((0.0, 0.0, 0.0), 0), ((4e-4, 2e-4, 0.0), 2)])
def test_shape_of_the_board_is_judged_like_the_lens(bend, shape):
    freedom = Freedom(True, False, 2)
    choice = choose(brown(k1=-0.2, k2=0.1, bend=bend, shared=0.05), SIZE, freedom)
    assert choice.shape == shape


def wide(family, values, focal=600.0):
    """Views that fill the frame of a wide lens; the shorter the focal length, the farther out."""
    rng = np.random.default_rng(np.random.SeedSequence([5]))
    x, y = np.meshgrid(np.linspace(-0.2, 0.2, 11), np.linspace(-0.14, 0.14, 8))
    board = np.column_stack((x.ravel(), y.ravel(), np.zeros(88)))
    camera, found = Camera(*SIZE, focal, focal, 645.0, 470.0), []
    places = [(250, 200), (1030, 200), (250, 760), (1030, 760), (640, 480), (700, 420)]
    for i in range(14):
        turn, pitch = TILTS[i % 6]
        view = View(0.34 + 0.02 * i, turn=turn, pitch=pitch, roll=0.3 * i, pixel=places[i % 6])
        pixels, _, _ = predict(family, np.array(values), pose_of_view(view, camera) @ board)
        inside = np.all((pixels > 0) & (pixels < np.array(SIZE) - 1), axis=1)
        pixels = pixels + rng.normal(0.0, 0.1, pixels.shape)
        found.append(BoardView(f"view {i}", pixels[inside], board[inside]))
    return found


WIDE_PINHOLE = (600.0, 600.0, 645.0, 470.0)


@pytest.mark.parametrize(
    ("family", "lens", "asked"),
    [
        (FISHEYE, (-0.02, 0.005, 0.0, 0.0, 0.0, 0.0), FISHEYE),
        (BROWN, (-0.1, 0.01, 0.0, 0.0, 0.0), None),
    ],
)
def test_wide_lens_is_asked_for_only_where_residuals_do(family, lens, asked):
    views = wide(family, (*WIDE_PINHOLE, *lens))
    model = LensModel(True, False, False, 2)
    found = wide_lens(views, calibrate(views, SIZE, model))
    assert (found and found.family) == asked
    if found is None:
        return
    # a point's errors have 0.1 px a coordinate, 0.141 px; a view left out adds little to it
    assert found.held_out_px < 0.16 < found.brown_px
    assert f"--lens {asked}" in found.words


@pytest.mark.slow
def test_lens_that_brown_conrady_can_t_describe_is_taken_as_a_wide_one_and_said_so():
    lens = (350.0, 350.0, 645.0, 470.0, 0.05, -0.01, 0.0, 0.0, 0.0, 0.0)
    sightings = [Sighting(view, "used") for view in wide(FISHEYE, lens, focal=500.0)]
    run = calibrate_from(sightings, SIZE, Freedom(True, False, 2, 0))
    assert run.calibration.camera.model == FISHEYE
    assert run.choice.words[0] == ONLY_WIDE.format(FISHEYE)
    # points have 0.1 px a coordinate, 0.141 px
    assert run.calibration.rmse_px < 0.16


def test_jackknife_of_a_mean_is_its_textbook_variance():
    # Efron and Stein (1981): for a mean it equals s²/n exactly
    values = np.random.default_rng(3).normal(0.0, 1.0, 9)
    others = np.array([np.delete(values, i).mean() for i in range(9)])
    moves = (others - values.mean())[:, None]
    assert jackknife(moves)[0, 0] == pytest.approx(np.var(values, ddof=1) / 9)


def test_left_out_views_move_a_linear_fit_as_a_fit_without_them():
    rng = np.random.default_rng(4)
    jacobians = [rng.normal(0.0, 1.0, (10, 3)) for _ in range(6)]
    seen = [rng.normal(0.0, 1.0, 10) for _ in range(6)]
    whole = np.linalg.lstsq(np.vstack(jacobians), np.concatenate(seen), rcond=None)[0]
    residuals = [(y - j @ whole).reshape(5, 2) for j, y in zip(jacobians, seen, strict=True)]
    moves, rmse = left_out(jacobians, residuals)
    for i in range(6):
        rest = [k for k in range(6) if k != i]
        fit = np.linalg.lstsq(
            np.vstack([jacobians[k] for k in rest]),
            np.concatenate([seen[k] for k in rest]),
            rcond=None,
        )[0]
        np.testing.assert_allclose(whole + moves[i], fit, rtol=1e-9)
        distance = (seen[i] - jacobians[i] @ fit).reshape(5, 2)
        assert rmse[i] == pytest.approx(np.sqrt(np.mean(np.sum(distance**2, axis=1))))


def test_claims_widen_where_errors_are_shared_and_hardly_where_not():
    model = LensModel(True, False, False, 2)
    alone = calibrate(brown(k1=-0.2, k2=0.1), SIZE, model)
    shared = calibrate(brown(k1=-0.2, k2=0.1, shared=0.15), SIZE, model)
    # the trace over 5 directions of a covariance from 12 views scatters by sqrt(2 / 55) of it, a
    # fifth: 3 of these above 1 are a widening of sqrt(1.6)
    assert 1.0 <= alone.widening < 1.3
    # the errors' smooth part, 0.15 px, carries almost all of it: 54 points are then hardly more
    # than 8 patterns, sqrt(54 / 8) = 2.6 at full share
    assert shared.widening > 1.5
    assert widening(np.zeros((12, 5)), np.eye(5)) == 1.0
    assert widening(np.zeros((12, 0)), np.eye(0)) == 1.0


def test_uncertainty_of_a_projected_point_is_least_among_the_boards_and_grows_far_away():
    calibration = calibrate(brown(k1=-0.2, k2=0.1), SIZE, LensModel(True, False, False, 2))
    found = projection_map(calibration, columns=8)
    near, middle, far, away = found.sigma_px
    assert np.nanmax(middle) < np.nanmax(away)
    assert np.all(away > middle)
    row, column = np.unravel_index(np.nanargmin(middle), middle.shape)
    assert 0 < row < len(found.v) - 1
    assert 0 < column < len(found.u) - 1
    assert near.shape == far.shape == (len(found.v), len(found.u))


def by_another_lens(values, p_camera, exact, views):
    """Image of points (N, 3), held in the boards' frames, by a lens to which boards are fitted."""
    moved = []
    for view, true in zip(views, exact.poses, strict=True):
        held = State(BROWN, values, np.zeros((9, 0)), (true,))  # its pose alone is free
        fitted, _ = adjust([view], held)
        moved.append(fitted.poses[0] @ (true.inverse() @ p_camera))
    return predict(BROWN, values, np.mean(moved, axis=0))[0]


@pytest.mark.slow
def test_claims_cover_the_truth_in_nine_of_ten_calibrations_whose_errors_are_shared():
    # n = 200 calibrations, seeds 0 to 199: 12 views, 0.1 px of independent errors and 0.15 px
    # shared within a view
    n, model = 200, LensModel(True, False, False, 2)
    truth = np.array([1400.0, 645.0, 470.0, -0.2, 0.1])
    noise_free = brown(k1=-0.2, k2=0.1, noise=0.0)
    exact = calibrate(noise_free, SIZE, model)
    pixels = np.array([[640.0, 480.0], [100.0, 100.0], [1200.0, 850.0]])
    rays = np.column_stack(((pixels - PINHOLE[2:]) / 1400.0, np.ones(3)))
    points = np.vstack((0.6 * rays, 600.0 * rays))
    target = predict(BROWN, exact.values, points)[0]
    parameters, projections, start = [], [], exact.state
    for seed in range(n):
        views = brown(k1=-0.2, k2=0.1, shared=0.15, seed=seed)
        calibration = calibrate(views, SIZE, model, start=start)
        error = calibration.values[1:6] - truth
        parameters.append(np.abs(error) <= 2.0 * calibration.standard_uncertainties[1:6])
        missed = by_another_lens(calibration.values, points, exact, noise_free) - target
        sigma = np.sqrt(np.diagonal(projected_covariance(calibration, points), axis1=1, axis2=2))
        projections.append(np.abs(missed) <= 2.0 * sigma)
    for covered in (np.array(parameters), np.array(projections).reshape(n, -1)):
        # each must cover 90 % at least; a claim that covers 95 % falls short of this bound by
        # chance in fewer than 1 of 1000 sets
        assert covered.mean() >= 0.90
        assert np.all(covered.sum(axis=0) >= stats.binom.ppf(1e-3, n, 0.95))


@pytest.mark.slow
def test_claims_cover_the_truth_where_small_terms_are_held_by_choice():
    # n = 40 calibrations, seeds 0 to 39, of a lens whose tangential terms and k3 move points by
    # less than the choice can see (it holds them in most); errors 0.1 px independent and 0.1 px
    # shared within a view
    n, lens = 40, {"k1": -0.2, "k2": 0.1, "p1": 3e-4, "p2": -2e-4, "k3": 0.03}
    noise_free = brown(**lens, noise=0.0)
    exact = calibrate(noise_free, SIZE, LensModel(True))
    pixels = np.array([[640.0, 480.0], [250.0, 200.0], [1050.0, 780.0], [1200.0, 850.0]])
    rays = ray(pixels, exact.camera)
    points = np.vstack((0.6 * rays, 600.0 * rays))
    target = predict(BROWN, exact.values, points)[0]
    found, held = [], 0
    for seed in range(n):
        views = brown(**lens, shared=0.1, seed=seed)
        choice = choose(views, SIZE, Freedom(shape=0))
        held += not choice.model.tangential
        own = calibrate(views, SIZE, choice.model)
        calibration = claimed(own, views, SIZE, choice)
        assert calibration.camera == own.camera
        missed = by_another_lens(calibration.values, points, exact, noise_free) - target
        sigma = np.sqrt(np.diagonal(projected_covariance(calibration, points), axis1=1, axis2=2))
        found.append(np.abs(missed) <= 2.0 * sigma)
    assert held > n / 2  # the comparison isn't idle
    assert np.mean(found) >= 0.90
