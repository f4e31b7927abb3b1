"""The forward model against pictures by plain supersampling, which shares no code with it."""

import numpy as np
from fixtures import supersampled_shots
from fixtures.supersampled_shots import EXPOSURE_DN, MARGIN_PX, Shot, photograph

from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, expected_electrons
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.targets.marker import MarkerDesign, build_marker

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
TARGET = build_marker(MarkerDesign(size=0.2))
POSE = pose_of_view(View(6.0, 0.6, 0.05, 0.4, (900.3, 800.6)), CAMERA)


def test_supersampling_agrees_with_the_bench_s_closed_forms(monkeypatch):
    """Two renderers that share no code: signed areas under a soft box, and points on a lattice."""
    monkeypatch.setattr(supersampled_shots, "READ_DN", 1e-9)
    monkeypatch.setattr(supersampled_shots, "SHOT_DN", 0.0)
    picture = photograph(TARGET, POSE, CAMERA, Shot(), np.random.default_rng(1))
    region = region_of(TARGET.drawing, POSE, CAMERA, MARGIN_PX)
    imaging = Imaging(Optics(0.6), Illumination(1.0), Sensor())
    full = Sensor().full_well
    expected = (
        EXPOSURE_DN * expected_electrons(TARGET.drawing, POSE, CAMERA, imaging, region) / full
    )
    inside = (slice(12, -12),) * 2
    difference = picture.grey[inside] - expected[inside]
    # rounding leaves 0.29 grey values, and 256 points a pixel on edges of 160 up to 0.3 more
    assert np.sqrt(np.mean(difference**2)) < 0.5
    assert np.max(np.abs(difference)) < 3.0
    assert abs(np.mean(difference)) < 0.05
