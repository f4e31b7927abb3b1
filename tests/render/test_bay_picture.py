"""The bay's picture by OpenGL against the planar path and against sight lines."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter

from bench.detect.observation import Observation
from bench.geometry.camera import project
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, noise_free
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.plugins import DETECTORS, load
from bench.render.bay_picture import camera_picture, draw_view, lit_scene
from bench.render.gl import drawer
from bench.scene.load import load_bay
from bench.scene.solids import bay_solids, cuboid
from bench.scene.surroundings import Surroundings
from bench.scene.vehicle import wheels_at
from bench.sighting.visibility import visible_fraction

pytestmark = pytest.mark.usefixtures("opengl")
FINENESS = 4
# What the bench promises. Samples misplace an edge by at most half of 1/16 px, dozens of lines of
# them along a marker's side far less; most of it is what detectors make of grey values rounded
# to 8 bits, and of what stands around the plate, which differs.
AGREE_PX = 0.05
SIGMA_PX = 0.6
VAN = 1


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


def scene_of(bay):
    vehicle, station = bay.vehicles[VAN], bay.stations[0]
    return lit_scene(bay_solids(bay, vehicle, station), bay, wheels_at(vehicle, station))


@pytest.fixture(scope="module")
def scene(bay):
    return scene_of(bay)


@pytest.fixture(scope="module")
def even_scene(bay):
    """The same without lamps: its light is even, and no shadow has to be found."""
    lampless = replace(bay, surroundings=replace(bay.surroundings, lamps=()))
    return scene_of(lampless)


def corners(detector, grey, region, camera, target):
    picture = Picture(grey, region.u0, region.v0)
    found = load(DETECTORS, detector).detect(Observation(picture, camera, target))
    return found.pixels


@pytest.mark.slow
@pytest.mark.parametrize("detector", ["aruco-subpix", "apriltag"])
@pytest.mark.parametrize("wheel_index", [0, 1, 2, 3])
def test_corners_lie_where_the_planar_path_has_them(bay, scene, detector, wheel_index):
    wheel = wheels_at(bay.vehicles[VAN], bay.stations[0])[wheel_index]
    tower = bay.towers[0] if wheel.side == "left" else bay.towers[1]
    camera, drawing = tower.camera, bay.target.drawing
    assert camera.has_distortion
    T_camera_target = tower.T_bay_camera.inverse() @ wheel.T_bay_target
    region = region_of(drawing, T_camera_target, camera, 60)
    flat = Imaging(Optics(SIGMA_PX), Illumination(0.7), tower.imaging.sensor)
    planar = noise_free(drawing, T_camera_target, camera, flat, region).grey
    light = draw_view(scene, tower.T_bay_camera, camera, region, 0.7, FINENESS)
    blurred = gaussian_filter(light[..., 1], SIGMA_PX, mode="nearest", truncate=6.0)
    drawn = np.round(np.clip(blurred, 0.0, 1.0) * 255.0).astype(np.uint8)
    ours = corners(detector, planar, region, camera, bay.target)
    theirs = corners(detector, drawn, region, camera, bay.target)
    assert len(ours) == 4
    assert_allclose(theirs, ours, atol=AGREE_PX)


@pytest.mark.parametrize("wheel_index", [0, 3])
def test_the_plate_is_not_shifted_against_the_planar_path(bay, even_scene, wheel_index):
    """Grey values differ by scale and offset of the light, and by no shift, over the plate."""
    wheel = wheels_at(bay.vehicles[VAN], bay.stations[0])[wheel_index]
    tower = bay.towers[0] if wheel.side == "left" else bay.towers[1]
    T_camera_target = tower.T_bay_camera.inverse() @ wheel.T_bay_target
    drawing = bay.target.drawing
    region = region_of(drawing, T_camera_target, tower.camera, 4)
    even = Imaging(Optics(SIGMA_PX), Illumination(1.0), tower.imaging.sensor)
    planar = noise_free(drawing, T_camera_target, tower.camera, even, region).grey / 255.0
    light = draw_view(even_scene, tower.T_bay_camera, tower.camera, region, 0.9, FINENESS)[..., 1]
    drawn = gaussian_filter(light, SIGMA_PX, mode="nearest", truncate=6.0)
    inner = np.column_stack((0.93 * drawing.outline, np.zeros(4)))
    u, v = np.sort((project(inner, T_camera_target, tower.camera) - (region.u0, region.v0)).T)
    box = np.s_[int(v[1]) + 1 : int(v[2]), int(u[1]) + 1 : int(u[2])]
    down, right = np.gradient(planar)
    columns = [c[box].ravel() for c in (planar, np.ones(planar.shape), right, down)]
    scale, _, du, dv = np.linalg.lstsq(np.column_stack(columns), drawn[box].ravel())[0]
    # Samples lie on 16 lines a pixel, which misplace a boundary by up to 1/32 px, and evenly so
    # over the hundreds of pixels of slanted boundary on this plate: 0.018 px / √100 at most.
    assert abs(du / scale) < 0.006
    assert abs(dv / scale) < 0.006


def drawn_fraction(tower, wheel, target, solids):
    """Return the part of a plate that OpenGL's depth test leaves visible."""
    own = (f"{tower.name} tower", f"{wheel.name} target")
    shown = [s for s in solids if s.name not in own and s.kind != "lamp"]
    T_camera_bay = tower.T_bay_camera.inverse()
    dark = np.concatenate([T_camera_bay @ s.vertices[s.triangles] for s in shown])
    T_camera_target = T_camera_bay @ wheel.T_bay_target
    outline = np.column_stack((target.drawing.outline, np.zeros(4)))
    plate = (T_camera_target @ outline)[[[0, 1, 2], [0, 2, 3]]]
    triangles = np.concatenate((dark, plate))
    colours = np.zeros(triangles.shape)
    colours[-2:] = 1.0
    flat = plate[..., :2] / plate[..., 2:]
    low, high = flat.min(axis=(0, 1)), flat.max(axis=(0, 1))
    focal = 1000.0 / np.max(high - low)
    with drawer(triangles, colours, (1010, 1010)) as canvas:
        drawn = canvas.draw(focal, focal, *(5.0 - focal * low), 0.1, 100.0)
    # points of a fine square lattice on the plate, looked up where they are drawn
    half = (np.arange(300) + 0.5) / 300 - 0.5
    x, y = np.meshgrid(half * target.drawing.width, half * target.drawing.height)
    points = T_camera_target @ np.column_stack((x.ravel(), y.ravel(), np.zeros(x.size)))
    pixels = np.round(focal * (points[:, :2] / points[:, 2:] - low) + 5.0).astype(int)
    return np.mean(drawn[pixels[:, 1], pixels[:, 0], 0] > 127)


@pytest.mark.parametrize(
    ("vehicle", "wheel_index", "tower_index"),
    [(0, 1, 0), (0, 3, 0), (1, 2, 1), (1, 3, 0), (2, 0, 1)],
)
def test_visible_fraction_matches_opengls_depth_test(bay, vehicle, wheel_index, tower_index):
    car, station, tower = bay.vehicles[vehicle], bay.stations[0], bay.towers[tower_index]
    wheel = wheels_at(car, station)[wheel_index]
    solids = bay_solids(bay, car, station)
    # something slanted in the way of a part of the plate
    eye, place = tower.T_bay_camera.translation, wheel.T_bay_target.translation
    x, y, z = eye + 0.6 * (place - eye)
    plank = cuboid("plank", "box", (x - 0.05, y - 0.01, z - 1.0), (x + 0.02, y + 0.04, z + 0.03))
    solids = (*solids, plank)
    own = (f"{tower.name} tower", f"{wheel.name} target")
    size = (bay.target.drawing.width, bay.target.drawing.height)
    occluders = [s for s in solids if s.kind != "lamp"]
    found = visible_fraction(tower.T_bay_camera, wheel.T_bay_target, size, occluders, own)
    drawn = drawn_fraction(tower, wheel, bay.target, solids)
    # the lattice's discrepancy, about 0.5 %, and a pixel in 1,000 along each of a few edges
    assert found.fraction == pytest.approx(drawn, abs=0.01)
    assert found.fraction < 1.0


def test_what_is_hidden_is_not_drawn(bay):
    """A crate right before a target covers it in the picture too."""
    wheel = wheels_at(bay.vehicles[VAN], bay.stations[0])[0]
    tower = bay.towers[0]
    eye, place = tower.T_bay_camera.translation, wheel.T_bay_target.translation
    x, y, z = eye + 0.7 * (place - eye)
    crate = cuboid("crate", "box", (x - 0.1, y - 0.3, 0.0), (x + 0.1, y + 0.3, z + 0.4))
    T_camera_target = tower.T_bay_camera.inverse() @ wheel.T_bay_target
    region = region_of(bay.target.drawing, T_camera_target, tower.camera, 0)
    lampless = replace(bay, surroundings=Surroundings())  # even light: no shadows to compute
    views = [
        draw_view(lit_scene(s, lampless, [wheel]), tower.T_bay_camera, tower.camera, region, 0.7)
        for s in ((), (crate,))
    ]
    assert np.ptp(views[0]) > 0.4  # black and white
    assert np.ptp(views[1][..., 0]) < 0.15  # the crate's one face


def test_a_region_is_cut_out_of_the_frame_without_a_shift(bay, even_scene):
    tower, scene = bay.towers[0], even_scene
    whole = draw_view(scene, tower.T_bay_camera, tower.camera, Region(600, 500, 300, 200), 0.7, 2)
    part = draw_view(scene, tower.T_bay_camera, tower.camera, Region(700, 550, 90, 70), 0.7, 2)
    inside = whole[50:120, 100:190]
    # drawn on another canvas: samples lie elsewhere within pixels, so edges differ a little
    assert np.mean(np.abs(part - inside)) < 0.004


def test_a_picture_is_noisy_as_its_sensor_is_and_repeats_with_its_seed(bay):
    tower = bay.towers[0]
    wheel = wheels_at(bay.vehicles[VAN], bay.stations[0])[0]
    T_camera_target = tower.T_bay_camera.inverse() @ wheel.T_bay_target
    region = region_of(bay.target.drawing, T_camera_target, tower.camera, 0)
    lit = lit_scene((), replace(bay, surroundings=Surroundings()), [wheel])
    first, again, other = (
        camera_picture(lit, tower, np.random.default_rng(seed), region, 1).grey
        for seed in (1, 1, 2)
    )
    assert np.array_equal(first, again)
    noise = (first.astype(float) - other)[first > 120] / np.sqrt(2.0)
    # white: 0.85 of 0.7 of the full well of electrons, and shot noise their root; 8 bits add
    # rounding of 1/√12 DN
    electrons = 0.85 * 0.7 * tower.imaging.sensor.full_well
    expected = np.hypot(255.0 / tower.imaging.sensor.full_well * np.sqrt(electrons), 12**-0.5)
    assert np.std(noise) == pytest.approx(expected, rel=0.05)
