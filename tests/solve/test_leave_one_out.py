from dataclasses import replace

import numpy as np

from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.appearance import PARAMETERS, POSE, jacobian
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.face import face_of
from bench.solve.image_fit import fit_image, pose_covariance_of
from bench.solve.leave_one_out import leave_one_out_covariance, line_of_pixels
from bench.solve.noise import noise_of_sensor
from bench.solve.weights import Weigher
from bench.targets.circles import CirclesDesign
from bench.targets.design import build_target
from bench.targets.marker import MarkerDesign

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5, (-0.1, 0.02, 0.0, 0.0, 0.0))
TARGET = build_target(MarkerDesign(size=0.2))
NOISE = noise_of_sensor(Sensor())
POSE_TRUE = pose_of_view(View(9.0, 0.7, 0.05, 0.1, (900.3, 800.6)), CAMERA)


def observe(rng, target=TARGET, pose=POSE_TRUE):
    region = region_of(target.drawing, pose, CAMERA, 8.0)
    picture = capture(target.drawing, pose, CAMERA, Imaging(Optics(0.6)), region, rng)
    return Observation(picture, CAMERA, target, Sensor())


def fit(observation, pose=POSE_TRUE):
    scene = face_of(observation, pose, 0.6, NOISE).scene
    return scene, fit_image(scene, pose, 0.6, Weigher(NOISE))


def test_pixels_go_to_the_line_of_the_edge_that_they_show():
    scene, _ = fit(observe(np.random.default_rng(1)))
    line = line_of_pixels(scene, POSE_TRUE)
    # eight by eight cells of one size: nine lines each way
    assert len(np.unique(line)) == 18
    cell = 0.2 / 8
    place = dict(zip(scene.pixels.index.tolist(), line.tolist(), strict=True))
    region = scene.pixels.region

    def line_at(x, y):
        ((u, v),) = np.round(project(np.array([[x, y, 0.0]]), POSE_TRUE, CAMERA)).astype(int)
        return place[int((v - region.v0) * region.width + u - region.u0)]

    # the black frame's left side is one line all along, and not that of its top or its right
    left = {line_at(-4 * cell, y * cell) for y in (-3.0, -1.0, 2.0)}
    assert len(left) == 1
    assert line_at(4 * cell, 0.0) not in left
    assert line_at(0.0, 4 * cell) not in left


def test_each_disc_stands_alone():
    target = build_target(CirclesDesign(5, 4, 0.05, 0.03))
    pose = pose_of_view(View(6.0, 0.5), CAMERA)
    scene, _ = fit(observe(np.random.default_rng(2), target, pose), pose)
    line = line_of_pixels(scene, pose)
    assert len(np.unique(line)) == 20


def expected_where_the_model_is_right(scene, best):
    """E[V]: g_k has the covariance H_k - H_k H⁻¹ H_k, so that V's is Σ (H - H_k)⁻¹ H_k H⁻¹."""
    line = line_of_pixels(scene, best.pose)
    rows = jacobian(best.sensitivity, best.reflectance, best.light, scene.pixels)
    parts = [(rows[line == k] * best.weights[line == k, None]).T @ rows[line == k]
             for k in range(18)]  # fmt: skip
    whole = sum(parts)
    inverse = np.linalg.inv(whole)
    total = sum(np.linalg.solve(whole - part, part @ inverse) for part in parts)
    return 17.0 / 18.0 * total[:POSE, :POSE]


def test_where_the_model_is_right_it_is_what_theory_expects_and_no_less_than_needed():
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(24):
        scene, best = fit(observe(rng))
        expected = expected_where_the_model_is_right(scene, best)
        found = leave_one_out_covariance(scene, best)
        ratios.append(np.trace(np.linalg.solve(expected, found)) / POSE)
        needed = pose_covariance_of(best.information)
        root = np.linalg.cholesky(needed)
        inner = np.linalg.solve(root, np.linalg.solve(root, expected).T)
        # x/(1 - x) is convex; 1e-2 for derivatives that the fit kept from a step before
        assert np.min(np.linalg.eigvalsh(0.5 * (inner + inner.T))) > 1.0 - 1e-2
    # each ratio is positive; its scatter is taken from the 24 themselves
    assert abs(np.mean(ratios) - 1.0) < 4.0 * np.std(ratios, ddof=1) / np.sqrt(24)


def test_a_line_that_is_off_is_seen_in_what_it_pulls():
    scene, best = fit(observe(np.random.default_rng(6)))
    honest = leave_one_out_covariance(scene, best)
    line = line_of_pixels(scene, best.pose)
    near = np.arange(len(line)) < scene.pixels.near
    off = scene.grey + np.where(near & (line == line[0]), 10.0, 0.0)
    spoiled = replace(scene, grey=off)
    pulled = fit_image(spoiled, best.pose, best.blur_px, Weigher(NOISE))
    moved = pulled.pose.translation - best.pose.translation
    wider = leave_one_out_covariance(spoiled, pulled)
    assert np.trace(wider[:3, :3]) > 2.0 * np.trace(honest[:3, :3])
    # the pose without the line is the pose before: within what is claimed
    assert moved @ np.linalg.solve(wider[3:, 3:], moved) < 4.0


def test_too_few_lines_give_no_answer():
    target = build_target(CirclesDesign(3, 3, 0.05, 0.03))
    pose = pose_of_view(View(5.0, 0.5), CAMERA)
    scene, best = fit(observe(np.random.default_rng(7), target, pose), pose)
    assert len(np.unique(line_of_pixels(scene, pose))) <= PARAMETERS
    assert leave_one_out_covariance(scene, best) is None


def test_none_where_one_line_alone_decides(monkeypatch):
    scene, best = fit(observe(np.random.default_rng(8)))
    assert leave_one_out_covariance(scene, best) is not None
    line = np.arange(len(scene.grey)) % 30 + 1
    line[: scene.pixels.near] = 0  # all edges in one
    monkeypatch.setattr("bench.solve.leave_one_out.line_of_pixels", lambda *_: line)
    assert leave_one_out_covariance(scene, best) is None
