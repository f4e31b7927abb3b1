"""The calibration's adjustment against Ceres Solver, which shares no code with it.

Projection is written here from OpenCV's documentation (Camera Calibration and 3D Reconstruction;
Brown 1966), its Jacobian by complex steps (Squire and Trapp 1998, doi:10.1137/S003614459631241X),
so that what is compared shares neither model, derivatives, parameters of the pose nor solver.
"""

import numpy as np
import pytest

from bench.cameras.adjustment import BoardView
from bench.cameras.intrinsics import LensModel, calibrate
from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view

pyceres = pytest.importorskip("pyceres")

SIZE = (1280, 960)
LENS = np.array([1400.0, 1403.0, 645.0, 470.0, -0.2, 0.1, 5e-4, -3e-4, 0.02])
BEND = np.array([4e-4, -3e-4, 2e-4])  # m
HALF = np.array([0.1, 0.0625])  # m, of the points' extent, which the bend's sizes refer to
TILTS = [(0.5, 0.1), (-0.5, 0.2), (0.1, 0.5), (0.0, -0.5), (0.35, 0.35), (-0.4, -0.3)]
PLACES = [(400, 330), (880, 330), (400, 640), (880, 640), (640, 480), (700, 420)]
SIGMA_PX = 0.2
STEP = 1e-30


def board():
    x, y = np.meshgrid(np.linspace(-1.0, 1.0, 9), np.linspace(-1.0, 1.0, 6))
    return np.column_stack((HALF[0] * x.ravel(), HALF[1] * y.ravel(), np.zeros(54)))


def turned(r, p):
    """Points (..., N, 3) turned by rotation vectors (..., 3), Rodrigues' formula."""
    angle = np.sqrt(np.sum(r * r, axis=-1))[..., None]
    axis = r / angle
    angle, axis = angle[..., None], np.broadcast_to(axis[..., None, :], p.shape)
    along = np.sum(axis * p, axis=-1, keepdims=True)
    return (
        p * np.cos(angle) + np.cross(axis, p) * np.sin(angle) + axis * along * (1 - np.cos(angle))
    )


def image(numbers, p_board):
    """Pixels (..., N, 2) by numbers (..., 18): lens, bend, rotation vector, translation."""
    lens, bend, r, t = (numbers[..., a:b] for a, b in ((0, 9), (9, 12), (12, 15), (15, 18)))
    X, Y = p_board[:, 0] / HALF[0], p_board[:, 1] / HALF[1]
    height = bend @ np.stack((X * X, Y * Y, X * Y))
    flat = np.broadcast_to(p_board, (*height.shape, 3))
    p = turned(r, np.concatenate((flat[..., :2], height[..., None]), axis=-1)) + t[..., None, :]
    x, y = p[..., 0] / p[..., 2], p[..., 1] / p[..., 2]
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = np.moveaxis(lens, -1, 0)[..., None]
    s = x * x + y * y
    radial = 1 + s * (k1 + s * (k2 + s * k3))
    u = x * radial + 2 * p1 * x * y + p2 * (s + 2 * x * x)
    v = y * radial + p1 * (s + 2 * y * y) + 2 * p2 * x * y
    return np.stack((fx * u + cx, fy * v + cy), axis=-1)


class Reprojection(pyceres.CostFunction):
    """All points of one view."""

    def __init__(self, view):
        super().__init__()
        self.view = view
        self.set_num_residuals(view.pixels.size)
        self.set_parameter_block_sizes([9, 3, 3, 3])

    def Evaluate(self, parameters, residuals, jacobians):
        numbers = np.concatenate([np.array(block) for block in parameters])
        residuals[:] = (image(numbers, self.view.p_target) - self.view.pixels).ravel()
        if jacobians is not None:
            steps = numbers + 1j * STEP * np.eye(18)
            by_number = image(steps, self.view.p_target).imag.reshape(18, -1).T / STEP
            for block, first, last in zip(jacobians, (0, 9, 12, 15), (9, 12, 15, 18), strict=True):
                if block is not None:
                    block[:] = by_number[:, first:last].ravel()
        return True


def views_and_poses(bend):
    rng = np.random.default_rng(np.random.SeedSequence([17, 1]))
    camera, views, poses = Camera(*SIZE, *LENS[:4]), [], []
    for i in range(12):
        turn, pitch = TILTS[i % 6]
        view = View(0.45 + 0.03 * i, turn=turn, pitch=pitch, roll=0.3 * i, pixel=PLACES[i % 6])
        pose = pose_of_view(view, camera)
        pose = np.concatenate((pose.rotvec, pose.translation))
        pixels = image(np.concatenate((LENS, bend, pose)), board())
        pixels = pixels + rng.normal(0.0, SIGMA_PX, pixels.shape)
        views.append(BoardView(f"view {i}", pixels, board()))
        poses.append(pose)
    return views, poses


def by_ceres(views, poses, shape):
    """Lens and bend, and their covariance for 1 px², from a start that isn't ours."""
    lens, bend = np.array([1300.0, 1300.0, 639.5, 479.5, 0, 0, 0, 0, 0]), np.zeros(3)
    problem, costs = pyceres.Problem(), [Reprojection(view) for view in views]
    starts = [(pose[:3] + 0.02, pose[3:] * 1.05) for pose in poses]  # Ceres writes into these
    for cost, start in zip(costs, starts, strict=True):
        problem.add_residual_block(cost, None, [lens, bend, *start])
    if not shape:
        problem.set_parameter_block_constant(bend)
    options = pyceres.SolverOptions()
    options.linear_solver_type = pyceres.LinearSolverType.DENSE_QR
    options.max_num_iterations = 60
    options.function_tolerance = options.gradient_tolerance = options.parameter_tolerance = 1e-13
    summary = pyceres.SolverSummary()
    pyceres.solve(options, problem, summary)
    assert summary.IsSolutionUsable()
    blocks = [lens, bend] if shape else [lens]
    options = pyceres.CovarianceOptions()
    options.algorithm_type = pyceres.CovarianceAlgorithmType.DENSE_SVD
    covariance = pyceres.Covariance(options)
    pairs = [(a, b) for i, a in enumerate(blocks) for b in blocks[i:]]
    assert covariance.compute(pairs, problem)
    whole = np.block([[covariance.get_covariance_block(a, b) for b in blocks] for a in blocks])
    return np.concatenate(blocks), whole


@pytest.mark.parametrize("shape", [0, 3])
def test_values_and_covariance_are_those_of_ceres(shape):
    views, poses = views_and_poses(BEND if shape else np.zeros(3))
    ours = calibrate(views, SIZE, LensModel(), shape)
    values, cofactor = by_ceres(views, poses, shape)
    wider = np.repeat((ours.widening, ours.shape_widening), (len(LENS), shape)) * ours.sigma_px
    claimed = np.outer(wider, wider) * cofactor
    sigma = np.sqrt(np.diag(claimed))
    # one minimum: either stops where a step lessens the sum of squares by less than 1e-12 of it,
    # that is by 1e-9 of a coordinate's variance, so within 1e-4 standard uncertainties of it
    own = np.concatenate((ours.values, ours.shape))
    np.testing.assert_allclose((own - values) / sigma, 0.0, atol=1e-3)
    # derivatives of second order move the covariance by less than such a step
    correlations = [c / np.outer(sigma, sigma) for c in (ours.joint, claimed)]
    np.testing.assert_allclose(*correlations, atol=1e-3)
    assert np.all(np.abs(values[:4] - LENS[:4]) < 4.0 * sigma[:4])  # and it is the truth's
