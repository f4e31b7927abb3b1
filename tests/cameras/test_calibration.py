import numpy as np
import pytest

from bench.cameras.calibration import (
    Sighting,
    calibrate_from,
    look_for_board,
    parameters_table,
    views_table,
)
from bench.cameras.calibration_words import summary
from bench.cameras.intrinsics import BoardView
from bench.cameras.model_choice import Freedom
from bench.detect.chessboard import Chessboard
from bench.detect.detection import Detection, Found
from bench.errors import PictureError
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Picture
from bench.targets.chessboard import ChessboardDesign, build_chessboard

SIZE = (1280, 960)
CAMERA = Camera(*SIZE, 1400.0, 1400.0, 645.0, 470.0, (-0.2, 0.1, 0.0, 0.0, 0.0))
BOARD = build_chessboard(ChessboardDesign(9, 6, 0.025))
P_TARGET = np.column_stack((BOARD.points, np.zeros(54)))
MODEL = Freedom(square_pixels=True, tangential=False, radial_terms=2, shape=0)
TURNS = [(0.5, 0.0), (-0.5, 0.2), (0.0, 0.5), (0.1, -0.5), (0.4, 0.4), (-0.4, 0.3), (0.5, -0.3)]


@pytest.fixture
def sightings():
    rng = np.random.default_rng(np.random.SeedSequence([5]))
    found = []
    for i, (turn, pitch) in enumerate(TURNS):
        pose = pose_of_view(View(0.5, turn=turn, pitch=pitch, roll=0.2 * i), CAMERA)
        pixels = project(P_TARGET, pose, CAMERA) + rng.normal(0.0, 0.2, (54, 2))
        found.append(Sighting(BoardView(f"p{i}.png", pixels, P_TARGET), "used"))
    return found


def missed(name):
    return Sighting(BoardView(name, np.empty((0, 2)), np.empty((0, 3))), "missed")


def spoil(sighting):
    """Bend the board's rows, as a refinement window that reaches the next corner does."""
    pixels = sighting.view.pixels.copy()
    pixels[::2, 0] += 3.0
    return Sighting(BoardView(sighting.view.name, pixels, P_TARGET), "used")


def test_pictures_without_the_board_stay_in_the_table(sightings):
    run = calibrate_from([missed("empty.png"), *sightings], SIZE, MODEL)
    table = views_table(run)
    assert table["picture"].to_list() == ["empty.png", *(f"p{i}.png" for i in range(7))]
    assert table["outcome"].to_list() == ["missed"] + ["used"] * 7
    assert table["rmse_px"].null_count() == 1
    np.testing.assert_allclose(table["rmse_px"][1:].to_numpy(), run.calibration.view_rmse_px)
    # truth: each picture was taken at 0.5 m; 0.2 px on a board of 560 px is 4e-4 of the range
    np.testing.assert_allclose(table["range_m"][1:].to_numpy(), 0.5, atol=0.01)


def test_view_that_stands_out_is_named_and_its_effect_given(sightings):
    sightings[3] = spoil(sightings[3])
    run = calibrate_from(sightings, SIZE, MODEL)
    assert run.outstanding == [3]
    assert run.trimmed.rmse_px < run.calibration.rmse_px
    assert views_table(run)["stands_out"].to_list() == [i == 3 for i in range(7)]
    trimmed = parameters_table(run)["without_outstanding"].to_list()
    assert trimmed == run.trimmed.values.tolist()
    assert "stands out: p3.png" in summary(run, BOARD.name)[-1]


def test_held_parameters_have_no_uncertainty(sightings):
    table = parameters_table(calibrate_from(sightings, SIZE, MODEL))
    held = table.filter(table["standard_uncertainty"].is_null())["parameter"].to_list()
    assert held == ["p1", "p2", "k3"]
    assert table["without_outstanding"].null_count() == 9
    assert "no view stands out" in summary(calibrate_from(sightings, SIZE, MODEL), BOARD.name)


def test_board_in_too_few_pictures_says_how_many(sightings):
    with pytest.raises(PictureError, match=r"found in 2 of 4 pictures.*at least 3"):
        calibrate_from([*sightings[:2], missed("a"), missed("b")], SIZE, MODEL)


def test_board_seen_in_part_is_used_or_said_to_have_too_few_points():
    class Partly:
        name = "partly"

        def __init__(self, n):
            self.n = n

        def supports(self, kind):
            return True

        def detect(self, observation):
            found = np.ones((self.n, 2))
            return Detection(Found.FOUND, pixels=found, p_target=np.zeros((self.n, 3)))

    picture = Picture(np.zeros((960, 1280), np.uint8))
    assert look_for_board("a", picture, BOARD, Partly(6)).outcome == "used"
    assert look_for_board("a", picture, BOARD, Partly(5)).outcome == "too_few_points"
    assert look_for_board("a", picture, BOARD, Chessboard()).outcome == "missed"
