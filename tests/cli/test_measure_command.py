import json
from pathlib import Path

import cv2
import numpy as np
import polars as pl
import pytest

from bench.assets import asset
from bench.cameras.rehearsal import rehearse
from bench.cli.main import main
from bench.geometry.camera import Camera
from bench.geometry.viewing import View
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.scene.camera_file import write_camera
from bench.scene.load import SHIPPED_BAY
from bench.targets.spec import target_from_spec

CAMERA = Camera(640, 480, 800.0, 800.0, 319.5, 239.5)
IMAGING = Imaging(optics=Optics(sigma_px=0.6))
TARGET = "marker:36h11:7:200 mm"


def save(path, grey):
    path.write_bytes(cv2.imencode(".png", grey)[1].tobytes())
    return path


@pytest.fixture
def folder(tmp_path):
    """A camera file, and pictures of marker 7 from two ranges and of nothing."""
    write_camera(tmp_path / "camera.toml", CAMERA)
    pictures = tmp_path / "pictures"
    pictures.mkdir()
    views = {"far": View(2.0, turn=0.5), "near": View(1.2, turn=-0.6, pitch=0.3)}
    for name, picture, _ in rehearse(views, target_from_spec(TARGET), CAMERA, IMAGING, 1):
        save(pictures / f"{name}.png", picture.grey)
    save(pictures / "empty.png", np.full((480, 640), 90, np.uint8))
    return tmp_path


def measure(folder, *arguments):
    return main(
        ["measure", "--camera", str(folder / "camera.toml"), "--out", str(folder / "out"),
         *map(str, arguments)]
    )  # fmt: skip


def check_refused(capfd, folder, code, *words):
    """Exit code 2, one line that has all the words, and no results."""
    error = capfd.readouterr().err
    assert code == 2
    assert error.count("\n") == 1
    for word in words:
        assert word in error
    assert not (folder / "out").exists()


def test_folder_gives_a_row_a_picture_and_an_overlay_each(folder, capfd):
    assert measure(folder, folder / "pictures", "--target", TARGET) == 0
    table = pl.read_parquet(folder / "out/measurements.parquet")
    names = [Path(picture).name for picture in table["picture"]]
    assert names == ["empty.png", "far.png", "near.png"]
    assert table["outcome"].to_list() == ["missed", "ok", "ok"]
    assert table["range_m"][0] is None
    # a corner pulled by 0.2 px, the adapter's bias, of 80 px is 0.25 % of the range
    np.testing.assert_allclose(table["range_m"][1:].to_numpy(), [2.0, 1.2], rtol=0.005)
    np.testing.assert_allclose(table["turn_deg"][1:].to_numpy(), np.degrees([0.5, -0.6]), atol=1.0)
    for column in ("sigma_along_mm", "sigma_rot_x_deg", "rmse_px", "tilt_deg"):
        assert np.all(table[column][1:].to_numpy() > 0.0)
    csv = pl.read_csv(folder / "out/measurements.csv")
    assert csv.columns == table.columns
    overlays = sorted(path.name for path in (folder / "out").glob("*-overlay.png"))
    assert overlays == ["empty-overlay.png", "far-overlay.png", "near-overlay.png"]
    facts = json.loads((folder / "out/run.json").read_text())["value"]
    assert facts["pictures"] == 3
    assert "2 ok, 1 missed" in capfd.readouterr().out


def test_other_marker_is_a_wrong_id_unless_any_id_will_do(folder):
    other = ("--target", "marker:36h11:3:200 mm", "--no-overlays")
    assert measure(folder, folder / "pictures", *other) == 3
    table = pl.read_parquet(folder / "out/measurements.parquet")
    assert table["outcome"].to_list() == ["missed", "wrong_id", "wrong_id"]
    assert measure(folder, folder / "pictures", *other, "--any-id") == 0
    table = pl.read_parquet(folder / "out/measurements.parquet")
    assert table["marker_id"].to_list() == [3, 7, 7]
    assert table["outcome"].to_list() == ["missed", "ok", "ok"]


def test_any_id_gives_a_row_for_each_marker_in_the_picture(folder):
    grid = target_from_spec("grid:36h11:2x2:100 mm:30 mm:11")
    ((_, picture, _),) = rehearse({"grid": View(1.0, turn=0.4)}, grid, CAMERA, IMAGING, 1)
    path = save(folder / "grid.png", picture.grey)
    arguments = ("--target", "marker:36h11:0:100 mm", "--any-id", "--no-overlays")
    assert measure(folder, path, *arguments) == 0
    table = pl.read_parquet(folder / "out/measurements.parquet")
    assert table["marker_id"].to_list() == [11, 12, 13, 14]
    assert table["target"].n_unique() == 4
    # neighbours are 130 mm apart
    places = table.select("x_m", "y_m", "z_m").to_numpy()
    assert np.linalg.norm(places[1] - places[0]) == pytest.approx(0.13, abs=0.01)


def test_several_pipelines_give_a_row_each(folder):
    arguments = ("--pipeline", "apriltag/sqpnp", "--pipeline", "aruco-none/ippe")
    path = folder / "pictures/near.png"
    assert measure(folder, path, "--target", TARGET, *arguments, "--no-overlays") == 0
    table = pl.read_parquet(folder / "out/measurements.parquet")
    assert table["pipeline"].to_list() == ["apriltag/sqpnp", "aruco-none/ippe"]


def test_nothing_found_at_all_ends_with_could_not_judge(folder):
    path = folder / "pictures/empty.png"
    assert measure(folder, path, "--target", TARGET, "--no-overlays") == 3
    assert len(pl.read_parquet(folder / "out/measurements.parquet")) == 1


def test_bay_file_gives_its_target(folder):
    (folder / "bay.toml").write_bytes(asset(SHIPPED_BAY).read_bytes())
    path = folder / "pictures/near.png"
    assert measure(folder, path, "--target", folder / "bay.toml", "--no-overlays") == 0
    table = pl.read_parquet(folder / "out/measurements.parquet")
    assert table["marker_id"].to_list() == [7]  # the training workshop's
    assert table["wheel"].to_list() == [None]


def test_bay_file_with_ids_says_whose_target_it_is(folder, capsys):
    bay = folder / "bay.toml"
    own = '"front left" = 6\n"front right" = 5\n"rear left" = 7\n"rear right" = 8\n'
    shipped = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    bay.write_text(f"{shipped}\n[wheel_ids]\n{own}", encoding="utf-8")
    pictures = folder / "pictures"
    assert measure(folder, pictures / "near.png", "--target", bay, "--no-overlays") == 0
    table = pl.read_parquet(folder / "out/measurements.parquet")
    assert (table["wheel"].to_list(), table["marker_id"].to_list()) == (["rear left"], [7])
    assert "by their ids: rear left in 1 picture" in capsys.readouterr().out
    assert measure(folder, pictures / "empty.png", "--target", bay, "--no-overlays") == 3
    table = pl.read_parquet(folder / "out/measurements.parquet")
    assert (table["wheel"].to_list(), table["outcome"].to_list()) == ([None], ["missed"])


def test_picture_of_another_size_is_refused_before_anything_is_written(folder, capfd):
    save(folder / "pictures/wide.png", np.zeros((480, 700), np.uint8))
    code = measure(folder, folder / "pictures", "--target", TARGET)
    check_refused(capfd, folder, code, "wide.png", "700 x 480", "640 x 480")


def test_unreadable_picture_is_refused(folder, capfd):
    (folder / "pictures/torn.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    code = measure(folder, folder / "pictures", "--target", TARGET)
    check_refused(capfd, folder, code, "torn.png", "not a picture")


def test_empty_folder_is_refused(folder, capfd):
    (folder / "none").mkdir()
    code = measure(folder, folder / "none", "--target", TARGET)
    check_refused(capfd, folder, code, "none: no pictures")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--target", "marker:36h11:7"], ["must have the form marker:DICTIONARY:ID:SIZE"]),
        (["--target", TARGET, "--pipeline", "circles/ippe"], ["targets of kind 'marker'"]),
        (
            ["--target", "marker:4x4_50:7:200 mm", "--pipeline", "apriltag/ippe"],
            ["detector apriltag doesn't read DICT_4X4_50", "DICT_APRILTAG_16h5"],
        ),
        (["--target", TARGET, *["--pipeline", "aruco-none/ippe"] * 2], ["given twice"]),
        (["--target", TARGET, "--pipeline", "aruko-none/ippe"], ["aruco-none"]),
        (["--target", "circles:4x11:20 mm:15 mm", "--any-id"], ["--any-id is for a single"]),
        ([], ["--camera and --target"]),
    ],
)
def test_option_that_makes_no_sense_is_refused(folder, capfd, arguments, words):
    code = measure(folder, folder / "pictures", *arguments)
    check_refused(capfd, folder, code, *words)


def test_camera_without_pictures_is_refused(folder, capfd):
    check_refused(capfd, folder, measure(folder), "need pictures to measure")


def test_refusal_keeps_earlier_results(folder, capfd):
    assert measure(folder, folder / "pictures", "--target", TARGET, "--no-overlays") == 0
    before = (folder / "out/measurements.csv").read_bytes()
    assert measure(folder, folder / "gone", "--target", TARGET) == 2
    assert (folder / "out/measurements.csv").read_bytes() == before


@pytest.mark.slow
def test_bare_command_rehearses_on_rendered_pictures(tmp_path, capfd):
    assert main(["measure", "--no-overlays", "--out", str(tmp_path / "out")]) == 0
    printed = capfd.readouterr().out
    assert printed.startswith("rehearsal: no pictures given")
    table = pl.read_parquet(tmp_path / "out/measurements.parquet")
    assert table["outcome"].to_list() == ["ok"] * 6
    for row in table.iter_rows(named=True):
        name = Path(row["picture"]).name
        distance, turn = name.removeprefix("range-").removesuffix("deg.png").split("m-turn-")
        # names carry the truth; 0.2 px of corner bias, twice, of 3478 · 0.2 / range px, and a
        # turn that isn't another picture's, or mirrored
        bound = 0.4 * float(distance) ** 2 / (3478 * 0.2)
        assert abs(row["range_m"] - float(distance)) < bound
        assert abs(row["turn_deg"] - float(turn)) < 1.0
