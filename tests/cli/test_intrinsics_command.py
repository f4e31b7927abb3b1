from dataclasses import replace

import cv2
import numpy as np
import polars as pl
import pytest

from bench.cameras.rehearsal import calibration_views, rehearse
from bench.cameras.result import read_calibration
from bench.cli.main import main
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.scene.camera_file import read_camera
from bench.scene.load import load_bay
from bench.targets.chessboard import ChessboardDesign, build_chessboard
from bench.targets.spec import target_from_spec

CAMERA = Camera(960, 720, 1200.0, 1200.0, 485.0, 352.0, (-0.15, 0.08, 0.0, 0.0, 0.0))
IMAGING = Imaging(optics=Optics(sigma_px=0.7))
CHESSBOARD = "chessboard:7x5:30 mm"
CHARUCO = "charuco:4x4_50:7x5:40 mm:30 mm"
MODEL = ("--square-pixels", "--no-tangential", "--radial-terms", "2", "--board-shape", "flat")


def save(path, grey):
    path.write_bytes(cv2.imencode(".png", grey)[1].tobytes())


@pytest.fixture(scope="module", params=[CHESSBOARD, pytest.param(CHARUCO, marks=pytest.mark.slow)])
def shots(request, tmp_path_factory):
    """Twelve pictures of a board by a known camera; the board's line and their folder."""
    folder = tmp_path_factory.mktemp("shots")
    board = target_from_spec(request.param)
    if board.kind == "chessboard":  # with a white margin, which its line doesn't mention
        board = build_chessboard(ChessboardDesign(7, 5, 0.03))
    for name, picture, _ in rehearse(calibration_views(CAMERA, board), board, CAMERA, IMAGING, 1):
        save(folder / f"{name}.png", picture.grey)
    return request.param, folder


def intrinsics(out, *arguments):
    return main(["intrinsics", *map(str, arguments), "--out", str(out)])


def check_refused(capfd, out, code, *words):
    error = capfd.readouterr().err
    assert code == 2
    assert error.count("\n") == 1
    for word in words:
        assert word in error
    assert not out.exists()


def test_camera_comes_back_within_its_uncertainty(shots, tmp_path, capfd):
    board, folder = shots
    out = tmp_path / "out"
    assert intrinsics(out, folder, "--board", board, *MODEL) == 0
    table = pl.read_parquet(out / "parameters.parquet")
    value = dict(table.select("parameter", "value").iter_rows())
    sigma = dict(table.select("parameter", "standard_uncertainty").iter_rows())
    for name, true in (("fx", 1200.0), ("cx", 485.0), ("cy", 352.0), ("k1", -0.15), ("k2", 0.08)):
        # Corners lock on to the pixel grid, alike in neighbouring points, so errors aren't
        # quite independent: allow twice the 99.9 % of a normal distribution
        assert abs(value[name] - true) < 2 * 3.3 * sigma[name]
    assert sigma["fx"] < 3.0  # px: the comparison isn't idle
    assert [sigma[name] for name in ("p1", "p2", "k3")] == [None, None, None]
    camera = read_camera(out / "camera.toml")
    assert camera.fx == camera.fy == value["fx"]
    assert (camera.width, camera.height) == (960, 720)
    views = pl.read_csv(out / "views.csv")
    assert views["outcome"].to_list() == ["used"] * 12
    assert not any(views["stands_out"])
    pictures = {path.name for path in out.glob("*.png")}
    assert {f"calibration_{n}.png" for n in ("residuals", "coverage", "views")} < pictures
    assert sum(name.endswith("-overlay.png") for name in pictures) == 1  # of the worst view
    result, camera_found = read_calibration(out)
    assert result.value.free == ["fy", "cx", "cy", "k1", "k2"]
    assert camera_found == camera
    assert "no view stands out" in capfd.readouterr().out


def test_a_view_that_stands_out_is_named_and_drawn_and_one_without_the_board_is_a_row(
    shots, tmp_path, capfd
):
    board, folder = shots
    bent, empty = tmp_path / "bent.png", tmp_path / "empty.png"
    save(empty, np.full((720, 960), 90, np.uint8))
    grey = cv2.imread(str(folder / "board-05.png"), cv2.IMREAD_GRAYSCALE)
    # a board bent about the vertical: columns pushed sideways by up to 5 px
    u, v = np.meshgrid(np.arange(960.0), np.arange(720.0))
    u += 5.0 * np.sin(u / 60.0)
    save(bent, cv2.remap(grey, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR))
    assert intrinsics(tmp_path / "out", folder, bent, empty, "--board", board, *MODEL) == 0
    views = pl.read_parquet(tmp_path / "out/views.parquet")
    assert views["outcome"].to_list() == ["used"] * 13 + ["missed"]
    assert views.filter(pl.col("stands_out"))["picture"].to_list() == ["bent.png"]
    assert (tmp_path / "out/bent-overlay.png").exists()
    assert "stands out: bent.png" in capfd.readouterr().out


def test_pictures_of_two_sizes_are_refused(shots, tmp_path, capfd):
    board, folder = shots
    save(tmp_path / "other.png", np.zeros((700, 960), np.uint8))
    code = intrinsics(tmp_path / "out", folder, tmp_path / "other.png", "--board", board)
    check_refused(capfd, tmp_path / "out", code, "other.png", "960 x 700", "960 x 720")


def test_board_of_another_layout_is_refused_with_the_count(tmp_path, capfd):
    for name in "abc":
        save(tmp_path / f"{name}.png", np.full((720, 960), 90, np.uint8))
    code = intrinsics(tmp_path / "out", tmp_path, "--board", "chessboard:9x6:25 mm")
    check_refused(capfd, tmp_path / "out", code, "0 of 3 pictures", "at least 3")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], ["pictures need --board"]),
        (
            ["--board", "marker:36h11:7:200 mm"],
            ["must be chessboard or charuco or circles, got 'marker'"],
        ),
        (["--board", "chessboard:9x6:25"], ["'25' lacks a unit"]),
        (["--board", CHARUCO, "--window", "5"], ["--window is for plain chessboards"]),
        (["--board", CHARUCO, "--corners", "chessboard"], ["--corners is for plain chessboards"]),
        (["--board", CHESSBOARD, "--corners", "best"], ["--corners must be chessboard or chess-"]),
        (["--board", CHESSBOARD, "--radial-terms", "4"], ["--radial-terms", "or equal to 3"]),
    ],
)
def test_option_that_makes_no_sense_is_refused(tmp_path, capfd, arguments, words):
    save(tmp_path / "a.png", np.full((720, 960), 90, np.uint8))
    code = intrinsics(tmp_path / "out", tmp_path / "a.png", *arguments)
    check_refused(capfd, tmp_path / "out", code, *words)


def test_board_without_pictures_is_refused(tmp_path, capfd):
    code = intrinsics(tmp_path / "out", "--board", CHESSBOARD)
    check_refused(capfd, tmp_path / "out", code, "--board needs pictures")


@pytest.mark.slow
def test_bare_command_rehearses_on_rendered_pictures(tmp_path, capfd):
    assert intrinsics(tmp_path / "out") == 0
    assert capfd.readouterr().out.startswith("rehearsal: no pictures given")
    table = pl.read_parquet(tmp_path / "out/parameters.parquet")
    fx, sigma = table.filter(pl.col("parameter") == "fx").row(0)[1:3]
    true = load_bay().towers[0].camera.fx
    assert abs(fx - true) < 2 * 3.3 * sigma  # as above
    assert sigma < 0.001 * true
    assert len(list((tmp_path / "out/rehearsal").glob("*.png"))) == 12


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--points", "points.csv"], ["--points needs --frame"]),
        (["--points", "points.csv", "--frame", "wide"], ["COLUMNS must be a whole number"]),
        (["--points", "points.csv", "--board", CHESSBOARD], ["in place of pictures"]),
        (["--points", "none.csv", "--frame", "960x720"], ["none.csv", "No such file"]),
        (["--frame", "960x720"], ["--frame is for --points"]),
        (
            ["--board-shape", "round"],
            ["'round' is not one of 'flat', 'bow', 'twist'"],
        ),
        (["--earlier", "none.json"], ["none.json"]),
        (
            ["--lens", "wide"],
            ["'wide' is not one of 'brown-conrady', 'rational', 'fisheye'"],
        ),
        (["--lens", "fisheye", "--radial-terms", "2"], ["--radial-terms is of brown-conrady"]),
        (["--lens", "fisheye", "--tangential"], ["--tangential: a fisheye lens has no"]),
    ],
)
def test_points_frames_and_shapes_that_make_no_sense_are_refused(
    tmp_path, capfd, arguments, words
):
    check_refused(capfd, tmp_path / "out", intrinsics(tmp_path / "out", *arguments), *words)


@pytest.fixture
def table(tmp_path):
    """Write a table of points of a board, as a camera sees it; return the options that give it."""
    board = build_chessboard(ChessboardDesign(7, 5, 0.03))
    p_target = np.column_stack((board.points, np.zeros(len(board.points))))

    def write(name, camera, seed, *, nearer=1.0):
        rng, lines = np.random.default_rng(seed), ["picture,u_px,v_px,x_mm,y_mm"]
        for view, held in calibration_views(CAMERA, board).items():
            held = replace(held, range_m=nearer * held.range_m)
            seen = project(p_target, pose_of_view(held, camera), camera)
            for (u, v), (x, y) in zip(seen + rng.normal(0, 0.05, seen.shape), 1e3 * board.points,
                                      strict=True):  # fmt: skip
                lines.append(f"{view},{u},{v},{x},{y}")
        (tmp_path / name).write_text("\n".join(lines))
        return ["--points", tmp_path / name, "--frame", "960x720"]

    return write


@pytest.mark.slow
def test_a_fisheye_lens_is_calibrated_whole(table, tmp_path, capfd):
    lens = Camera(960, 720, 400.0, 400.0, 470.0, 365.0, (0.03, -0.01, 0.0, 0.0, 0.0), None,
                  "fisheye", (0.0,))  # fmt: skip
    given = table("points.csv", lens, 1, nearer=0.5)
    assert intrinsics(tmp_path / "a", *given, "--lens", "fisheye") == 0
    assert "lens model: fisheye" in capfd.readouterr().out
    result, camera = read_calibration(tmp_path / "a/calibration.json")
    own, true = (
        np.array([c.fx, c.fy, c.cx, c.cy, *c.distortion, *c.more]) for c in (camera, lens)
    )
    sigma = np.sqrt(np.diag(result.value.matrix))
    free = sigma > 0.0
    assert free.sum() == 8  # p1 and p2 are a fisheye lens's never
    # eight numbers within 4 standard uncertainties: chance of a false alarm below 6e-4
    assert np.all(np.abs(own - true)[free] < 4.0 * sigma[free])
    assert sigma[0] < 1.0  # px: the comparison isn't idle
    assert read_camera(tmp_path / "a/camera.toml") == camera
    earlier = ("--earlier", tmp_path / "a/calibration.json")
    again = table("again.csv", lens, 2, nearer=0.5)
    assert intrinsics(tmp_path / "b", *again, "--lens", "fisheye", *earlier) == 0
    assert "no change since" in capfd.readouterr().out
    code = intrinsics(tmp_path / "c", *again, "--lens", "rational", *earlier)
    check_refused(capfd, tmp_path / "c", code, "of a fisheye lens", "--lens fisheye")


@pytest.mark.slow
def test_points_of_an_earlier_and_a_later_day_are_compared(table, tmp_path, capfd):
    moved = replace(CAMERA, fx=1212.0, fy=1212.0)  # one per cent: refocused
    assert intrinsics(tmp_path / "a", *table("a.csv", CAMERA, 1), *MODEL) == 0
    earlier = ("--earlier", tmp_path / "a/calibration.json")
    assert intrinsics(tmp_path / "b", *table("b.csv", CAMERA, 2), *MODEL, *earlier) == 0
    assert "no change since" in capfd.readouterr().out
    assert intrinsics(tmp_path / "c", *table("c.csv", moved, 3), *MODEL, *earlier) == 1
    assert capfd.readouterr().out.startswith("changed since")
    assert {"calibration_change.png", "change.csv"} < {p.name for p in (tmp_path / "c").iterdir()}
