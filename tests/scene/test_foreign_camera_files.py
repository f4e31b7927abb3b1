"""Camera files of other programs: read in their own spellings, or refused with the reason.

ROS's fields are those of sensor_msgs/CameraInfo and of the files that its camera_calibration saves
(wiki.ros.org, camera_calibration_parsers; from memory); Kalibr's those of its camchain.yaml (its
wiki, "YAML formats"; from memory).
"""

import json

import pytest

from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.scene.camera_file import read_camera

FIVE = (-0.25, 0.125, 1e-3, -2e-3, 0.0625)
CAMERA = Camera(640, 480, 700.25, 701.5, 319.5, 240.125, FIVE)
ROS = """image_width: 640
image_height: 480
camera_name: left  # of the pair
camera_matrix:
  rows: 3
  cols: 3
  data: [700.25, 0., 319.5, 0., 701.5, 240.125, 0., 0., 1.]
distortion_model: plumb_bob
distortion_coefficients:
  rows: 1
  cols: 5
  data: [-0.25, 0.125, 0.001, -0.002, 0.0625]
rectification_matrix:
  rows: 3
  cols: 3
  data: [1., 0., 0., 0., 1., 0., 0., 0., 1.]
"""
ROS_1_MESSAGE = """---
header:
  seq: 4
  frame_id: "left"
height: 480
width: 640
distortion_model: "plumb_bob"
D: [-0.25, 0.125, 0.001, -0.002, 0.0625]
K: [700.25, 0.0, 319.5, 0.0, 701.5, 240.125, 0.0, 0.0, 1.0]
binning_x: 0
roi:
  x_offset: 0
  do_rectify: False
"""
ROS_2_MESSAGE = """height: 480
width: 640
distortion_model: plumb_bob
d:
- -0.25
- 0.125
- 0.001
- -0.002
- 0.0625
k:
- 700.25
- 0.0
- 319.5
- 0.0
- 701.5
- 240.125
- 0.0
- 0.0
- 1.0
binning_x: 0
"""
KALIBR = """cam0:
  camera_model: pinhole
  distortion_coeffs: [-0.25, 0.125, 0.001, -0.002, 0.0625]
  distortion_model: radtan
  intrinsics: [700.25, 701.5, 319.5, 240.125]
  resolution: [640, 480]
"""
OPENCV = """%YAML:1.0
---
K: !!opencv-matrix
   rows: 3
   cols: 3
   dt: d
   data: [ 700.25, 0., 319.5, 0., 701.5, 240.125, 0., 0., 1. ]
D: [ -0.25, 0.125, 0.001, -0.002, 0.0625 ]
width: 640
height: 480
"""


@pytest.fixture
def file_of(tmp_path):
    def write(text, suffix=".yaml"):
        path = tmp_path / f"camera{suffix}"
        path.write_bytes(text.encode())
        return path

    return write


@pytest.mark.parametrize("text", [ROS, ROS_1_MESSAGE, ROS_2_MESSAGE, KALIBR])
@pytest.mark.parametrize("bom", ["", "\ufeff"])
def test_yaml_of_ros_and_kalibr_is_read(file_of, text, bom):
    assert read_camera(file_of(bom + text)) == CAMERA


def test_opencv_yaml_with_a_byte_order_mark_and_windows_lines_is_read(file_of):
    assert read_camera(file_of("\ufeff" + OPENCV.replace("\n", "\r\n"))) == CAMERA
    assert read_camera(file_of(ROS.replace("\n", "\r\n"))) == CAMERA


ROWS = [[700.25, 0, 319.5], [0, 701.5, 240.125], [0, 0, 1]]
BY_NAME = {"fx": 700.25, "fy": 701.5, "cx": 319.5, "cy": 240.125}
SIZE = {"width": 640, "height": 480}
K_BY_NAME = dict(zip(("k1", "k2", "p1", "p2", "k3"), FIVE, strict=True))


@pytest.mark.parametrize(
    "content",
    [
        {"camera_matrix": ROWS, "dist_coeffs": [list(FIVE)], "image_size": [640, 480]},
        {"mtx": ROWS, "dist": list(FIVE), "img_size": [640, 480]},
        {"K": [v for row in ROWS for v in row], "D": list(FIVE), **SIZE},
        {**BY_NAME, **SIZE, **K_BY_NAME},
        {"intrinsics": BY_NAME, "distortion": K_BY_NAME, **SIZE},
        {"camera": {"intrinsics": BY_NAME, "distortion": list(FIVE), **SIZE}},
        {"fx": 700.25, "fy": 701.5, "ppx": 319.5, "ppy": 240.125, "coeffs": list(FIVE), **SIZE},
        # column by column, as points that are rows want it
        {
            "intrinsic_matrix": [700.25, 0, 0, 0, 701.5, 0, 319.5, 240.125, 1],
            "D": list(FIVE),
            **SIZE,
        },
        {
            "camera_model": "OPENCV",
            "fl_x": 700.25,
            "fl_y": 701.5,
            "cx": 319.5,
            "cy": 240.125,
            "w": 640,
            "h": 480,
            **K_BY_NAME,
        },
        {"K": ROWS, "D": list(FIVE), "resolution": SIZE},
        {"front": {"K": ROWS, "dist": list(FIVE), **SIZE}, "date": "today"},
        {"cameras": [{"K": ROWS, "dist": list(FIVE), **SIZE}]},
        {
            "focal_length": [700.25, 701.5],
            "principal_point": [319.5, 240.125],
            "radial_distortion": [FIVE[0], FIVE[1], FIVE[4]],
            "tangential_distortion": FIVE[2:4],
            "image_size": SIZE,
        },
        {f"Camera1.{k}": v for k, v in (BY_NAME | K_BY_NAME | SIZE).items()},
    ],
)
def test_json_is_read_in_the_common_spellings(file_of, content):
    assert read_camera(file_of(json.dumps(content), ".json")) == CAMERA
    assert read_camera(file_of("\ufeff" + json.dumps(content), ".json")) == CAMERA


@pytest.mark.parametrize(
    "text",
    [
        ROS.replace("plumb_bob", "equidistant")
        .replace(", 0.0625]", "]")
        .replace("cols: 5", "cols: 4"),
        KALIBR.replace("radtan", "equidistant").replace(", 0.0625]", "]"),
    ],
)
def test_equidistant_is_a_fisheye_lens(file_of, text):
    camera = read_camera(file_of(text))
    assert camera.model == "fisheye"
    assert camera.opencv_coefficients == FIVE[:4]


def test_a_fisheye_lens_by_names(file_of):
    names = {"k1": 0.1, "k2": -0.02, "k3": 3e-3, "k4": 4e-4}
    content = {"fx": 500.0, "fy": 501.0, "cx": 319.5, "cy": 239.5, "model": "fisheye"}
    camera = read_camera(file_of(json.dumps(content | names | SIZE), ".json"))
    assert camera.opencv_coefficients == tuple(names.values())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            ROS.replace("plumb_bob", "equidistant"),
            "a fisheye lens has four coefficients, k1 to k4, got 5",
        ),
        (KALIBR.replace("pinhole", "omni"), "camera_model 'omni' isn't a lens model"),
        (ROS_1_MESSAGE.replace("binning_x: 0", "binning_x: 2"), "binning_x is 2"),
        (
            ROS.replace("plumb_bob", "rational_polynomial").replace(
                "0.0625]", "0.1, 0.2, 0., 0., 0.01]"
            ),
            "9 coefficients",
        ),
        (ROS.replace("camera_matrix", "matrix"), "no camera_matrix, and no fx"),
        (ROS.replace("700.25", "wide"), "must be numbers"),
        (ROS.replace(", 0., 0., 1.]\ndist", "]\ndist"), "3 x 3, got 6"),
        (
            "a: {fx: 7, fy: 7, cx: 3, cy: 3}\nb: {fx: 7, fy: 7, cx: 3, cy: 3}\n",
            "holds several cameras, a, b",
        ),
        (
            "fx: 700\nfy: 700\ncx: 320\ncy: 240\nwidth: 640\nheight: 480\nmy_distortion: 1\n",
            "my_distortion isn't read",
        ),
        ("Camera.type: Omni\nCamera.fx: 700\n", "'Omni' isn't a lens model"),
        ("fx: 700\nfy: 700\ncx: 320\nwidth: 640\nheight: 480\n", "cx must be a number|cy must be"),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_reason(file_of, text, says):
    with pytest.raises(ConfigError, match=says) as caught:
        read_camera(file_of(text))
    assert "\n" not in str(caught.value)
