"""Camera files: ours survive to the last bit, OpenCV's are read in all the spellings it has."""

import cv2
import numpy as np
import pytest

from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.geometry.lens_models import FISHEYE, RATIONAL
from bench.scene.camera_file import read_camera, write_camera

K = np.array([[700.25, 0.0, 319.5], [0.0, 701.5, 240.125], [0.0, 0.0, 1.0]])
FIVE = (-0.25, 0.125, 1e-3, -2e-3, 0.0625)
CAMERA = Camera(640, 480, 700.25, 701.5, 319.5, 240.125, FIVE)
YAML = "%YAML:1.0\n---\n"
MATRIX = "camera_matrix: !!opencv-matrix\n   rows: 3\n   cols: 3\n   dt: d\n   data: [{}]\n"


@pytest.fixture
def opencv_file(tmp_path):
    """Write an OpenCV file with `cv2.FileStorage` itself."""

    def write(suffix=".yml", **entries):
        path = tmp_path / f"camera{suffix}"
        storage = cv2.FileStorage(str(path), cv2.FILE_STORAGE_WRITE)
        for name, value in entries.items():
            storage.write(name, value)
        storage.release()
        return path

    return write


@pytest.mark.parametrize("suffix", [".yml", ".yaml", ".xml", ".json"])
@pytest.mark.parametrize(
    "names",
    [
        # OpenCV's camera calibration sample (samples/cpp/tutorial_code/calib3d) and interactive
        # calibration
        ("camera_matrix", "distortion_coefficients", "image_width", "image_height"),
        ("cameraMatrix", "dist_coeffs", "image_width", "image_height"),
        # its older samples
        ("Camera_Matrix", "Distortion_Coefficients", "image_Width", "image_Height"),
        ("camera_matrix", "distCoeffs", "imageWidth", "imageHeight"),
        ("K", "D", "width", "height"),
        ("M1", "D1", "width", "height"),
    ],
)
def test_opencv_files_are_read_in_every_spelling(opencv_file, suffix, names):
    matrix, distortion, width, height = names
    content = {matrix: K, distortion: np.array([FIVE]), width: 640, height: 480}
    assert read_camera(opencv_file(suffix, **content)) == CAMERA


@pytest.mark.parametrize("shape", [(1, -1), (-1, 1)])
@pytest.mark.parametrize(
    ("coefficients", "expected"),
    [
        (FIVE[:4], (*FIVE[:4], 0.0)),
        (FIVE, FIVE),
        ((*FIVE, 0.0, 0.0, 0.0), FIVE),
        ((*FIVE, *9 * [0.0]), FIVE),
    ],
)
def test_four_five_and_more_coefficients_are_read(opencv_file, shape, coefficients, expected):
    distortion = np.array(coefficients).reshape(shape)
    path = opencv_file(K=K, D=distortion, width=640, height=480)
    assert read_camera(path).distortion == expected


@pytest.mark.parametrize(
    ("entries", "model", "coefficients"),
    [
        ({"D": np.array([[*FIVE, 0.3, -0.2, 0.05]])}, RATIONAL, (*FIVE, 0.3, -0.2, 0.05)),
        ({"D": np.array([[0.1, -0.02, 3e-3, 4e-4]]), "fisheye_model": 1}, FISHEYE, None),
    ],
)
def test_rational_and_fisheye_lenses_are_read_and_survive_in_ours(
    opencv_file, tmp_path, entries, model, coefficients
):
    camera = read_camera(opencv_file(K=K, **entries), (640, 480))
    assert camera.model == model
    assert camera.opencv_coefficients == (coefficients or (0.1, -0.02, 3e-3, 4e-4))
    write_camera(tmp_path / "ours.toml", camera)
    assert read_camera(tmp_path / "ours.toml") == camera


def test_coefficients_of_another_model_are_refused_in_ours(tmp_path):
    camera = Camera(640, 480, 700.0, 700.0, 320.0, 240.0)
    write_camera(tmp_path / "a.toml", camera)
    text = (tmp_path / "a.toml").read_text()
    for line, says in (("k4 = 0.1", "k4 isn't"), ('model = "fisheye"\nk6 = 0.1', "k6 isn't")):
        (tmp_path / "a.toml").write_text(text + line + "\n")
        with pytest.raises(ConfigError, match=says):
            read_camera(tmp_path / "a.toml")


def test_a_file_without_distortion_has_none(opencv_file):
    camera = read_camera(opencv_file(K=K, width=640, height=480))
    assert camera.distortion == (0.0, 0.0, 0.0, 0.0, 0.0)


def test_the_picture_size_may_come_from_the_pictures(opencv_file):
    path = opencv_file(M1=K, D1=np.array([FIVE]))
    assert read_camera(path, size=(640, 480)) == CAMERA
    with pytest.raises(ConfigError, match="no image_width and image_height"):
        read_camera(path)


def test_a_size_in_one_entry_is_read(opencv_file):
    path = opencv_file(K=K, D=np.array([FIVE]), image_size=np.array([640, 480]))
    assert read_camera(path) == CAMERA


@pytest.mark.parametrize(
    ("entries", "says"),
    [
        (
            {"K": K, "D": np.array([[*FIVE, 0.01, 0.0, 0.0, 0.0, 1e-3, 0.0, 0.0]])},
            "12 coefficients; .*rest must be 0",
        ),
        ({"K": K, "D": np.array([[0.1, 0.2]])}, "four coefficients or more .*got 2"),
        ({"K": K + np.array([[0, 2.0, 0], [0, 0, 0], [0, 0, 0]])}, "skew 2 px; it must be 0"),
        ({"K": 2.0 * K}, "camera matrix must be"),
        ({"K": K[:2]}, "3 x 3, got 6"),
        ({"K": 3}, "K must be a matrix"),
        ({"K": -K + 2 * np.diag([0, 0, 1.0])}, "focal length must be positive"),
        ({"D": np.zeros(5)}, "no camera_matrix, and no fx.*; has D, image_width, image_height"),
        ({"M1": K, "M2": K}, "two cameras, M1 and M2"),
        ({"K": K, "D": 0.1 * np.ones(5), "fisheye_model": 1}, "four coefficients.*got 5"),
    ],
)
def test_what_the_lens_model_cannot_describe_is_refused(opencv_file, entries, says):
    path = opencv_file(**entries, image_width=640, image_height=480)
    with pytest.raises(ConfigError, match=says) as caught:
        read_camera(path)
    assert str(caught.value).startswith(f"{path}: ")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "nonsense",
        YAML,
        YAML + "a: [",
        YAML + MATRIX.format("1, 2"),
        YAML + "camera_matrix: x\n",
    ],
)
def test_a_broken_file_is_refused_in_one_line(tmp_path, text):
    path = tmp_path / "broken.yml"
    path.write_text(text)
    with pytest.raises(ConfigError) as caught:
        read_camera(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"{path}: ")


@pytest.mark.parametrize("name", ["none.yml", "none.toml", "camera.txt"])
def test_a_missing_file_or_another_suffix_is_refused(tmp_path, name):
    with pytest.raises(ConfigError, match=r"No such file|must end in \.toml or \.yml"):
        read_camera(tmp_path / name)


def test_our_file_survives_to_the_last_bit(tmp_path):
    third = 1.0 / 3.0
    camera = Camera(
        640, 480, 700 + third, 701.1, 319.5 + 1e-13, third, (third, 1e-300, -0.0, 7, 0.1), 3.45e-6
    )
    path = tmp_path / "camera.toml"
    write_camera(path, camera, {"fx": 0.25, "k1": third, "cy": 0.0}, "Two\nlines")
    assert read_camera(path) == camera
    text = path.read_text()
    assert text.startswith("# Two\n# lines\n")
    assert 'fx = "0.25 px"' in text
    assert f"k1 = {third!r}" in text
    assert list(tmp_path.iterdir()) == [path]


def test_our_file_is_read_as_strictly_as_a_bay(tmp_path):
    path = tmp_path / "camera.toml"
    write_camera(path, CAMERA)
    good = path.read_text()
    for old, new, says in (
        ("width = 640", "wdith = 640", r"unknown key camera\.wdith; did you mean width\?"),
        ("[camera]", "[camrea]", r"unknown key camrea; did you mean camera\?"),
        ('"700.25 px"', '"700.25"', r"camera\.focal_length: '700.25' lacks a unit"),
        ("k1 = -0.25", "k1 = nan", r"camera\.distortion\.k1: 'nan'"),
    ):
        path.write_text(good.replace(old, new))
        with pytest.raises(ConfigError, match=says):
            read_camera(path)


def test_only_known_parameters_and_toml_are_written(tmp_path):
    with pytest.raises(ConfigError, match="no such parameter: k4"):
        write_camera(tmp_path / "camera.toml", CAMERA, {"k4": 0.1})
    with pytest.raises(ConfigError, match=r"must end in \.toml"):
        write_camera(tmp_path / "camera.yml", CAMERA)
    assert list(tmp_path.iterdir()) == []
