"""Which pixels the solver asks: none nearer to the plate's edge than the bound counts."""

import numpy as np
import pytest

from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.pixels import face_mask
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.face import face_after, face_of
from bench.solve.image_fit import fit_image
from bench.solve.noise import noise_of_sensor
from bench.solve.photometric import START_BLUR_PX
from bench.solve.weights import Weigher
from bench.targets.design import build_target
from bench.targets.marker import MarkerDesign

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
TARGET = build_target(MarkerDesign(size=0.2))
POSE = pose_of_view(View(14.0, np.deg2rad(70.0), 0.0, 0.2), CAMERA)  # 50 px, 17 across
NOISE = noise_of_sensor(Sensor())
# By what factor the blur may be larger than the one that pixels were chosen by.
NEAR = 1.05


@pytest.mark.parametrize("blur_px", [0.5, 0.6, 0.72, 0.8, 1.2])
def test_no_pixel_nearer_to_the_edge_than_the_bound_counts(blur_px):
    rng = np.random.default_rng(1)
    region = region_of(TARGET.drawing, POSE, CAMERA, 8.0)
    picture = capture(TARGET.drawing, POSE, CAMERA, Imaging(Optics(blur_px)), region, rng)
    seen = Observation(picture, CAMERA, TARGET, Sensor())
    rough = face_of(seen, POSE, START_BLUR_PX, NOISE)
    fit = fit_image(rough.scene, POSE, START_BLUR_PX, Weigher(NOISE))
    pixels = face_after(seen, rough, fit, NOISE).scene.pixels
    # the blur is found to 1 %: allow 3
    assert fit.blur_px == pytest.approx(blur_px, rel=0.03)
    allowed = face_mask(TARGET.drawing, POSE, CAMERA, blur_px / NEAR / 1.03, pixels.region)
    assert np.all(allowed.reshape(-1)[pixels.index])
