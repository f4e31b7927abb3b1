"""From decoded markers to a target's points, without a detector."""

import numpy as np
import pytest

from bench.detect.detection import Found
from bench.detect.markers import marker_detection
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.targets.design import GridDesign, build_target

TARGET = build_target(GridDesign(columns=2, rows=1, first_id=4))
OBSERVATION = Observation(
    Picture(np.zeros((50, 80), np.uint8), u0=100, v0=30),
    Camera(640, 480, 1000.0, 1000.0, 319.5, 239.5),
    TARGET,
)
SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])


def test_points_come_by_marker_id_and_corner_on_the_sensor():
    detection = marker_detection(
        [(5, 8.0 * SQUARE + (40, 10)), (9, 8.0 * SQUARE), (4, 9.0 * SQUARE + (5, 10))],
        OBSERVATION,
        0.2,
    )
    assert detection.found is Found.FOUND
    assert detection.marker_ids == (4, 5, 9)
    assert detection.sigma_px == 0.2
    np.testing.assert_array_equal(
        detection.p_target[:, :2], np.vstack((TARGET.markers[4], TARGET.markers[5]))
    )
    np.testing.assert_array_equal(
        detection.pixels, np.vstack((9.0 * SQUARE + (105, 40), 8.0 * SQUARE + (140, 40)))
    )


def test_one_marker_of_a_grid_is_enough():
    detection = marker_detection([(5, 8.0 * SQUARE)], OBSERVATION, 0.2)
    assert detection.found is Found.FOUND
    np.testing.assert_array_equal(detection.p_target[:, :2], TARGET.markers[5])


def test_only_foreign_ids_are_wrong_and_none_is_a_miss():
    wrong = marker_detection([(9, SQUARE), (3, SQUARE), (9, SQUARE)], OBSERVATION, 0.2)
    assert (wrong.found, wrong.marker_ids) == (Found.WRONG_ID, (3, 9, 9))
    missed = marker_detection([], OBSERVATION, 0.2)
    assert (missed.found, missed.marker_ids) == (Found.MISSED, ())


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 1, 0], [1, 2, 0]])
def test_of_one_id_the_largest_is_taken_whatever_the_order(order):
    readings = [(4, 5.0 * SQUARE), (4, 8.0 * SQUARE + (1, 0)), (4, 8.0 * SQUARE)]
    detection = marker_detection([readings[k] for k in order], OBSERVATION, 0.2)
    assert detection.marker_ids == (4, 4, 4)
    np.testing.assert_array_equal(detection.pixels, 8.0 * SQUARE + (101, 30))
