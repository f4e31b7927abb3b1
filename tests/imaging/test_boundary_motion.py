from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.geometry.camera import intrinsics_jacobian, pose_jacobian, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.boundary_motion import moved_sensitivity, points_on_face
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.region import region_of
from bench.imaging.sensitivity import blurred_sensitivity
from bench.solve.response import PRINT, face_shift
from bench.targets.bend import Bend, bend_modes
from bench.targets.target import Target

VIEW = View(2.5, turn=0.6, pitch=-0.2, roll=0.15, pixel=(500.3, 400.6))
SIGMA_PX, STEP_PX = 1.1, 0.04
# kernels are cut where they are 2.2e-3 of their largest; a central difference over steps of
# STEP_PX errs by step²/6 of the third derivative: as in test_sensitivity
ATOL = 2.2e-3 + (STEP_PX / SIGMA_PX) ** 2 / 6.0
BENDS = [None, Bend(1.5e-3, -1e-3, 0.8e-3)]


def scene(drawing, bend, camera):
    bent = replace(drawing, bend=bend)
    pose = pose_of_view(VIEW, camera)
    return bent, pose, region_of(bent, pose, camera, 6.0)


def picture(drawing, pose, camera, region):
    chords = project_chords(drawing, pose, camera)
    return blurred_image(chords, drawing.background, SIGMA_PX, region).ravel()


@pytest.mark.parametrize("lens", ["pinhole", "barrel"])
@pytest.mark.parametrize("bend", BENDS, ids=["flat", "bent"])
def test_motion_by_the_pose_gives_the_pose_s_sensitivity(bend, lens, mixed_drawing, request):
    camera = request.getfixturevalue(lens)
    drawing, pose, region = scene(mixed_drawing, bend, camera)
    chords = project_chords(drawing, pose, camera)
    places = np.full((region.height, region.width), -1)
    wanted = np.random.default_rng(3).permutation(places.size)[:3000]
    places.flat[wanted] = np.arange(3000)
    whole = blurred_sensitivity(chords, pose, camera, SIGMA_PX, region, places)[:, :6]
    moved = moved_sensitivity(
        chords,
        pose,
        camera,
        SIGMA_PX,
        region,
        lambda p: pose_jacobian(p, pose, camera),
        places,
    )
    # one quadrature, two ways to the points: a chord's own ray is off by its curve's s, thrice
    # its deviation, along it: 1.5e-3 px over 100 px of plate, on which velocities change by half
    assert_allclose(moved / np.ptp(whole, axis=0), whole / np.ptp(whole, axis=0), atol=1e-5)


@pytest.mark.parametrize("bend", BENDS, ids=["flat", "bent"])
@pytest.mark.parametrize("mode", range(3))
def test_the_picture_s_change_by_a_bend_is_that_of_the_budget_s_modes(
    mode, bend, mixed_drawing, barrel
):
    drawing, pose, region = scene(mixed_drawing, bend, barrel)
    target = Target("x", "marker", drawing)
    change = moved_sensitivity(
        project_chords(drawing, pose, barrel),
        pose,
        barrel,
        SIGMA_PX,
        region,
        lambda p: face_shift(p, pose, barrel, target).reshape(-1, 2, 5),
    )[:, len(PRINT) + mode]
    step = STEP_PX / (barrel.fx / VIEW.range_m)  # of a shift across the line of sight
    own = drawing.bend or Bend()
    sizes = np.array([own.across, own.up, own.twist])

    def bent(amount):
        moved = sizes + amount * np.eye(3)[mode]
        return picture(replace(drawing, bend=Bend(*moved)), pose, barrel, region)

    numeric = (bent(step) - bent(-step)) / (2.0 * step)
    scale = np.max(np.abs(numeric))
    assert scale > 0.0
    # chords leave their curves by other 5e-4 px at either end of the difference
    slack = 2.0 * 5e-4 / (2.0 * STEP_PX)
    assert_allclose(change, numeric, rtol=0.0, atol=(ATOL + slack) * scale)


@pytest.mark.parametrize("parameter", range(9))
def test_the_picture_s_change_by_a_camera_s_intrinsics(parameter, mixed_drawing, barrel):
    drawing, pose, region = scene(mixed_drawing, BENDS[1], barrel)
    change = moved_sensitivity(
        project_chords(drawing, pose, barrel),
        pose,
        barrel,
        SIGMA_PX,
        region,
        lambda p: intrinsics_jacobian(pose @ p, barrel),
    )[:, parameter]
    corners = np.column_stack((drawing.outline, np.zeros(4)))
    largest = np.max(np.abs(intrinsics_jacobian(pose @ corners, barrel)[..., parameter]))
    way = np.eye(9)[parameter] * STEP_PX / largest
    ahead, back = (picture(drawing, pose, barrel.changed(s * way), region) for s in (1.0, -1.0))
    numeric = (ahead - back) * largest / (2.0 * STEP_PX)
    slack = 2.0 * 5e-4 / (2.0 * STEP_PX)
    assert_allclose(change, numeric, rtol=0.0, atol=(ATOL + slack) * np.max(np.abs(numeric)))


def test_points_on_a_bent_face_are_those_that_pixels_show(mixed_drawing, barrel):
    drawing, pose, _ = scene(mixed_drawing, BENDS[1], barrel)
    xy = np.random.default_rng(4).uniform(-0.1, 0.1, (50, 2))
    own = drawing.bend
    z = bend_modes(xy, drawing.width, drawing.height) @ [own.across, own.up, own.twist]
    p = np.column_stack((xy, z))
    found = points_on_face(project(p, pose, barrel), pose, barrel, drawing.relief)
    # 2.5 m times a rounding of 1e-13 in normalised coordinates, Newton's tolerance
    assert_allclose(found, p, atol=1e-11)
