"""The study's second renderer against the bench's own."""

import numpy as np
import pytest

from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, expected_electrons
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.targets.design import MarkerDesign, build_target
from reports.characterise.supersampled import supersampled


@pytest.mark.slow
def test_plain_supersampling_draws_the_same_picture():
    camera = Camera(400, 300, 700.0, 700.0, 199.5, 149.5, (-0.05, 0.02, 0.0, 0.0, 0.0))
    drawing = build_target(MarkerDesign(size=0.15)).drawing
    view = View(2.0, turn=0.5, pitch=0.1, roll=0.2, pixel=(150.0, 120.0))
    pose, slopes = pose_of_view(view, camera), (0.05, -0.03)
    region = region_of(drawing, pose, camera, 6)
    imaging = Imaging(Optics(0.7), Illumination(1.0, slopes), Sensor(full_well=1e4))
    ours = expected_electrons(drawing, pose, camera, imaging, region) / 1e4
    left = supersampled(drawing, pose, camera, 0.7, slopes, region) - ours
    steep = np.hypot(*np.gradient(ours)) > 0.05
    # 100 samples a pixel: an edge's share errs by 1/10/√12/√10 = 0.009 of its step, blurred over 3
    # pixels; noise of 10,000 electrons is 0.01
    assert np.std(left[steep]) < 0.004
    assert abs(np.mean(left)) < 2e-4
