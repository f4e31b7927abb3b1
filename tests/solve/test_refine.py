"""Refinement agrees with the camera model, and ends at a minimum."""

import numpy as np
from numpy.testing import assert_allclose

from bench.detect.detection import Detection, Found
from bench.geometry.camera import Camera, pose_jacobian, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import View, pose_of_view
from bench.solve.points import PlanarPoints, planar_points
from bench.solve.refine import NORMAL_HELD, _lens, _normal_equations, fit_of, refine
from bench.typing import Array


def seen(p_target: Array, pixels: Array, camera: Camera) -> PlanarPoints:
    points = planar_points(Detection(Found.FOUND, pixels, p_target), camera)
    assert points is not None
    return points


def test_compiled_projection_and_derivatives_are_those_of_the_camera_model(
    lens: Camera, grid: Array
) -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        turn, pitch, roll = rng.uniform(-1.3, 1.3, 3)
        pose = pose_of_view(View(rng.uniform(1, 9), turn, pitch, roll, (1700.0, 500.0)), lens)
        pixels = project(grid, pose, lens) + rng.normal(0.0, 1.0, (len(grid), 2))
        sse, normal, gradient = _normal_equations(
            np.array(pose.rotation), np.array(pose.translation), grid, pixels, _lens(lens)
        )
        jacobian = pose_jacobian(grid, pose, lens).reshape(-1, 6)
        residual = (pixels - project(grid, pose, lens)).reshape(-1)
        # sums of 40 products: rounding, 40 * 2e-16 of the largest; residuals carry that of
        # pixel coordinates, 2448 px * 2e-16, amplified by a few operations
        scale = np.sqrt(np.outer(np.diag(normal), np.diag(normal)))
        assert_allclose(normal / scale, jacobian.T @ jacobian / scale, atol=1e-13)
        assert_allclose(sse, residual @ residual, rtol=1e-10)
        assert_allclose(
            gradient / np.sqrt(np.diag(normal)),
            jacobian.T @ residual / np.sqrt(np.diag(normal)),
            atol=1e-10,
        )


def test_refinement_of_exact_points_returns_the_pose(lens: Camera, square: Array) -> None:
    pose = pose_of_view(View(6.0, 0.6, -0.3, 0.4, (900.0, 700.0)), lens)
    start = Pose(pose.rotation @ exp_rotvec(np.array([0.1, -0.1, 0.1])), 1.1 * pose.translation)
    points = seen(square, project(square, pose, lens), lens)
    fit = refine(start.rotation, start.translation, points, lens)
    # residuals end at rounding, 1e-11 px; divided by the sensitivities of this view, some
    # 50 px/rad and 20 px/m along the line of sight, that is below 1e-11
    assert_allclose(fit.rotation, pose.rotation, atol=1e-11)
    assert_allclose(fit.translation, pose.translation, atol=1e-11)


def test_refinement_ends_where_the_gradient_vanishes(lens: Camera, grid: Array) -> None:
    rng = np.random.default_rng(2)
    pose = pose_of_view(View(6.0, 0.5, 0.2, 0.4), lens)
    points = seen(grid, project(grid, pose, lens) + rng.normal(0.0, 0.2, (20, 2)), lens)
    fit = refine(pose.rotation, pose.translation, points, lens)
    _, normal, gradient = _normal_equations(
        fit.rotation, fit.translation, grid, points.pixels, _lens(lens)
    )
    # the way left to go, in squared error: gᵀ(JᵀJ)⁻¹g, under the stopping rule's 1e-14
    # of the error with a factor for the step that was still taken
    assert gradient @ np.linalg.solve(normal, gradient) < 1e-13 * fit.sse_px2
    assert fit.sse_px2 < fit_of(pose.rotation, pose.translation, points, lens).sse_px2


def test_holding_the_normal_changes_all_else(lens: Camera, square: Array) -> None:
    pose = pose_of_view(View(6.0, 0.5, 0.2, 0.4), lens)
    points = seen(square, project(square, pose, lens), lens)
    tilted = pose.rotation @ exp_rotvec(np.array([0.2, 0.0, 0.0]))
    fit = refine(tilted, pose.translation, points, lens, NORMAL_HELD)
    # products of a few dozen rotations, each exact to 1e-16
    assert_allclose(fit.rotation[:, 2], tilted[:, 2], atol=1e-14)
    assert fit.sse_px2 < fit_of(tilted, pose.translation, points, lens).sse_px2
    _, _, gradient = _normal_equations(
        fit.rotation, fit.translation, square, points.pixels, _lens(lens)
    )
    assert np.max(np.abs(gradient[2:])) < 1e-6 * np.max(np.abs(gradient[:2]))


def test_a_start_behind_the_camera_has_infinite_error(lens: Camera, square: Array) -> None:
    pose = pose_of_view(View(3.0, 0.5), lens)
    points = seen(square, project(square, pose, lens), lens)
    assert refine(pose.rotation, -pose.translation, points, lens).sse_px2 == np.inf
    broken = refine(np.full((3, 3), np.nan), pose.translation, points, lens)
    assert broken.sse_px2 == np.inf
