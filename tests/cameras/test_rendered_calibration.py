"""A calibration from rendered pictures: the lens and the board's bow come back as claimed."""

from dataclasses import replace

import numpy as np
import pytest

from bench.cameras.board_search import DETECTORS
from bench.cameras.calibration import calibrate_from, look_for_board
from bench.cameras.model_choice import Freedom
from bench.cameras.rehearsal import calibration_board, calibration_views, rehearse
from bench.geometry.camera import Camera, project_camera
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.targets.bend import Bend

SIZE = (1280, 960)
CAMERA = Camera(*SIZE, 1300.0, 1300.0, 645.0, 474.0, (-0.22, 0.08, 0.0, 0.0, 0.0))
BEND = Bend(across=9e-4, up=-6e-4)


@pytest.mark.slow
def test_lens_and_bow_of_a_rendered_board_come_back_within_their_uncertainty():
    flat = calibration_board()
    bent = replace(flat, drawing=replace(flat.drawing, bend=BEND))
    imaging = Imaging(Optics(sigma_px=0.7))
    seen = rehearse(calibration_views(CAMERA, flat), bent, CAMERA, imaging, 3)
    sightings = [
        look_for_board(name, picture, flat, DETECTORS["chessboard"]) for name, picture, _ in seen
    ]
    run = calibrate_from(sightings, SIZE, Freedom())
    found = run.calibration
    # bows are stated at the plate's corners there, at the outermost points' here
    share = (np.ptp(flat.points, axis=0) / (flat.drawing.width, flat.drawing.height)) ** 2
    true = np.array([BEND.across, BEND.up]) * share
    sigma = found.shape_uncertainties[:2]
    # two numbers within 4 standard uncertainties: chance of a false alarm below 2e-4
    assert np.all(np.abs(found.shape[:2] - true) < 4.0 * sigma)
    assert np.all(sigma < 1e-4)  # m, of 0.4 to 0.7 mm: the comparison isn't idle
    own, truth = (np.array([c.fx, c.fy, c.cx, c.cy]) for c in (found.camera, CAMERA))
    claimed = np.sqrt(np.diag(found.covariance))[:4]
    assert np.all(np.abs(own - truth) < 4.0 * claimed)
    assert np.all(claimed < 2.0)  # px
    # what the whole lens says at the corner of the frame: 0.9 of its half diagonal
    corner = np.array([[0.38, 0.28, 1.0]])
    straight = [replace(c, distortion=(0.0,) * 5) for c in (found.camera, CAMERA)]
    bends = [
        project_camera(corner, c) - project_camera(corner, s)
        for c, s in zip((found.camera, CAMERA), straight, strict=True)
    ]
    assert np.abs(bends[0] - bends[1]).max() < 0.5  # px of 12
