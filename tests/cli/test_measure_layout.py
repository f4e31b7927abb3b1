"""`sightbench measure --layout` on a rendered grid, whose tags' places are its own drawing's."""

import cv2
import numpy as np
import polars as pl
import pytest

from bench.cameras.layout_files import measure_layout, read_layout
from bench.cameras.rehearsal import rehearse
from bench.cli.main import main
from bench.geometry.camera import Camera
from bench.geometry.viewing import View
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.scene.camera_file import write_camera
from bench.targets.chessboard import ChessboardDesign, build_chessboard
from bench.targets.spec import target_from_spec

CAMERA = Camera(900, 700, 1100.0, 1100.0, 449.5, 349.5)
GRID = target_from_spec("grid:36h11:3x2:80 mm:20 mm")
HEADER = "dictionary,id,size_mm,x_mm,y_mm,z_mm"


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    """A camera file, a picture of the grid at 1.2 m and one of nothing; the true pose."""
    folder = tmp_path_factory.mktemp("layout")
    write_camera(folder / "camera.toml", CAMERA)
    views = {"grid": View(1.2, turn=0.4, pitch=-0.3)}
    imaging = Imaging(optics=Optics(sigma_px=0.6))
    (name, picture, pose), = rehearse(views, GRID, CAMERA, imaging, 1)  # fmt: skip
    cv2.imwrite(str(folder / f"{name}.png"), picture.grey)
    cv2.imwrite(str(folder / "nothing.png"), np.full((700, 900), 90, np.uint8))
    return folder, pose


def table(path, moved=None):
    lines = [HEADER]
    for marker, corners in GRID.markers.items():
        x, y = 1e3 * corners.mean(axis=0)
        x += (moved or {}).get(marker, 0.0)
        lines.append(f"36h11,{marker},80,{x},{y},0")
    path.write_text("\n".join(lines))
    return path


def measure(folder, out, *arguments):
    camera = str(folder / "camera.toml")
    return main(["measure", *map(str, arguments), "--camera", camera, "--out", str(out)])


def test_tags_of_known_places_give_the_camera_within_its_uncertainty(pictures, tmp_path, capfd):
    folder, T_camera_grid = pictures
    layout = table(tmp_path / "layout.csv")
    shots = (folder / "grid.png", folder / "nothing.png")
    assert measure(folder, tmp_path / "out", *shots, "--layout", layout) == 0
    camera = pl.read_parquet(tmp_path / "out/camera.parquet")
    assert camera["outcome"].to_list() == ["ok", "missed"]
    assert camera["tags_used"].to_list() == [6, None]
    row = camera.row(0, named=True)
    true = 1e3 * T_camera_grid.inverse().translation
    for axis, value in zip("xyz", true, strict=True):
        # corners of rendered pictures share errors beyond what is claimed: 4 of them
        assert abs(row[f"{axis}_mm"] - value) < 4.0 * row[f"u_{axis}_mm"]
        assert row[f"u_{axis}_mm"] < 10.0  # mm of 1200: the comparison isn't idle
    tags = pl.read_parquet(tmp_path / "out/tags.parquet")
    assert tags["outcome"].to_list() == ["used"] * 6 + ["missed"] * 6
    assert "nothing.png: no pose" in capfd.readouterr().out


def test_tag_whose_stated_place_is_wrong_is_named_first_with_how_far(pictures, tmp_path, capfd):
    folder, _ = pictures
    layout = table(tmp_path / "layout.csv", moved={4: 5.0})
    assert measure(folder, tmp_path / "out", folder / "grid.png", "--layout", layout) == 1
    words = capfd.readouterr().out
    assert words.startswith("grid.png: 36h11:4 isn't where the layout has it")
    tags = pl.read_parquet(tmp_path / "out/tags.parquet").filter(pl.col("outcome") == "misplaced")
    assert tags["tag"].to_list() == ["36h11:4"]
    # the table has it 5 mm to the right of where it hangs
    assert tags["off_x_mm"][0] == pytest.approx(-5.0, abs=1.0)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (
            ["36h11,1,80,0,0,0", "36h11,1,80,9,0,0"],
            ["line 3", "36h11:1 stands in the table twice"],
        ),
        (["36h11,1.5,80,0,0,0"], ["line 2", "id must be a whole number"]),
        (["36h12,1,80,0,0,0"], ["line 2", "36h12"]),
        (["36h11,9999,80,0,0,0"], ["line 2", "9999"]),
        (["36h11,1,0,0,0,0"], ["line 2", "size_mm"]),
    ],
)
def test_layout_that_makes_no_sense_is_refused(pictures, tmp_path, capfd, rows, words):
    folder, _ = pictures
    path = tmp_path / "layout.csv"
    path.write_text("\n".join([HEADER, *rows]))
    assert measure(folder, tmp_path / "out", folder / "grid.png", "--layout", path) == 2
    error = capfd.readouterr().err
    assert error.count("\n") == 1
    for word in words:
        assert word in error
    assert not (tmp_path / "out").exists()


def test_layout_beside_a_target_is_refused(pictures, tmp_path, capfd):
    folder, _ = pictures
    layout = table(tmp_path / "layout.csv")
    target = ("--target", "marker:36h11:1:80 mm")
    code = measure(folder, tmp_path / "out", folder / "grid.png", "--layout", layout, *target)
    assert code == 2
    assert "--layout stands in place of --target" in capfd.readouterr().err


def test_chessboard_is_measured_up_to_the_half_turn_that_it_hides(tmp_path):
    drawn = build_chessboard(ChessboardDesign(7, 5, 0.03))  # with a white margin
    write_camera(tmp_path / "camera.toml", CAMERA)
    views = {"board": View(0.9, turn=0.4, pitch=-0.3)}
    imaging = Imaging(optics=Optics(sigma_px=0.6))
    (_, picture, pose), = rehearse(views, drawn, CAMERA, imaging, 1)  # fmt: skip
    cv2.imwrite(str(tmp_path / "board.png"), picture.grey)
    spec = ("--target", "chessboard:7x5:30 mm", "--no-overlays")
    assert measure(tmp_path, tmp_path / "out", tmp_path / "board.png", *spec) == 0
    row = pl.read_parquet(tmp_path / "out/measurements.parquet").row(0, named=True)
    assert row["pipeline"] == "chessboard/ippe-lm"
    distance = float(np.linalg.norm(pose.translation))
    # 0.1 px, the detector's claim, over 250 px of board is 4e-4 of the range
    assert row["range_m"] == pytest.approx(distance, rel=2e-3)
    assert abs(row["tilt_deg"] - np.degrees(np.arccos(np.cos(0.4) * np.cos(0.3)))) < 0.5


@pytest.mark.slow
def test_good_layouts_are_not_contradicted(tmp_path):
    """By corners 4 of 30 were: a single corner is at times off by several of its claims."""
    tags = read_layout(table(tmp_path / "layout.csv"))
    rng = np.random.default_rng(5)
    views = {f"{k}": View(1.0 + 0.4 * rng.random(), *rng.uniform(-0.4, 0.4, 3)) for k in range(8)}
    imaging = Imaging(optics=Optics(sigma_px=0.6))
    for name, picture, _ in rehearse(views, GRID, CAMERA, imaging, 5):
        path = tmp_path / f"{name}.png"
        cv2.imwrite(str(path), picture.grey)
        result = measure_layout(path, CAMERA, tags).result
        assert not result.misplaced
        # eight pictures at 0.001 each
        assert result.p > 0.001 / 8.0
