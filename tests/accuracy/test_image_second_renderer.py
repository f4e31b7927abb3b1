"""The rasteriser against another renderer: pyrender (OpenGL), heavily supersampled.

Each shape is drawn alone as triangles, white on black, by a camera with 16 times the resolution;
blocks of 16 x 16 pixels are averaged, of four samples each (pyrender's choice). It shares no
code with ours: markers are drawn cell by cell, not as outlines.

It needs a GL that renders without a display (on Debian libegl1 and libgl1-mesa-dri). Without
one the tests are skipped, but never where CI runs them.
"""

import os

import numpy as np
import pytest

from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.targets.design import MarkerDesign, build_target
from bench.targets.dictionary import marker_cells
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle

SCALE = 16
LINE = 1.0 / (4 * SCALE)
CAMERA = Camera(640, 480, 900.0, 895.0, 322.4, 236.7)
VIEWS = [
    View(2.5, roll=0.13),
    View(2.0, turn=0.7, pitch=-0.2, roll=0.5, pixel=(250.0, 300.0)),
    View(1.5, turn=-1.2, pitch=0.3, roll=-0.3, pixel=(420.0, 150.0)),
    View(1.2, pitch=1.4, roll=2.1),
]


@pytest.fixture(scope="module")
def draw():
    """Return a function that draws triangles (N, 3, 2) of the target's plane as coverage."""
    with pytest.MonkeyPatch.context() as patch:
        if "PYOPENGL_PLATFORM" not in os.environ:
            patch.setenv("PYOPENGL_PLATFORM", "egl")
        # pyrender 0.1.45 still uses a name that numpy 2 took away
        patch.setattr(np, "infty", np.inf, raising=False)
        try:
            import pyrender
            import trimesh

            pyrender.OffscreenRenderer(8, 8).delete()
        except Exception as error:  # whatever a missing or broken GL raises
            if os.environ.get("CI"):
                raise
            pytest.skip(f"no off-screen OpenGL here: {error!r}")

        def coverage(triangles, pose, region):
            size = region.width * SCALE, region.height * SCALE
            vertices = np.concatenate((triangles, np.zeros((*triangles.shape[:2], 1))), axis=2)
            mesh = trimesh.Trimesh(
                vertices.reshape(-1, 3),
                np.arange(3 * len(triangles)).reshape(-1, 3),
                process=False,
            )
            material = pyrender.MetallicRoughnessMaterial(
                baseColorFactor=[1.0, 1.0, 1.0, 1.0], doubleSided=True
            )
            scene = pyrender.Scene(bg_color=[0.0, 0.0, 0.0, 1.0], ambient_light=[1.0, 1.0, 1.0])
            scene.add(
                pyrender.Mesh.from_trimesh(mesh, material=material, smooth=False), pose=pose.matrix
            )
            # its principal point counts from the corner of the picture, not from a pixel's centre
            camera = pyrender.IntrinsicsCamera(
                CAMERA.fx * SCALE,
                CAMERA.fy * SCALE,
                (CAMERA.cx - region.u0 + 0.5) * SCALE,
                (CAMERA.cy - region.v0 + 0.5) * SCALE,
            )
            scene.add(camera, pose=np.diag([1.0, -1.0, -1.0, 1.0]))  # it looks along -z, y up
            renderer = pyrender.OffscreenRenderer(*size)
            try:
                colour, _ = renderer.render(scene, flags=pyrender.RenderFlags.FLAT)
            finally:
                renderer.delete()
            blocks = colour[..., 0].reshape(region.height, SCALE, region.width, SCALE)
            return blocks.mean(axis=(1, 3)) / 255.0

        yield coverage


def quad(x0, y0, x1, y1):
    a, b, c, d = rectangle(x0, y0, x1, y1)
    return np.array([[a, b, c], [a, c, d]])


def region_around(drawing, pose):
    points = project(np.column_stack((drawing.outline, np.zeros(4))), pose, CAMERA)
    low, high = np.floor(points.min(axis=0)).astype(int), np.ceil(points.max(axis=0)).astype(int)
    return Region(low[0] - 2, low[1] - 2, *(high - low + 5))


def check(ours, theirs, largest_step):
    """Compare two pictures as finely as sampling allows."""
    error = (ours - theirs) / largest_step
    crossed = np.abs(error) > 1e-9
    # The four samples lie on four different lines either way, so sample lines are 1/64 of a
    # pixel apart and misplace a boundary by at most half of that; four meet round a corner.
    assert np.max(np.abs(error)) <= 4 * LINE / 2
    # Spread evenly that is LINE/√12 in each of 16 rows of samples, half of the pixels have two
    # boundaries, and one near a lattice direction repeats its misplacement, at most threefold.
    rms = np.sqrt(np.mean(error[crossed] ** 2))
    assert rms < 3 * 2 * LINE / np.sqrt(12 * SCALE)
    # The mean would show a shift of 0.002 px in full. Rounding a quarter, a half, three quarters
    # to 8 bits leaves 7e-4 on each partial sample, 1/16 of a pixel: 4e-5.
    assert abs(np.mean(error[crossed])) < 1e-3


@pytest.mark.parametrize(
    "view",
    [VIEWS[1], *(pytest.param(v, marks=pytest.mark.slow) for v in (VIEWS[0], *VIEWS[2:]))],
)
def test_a_marker_looks_the_same_cell_by_cell(view, draw):
    drawing = build_target(MarkerDesign("DICT_APRILTAG_36h11", 11, size=0.2)).drawing
    pose = pose_of_view(view, CAMERA)
    region = region_around(drawing, pose)
    ours = reflectance_image(drawing, pose, CAMERA, region)
    w, h = 0.5 * drawing.width, 0.5 * drawing.height
    theirs = np.full(ours.shape, drawing.background)
    theirs += (0.85 - drawing.background) * draw(quad(-w, -h, w, h), pose, region)
    theirs += (0.05 - 0.85) * draw(quad(-0.1, -0.1, 0.1, 0.1), pose, region)
    cells = marker_cells("DICT_APRILTAG_36h11", 11)
    # cells meet in lines of the same numbers, so that OpenGL leaves no gap
    lines = -0.1 + 0.2 * np.arange(len(cells) + 1) / len(cells)
    white = np.concatenate(
        [quad(lines[c], -lines[r + 1], lines[c + 1], -lines[r]) for r, c in np.argwhere(cells)]
    )
    theirs += (0.85 - 0.05) * draw(white, pose, region)
    check(ours, theirs, 0.8)


@pytest.mark.parametrize("view", VIEWS[1:])
def test_a_disc_looks_the_same_as_a_fan_of_triangles(view, draw):
    disc = Disc(0.02, -0.01, 0.08, 1.0, 0.0)
    plate = Area((rectangle(-0.12, -0.12, 0.12, 0.12),), 0.0, 0.0)
    drawing = Drawing(0.24, 0.24, 0.0, (plate, disc))
    pose = pose_of_view(view, CAMERA)
    region = region_around(drawing, pose)
    angle = 2.0 * np.pi * np.arange(4097) / 4096  # off the circle by 3e-7 of its radius
    rim = np.column_stack((0.02 + 0.08 * np.cos(angle), -0.01 + 0.08 * np.sin(angle)))
    centre = np.tile([0.02, -0.01], (4096, 1))
    theirs = draw(np.stack((centre, rim[:-1], rim[1:]), axis=1), pose, region)
    check(reflectance_image(drawing, pose, CAMERA, region), theirs, 1.0)


@pytest.mark.parametrize("view", VIEWS[1:3])
def test_the_sides_of_a_plate_lie_at_the_same_place(view, draw):
    plate = Area((rectangle(-0.1, -0.1, 0.1, 0.1),), 1.0, 0.0)
    drawing = Drawing(0.2, 0.2, 0.0, (plate,))
    pose = pose_of_view(view, CAMERA)
    region = region_around(drawing, pose)
    shift = reflectance_image(drawing, pose, CAMERA, region) - draw(
        quad(-0.1, -0.1, 0.1, 0.1), pose, region
    )
    for axis in (0, 1):
        lines = shift.shape[1 - axis]
        middle = shift.shape[axis] // 2
        ends = np.split(shift, [middle], axis=axis)
        for half in ends:
            # Coverage summed across a side is its position, once the other sides, a few lines
            # at the ends, are left out.
            position = half.sum(axis=axis)[lines // 4 : -(lines // 4)]
            assert abs(np.mean(position)) < 0.002
            assert np.max(np.abs(position)) < 2 * LINE
