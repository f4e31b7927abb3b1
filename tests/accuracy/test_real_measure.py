"""The commands on OpenCV's photographs, from files to tables.

Cameras are those that OpenCV 4.11 publishes beside the photographs; marker ids and numbers are
those of test_aruco_tutorial.cpp.
"""

import polars as pl
import pytest

from bench.cli.main import main

pytestmark = pytest.mark.network


@pytest.fixture
def photographs(opencv_source):
    return opencv_source / "doc/tutorials/objdetect"


@pytest.fixture
def samples(opencv_source):
    return opencv_source / "samples/cpp/tutorial_code/objectDetection"


def measured(out, *arguments):
    assert main(["measure", *map(str, arguments), "--no-overlays", "--out", str(out)]) == 0
    return pl.read_parquet(out / "measurements.parquet")


@pytest.mark.slow
def test_all_markers_of_a_photograph_are_measured(photographs, samples, tmp_path):
    table = measured(
        tmp_path, photographs / "aruco_detection/images/singlemarkersoriginal.jpg",
        "--camera", samples / "tutorial_camera_params.yml",
        "--target", "marker:6x6_250:23:10 cm", "--any-id",
    )  # fmt: skip
    assert table["marker_id"].to_list() == [23, 40, 62, 98, 124, 203]
    assert table["outcome"].to_list() == ["ok"] * 6
    # one camera, one sheet: seen from above at one slant, none of the poses is mirrored. The
    # photograph's perspective (gold corners of 45 px up to 31 px) bounds the tilt: markers
    # foreshortened to 0.6 to 0.9 of their width
    assert table["tilt_deg"].min() > 25.0
    assert table["tilt_deg"].max() < 60.0


@pytest.mark.slow
def test_grid_with_a_dictionary_of_its_own_is_measured(photographs, samples, tmp_path):
    table = measured(
        tmp_path, photographs / "aruco_board_detection/images/gboriginal.jpg",
        "--camera", samples / "tutorial_camera_params.yml",
        "--target", f"grid:{samples / 'tutorial_dict.yml'}:5x7:10 cm:2.2 cm",
    )  # fmt: skip
    # The tutorial's camera isn't this picture's: corners are off by 2 px, and boundaries with them
    assert table["outcome"].to_list() == ["unexplained"]
    assert "contradicted" in table["suspected"][0]
    assert table["n_points"].to_list() == [4 * 35]


@pytest.mark.slow
def test_board_is_measured_whole_and_half_covered(photographs, samples, tmp_path):
    table = measured(
        tmp_path, photographs / "charuco_detection/images/choriginal.jpg",
        photographs / "charuco_detection/images/chocclusion_original.jpg",
        "--camera", samples / "tutorial_camera_charuco.yml",
        "--target", "charuco:6x6_250:5x7:4 cm:2 cm",
    )  # fmt: skip
    assert table["outcome"].to_list() == ["ok", "ok"]
    whole, covered = table["n_points"].to_list()
    assert whole == 4 * 6  # all inner corners
    assert 4 <= covered < whole
    # the camera's own calibration left 0.182 px RMS (avg_reprojection_error in its file) on
    # other pictures of the board; a camera or a layout that isn't this one's leaves pixels
    assert table["rmse_px"].max() < 2 * 0.182


@pytest.mark.slow
def test_photographs_calibrate_from_the_command_line(opencv_source, tmp_path):
    shots = str(opencv_source / "samples/data/left[01][0-9].jpg")
    options = ("--board", "chessboard:9x6:25 mm", "--window", "11", "--square-pixels")
    options += (
        "--radial-terms",
        "3",
        "--tangential",
        "--board-shape",
        "flat",
    )  # as published
    assert main(["intrinsics", shots, *options, "--out", str(tmp_path)]) == 0
    table = pl.read_parquet(tmp_path / "parameters.parquet")
    fx = table.filter(pl.col("parameter") == "fx").row(0, named=True)
    # left_intrinsics.yml; test_real_calibration.py derives the tolerance
    assert abs(fx["value"] - 535.9157) < 0.05 * fx["standard_uncertainty"]
    views = pl.read_parquet(tmp_path / "views.parquet")
    assert views.filter(pl.col("stands_out"))["picture"].to_list() == ["left02.jpg"]
