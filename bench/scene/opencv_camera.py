"""Camera files that other programs write, read by `cv2.FileStorage`.

OpenCV's own, whose entries' names vary between its samples; ROS's camera_info (YAML, of ROS 1 and
2, and as `camera_calibration` saves it: sensor_msgs/CameraInfo); and JSON or YAML with the common
spellings: a matrix of rows, `[fx, fy, cx, cy]`, or numbers by name, at the top or one level down.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np

from bench.errors import ConfigError, RunError
from bench.files import read_text
from bench.geometry.camera import Camera, from_opencv
from bench.strict import MAX_BYTES
from bench.targets.opencv_storage import storage_of
from bench.typing import Array

OPENCV_SUFFIXES = (".yml", ".yaml", ".xml", ".json")
# Compared without case, "_" and "-": cameraMatrix, camera_matrix and Camera_Matrix are one.
MATRIX_NAMES = ("cameramatrix", "intrinsicmatrix", "intrinsics", "intrinsic", "k", "m1", "mtx")
DISTORTION_NAMES = (
    "distortioncoefficients",
    "distortioncoeffs",
    "distcoeffs",
    "distcoefficients",
    "distcoeff",
    "distortion",
    "dist",
    "coeffs",
    "d",
    "d1",
)
# Numbers by name, where there is no matrix.
PINHOLE_NAMES = (
    ("fx", "fu", "flx", "f"),
    ("fy", "fv", "fly", "f"),
    ("cx", "ppx", "pu"),
    ("cy", "ppy", "pv"),
)
# Or in pairs, across and down; a focal length may be one for both.
FOCAL_NAMES, CENTRE_NAMES = ("focallength", "focal"), ("principalpoint", "opticalcenter")
COEFFICIENT_NAMES = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
# One level down, under whatever else the file holds.
PARTS = (
    "calibration",
    "camera",
    "cam0",
    "cameraintrinsics",
    "intrinsics",
    "intrinsic",
    "distortion",
    "distortioncoefficients",
)
# Of ROS, Kalibr and camera makers' programs; without "_", "-" and blanks, in lower case.
BROWN_MODELS = ("plumbbob", "radtan", "browncondrady", "brownconrady", "opencv", "pinhole", "none")
RATIONAL_MODELS = ("rationalpolynomial",)
WIDTH_NAMES, HEIGHT_NAMES = ("imagewidth", "width", "w"), ("imageheight", "height", "h")
SIZE_NAMES = ("imagesize", "imgsize", "size", "resolution")
FISHEYE_MODELS = (
    "fisheye",
    "equidistant",
    "kannalabrandt",
    "kannalabrandt4",
    "kannalabrandt8",
    "opencvfisheye",
)
# k1 k2 p1 p2 k3, k4 k5 k6 of the rational model; then thin prism and tilt, which the bench lacks
BROWN_COEFFICIENTS, RATIONAL_COEFFICIENTS = 5, 8
MOST_ENTRIES = 400  # of a list: OpenCV's largest model has 14 coefficients
LARGEST_SKEW_PX = 1e-6  # of files that were rounded when written


# An entry as the file spells it, and its content, see `_content`.
Entries = dict[str, tuple[str, Any]]


def read_opencv_camera(path: Path, size: tuple[int, int] | None = None) -> Camera:
    """Return the camera of an OpenCV file.

    Parameters
    ----------
    path : pathlib.Path
        YAML, XML or JSON with the header that `cv2.FileStorage` wants.
    size : (int, int), optional
        Width and height of the pictures, pixels, where the file doesn't say.

    Raises
    ------
    ConfigError
        Not such a file; no camera matrix, or two; no picture size anywhere; skew; a lens model
        that isn't Brown-Conrady, rational or fisheye.
    """
    storage = _open(path)
    try:
        content = _content(storage.root())
    finally:
        storage.release()
    found = _entries(content if isinstance(content, dict) else {}, path)
    fisheye = _is_fisheye(found, path)
    matrix = _matrix(found, MATRIX_NAMES, path)
    if matrix is None:
        matrix = _by_name(found, path)
    if matrix is None:
        keys = ", ".join(key for key, _ in list(found.values())[:8]) or "nothing"
        raise ConfigError(f"{path}: no camera_matrix, and no fx, fy, cx, cy; has {keys}")
    coefficients = _matrix(found, DISTORTION_NAMES, path)
    if coefficients is None:
        coefficients = _coefficients_by_name(found, fisheye, path)
    width, height = _size(found, path) or size or (0, 0)
    if width < 1 or height < 1:
        raise ConfigError(f"{path}: no image_width and image_height")
    (fx, _, cx), (_, fy, cy), _ = _checked_matrix(matrix, path).tolist()
    values = _distortion(coefficients, path, fisheye)
    try:
        model, distortion, more = from_opencv(values)
        return Camera(width, height, fx, fy, cx, cy, distortion, model=model, more=more)
    except ConfigError as error:
        raise ConfigError(f"{path}: {error}") from error


def _open(path: Path) -> Any:
    foreign = ConfigError(
        f"{path}: not YAML, XML or JSON that OpenCV can read; camera files begin with %YAML:1.0, "
        "<opencv_storage>, { or, ROS's, with image_width:"
    )
    try:
        text = read_text(path, MAX_BYTES).removeprefix("\ufeff")  # a BOM, as Windows writes it
        if path.suffix.lower() in (".yml", ".yaml"):
            text = _as_opencv_yaml(text)
        return storage_of(text)
    except FileNotFoundError as error:
        raise ConfigError(f"{path}: {error.strerror}") from error
    except RunError as error:
        raise ConfigError(str(error)) from error
    except ValueError as error:
        raise (ConfigError(f"{path}: {error}") if str(error) else foreign) from error


def _as_opencv_yaml(text: str) -> str:
    """Return YAML as OpenCV's reader wants it: with its first line, items of lists indented."""
    if text.lstrip().startswith(("%YAML", "{")):
        return text
    body = re.sub(r"\A\s*---[^\n]*\n", "", text).replace("\t", " ")
    body = re.sub(r"(?<=[\d.])E(?=[-+]?\d)", "e", body)  # OpenCV reads 1e-2 alone
    return "%YAML:1.0\n---\n" + re.sub(r"(?m)^( *)- ", r"\1  - ", body)


def _content(node: Any) -> Any:
    """Return a node as a number, a text, a list or a table; None where it is none of them.

    A matrix is a table with its numbers under ``data``, whatever it says of its size: OpenCV would
    make room for that first.
    """
    if node.isInt() or node.isReal():
        return float(node.real())
    if node.isString():
        return node.string()
    if node.isSeq():
        return [_content(node.at(i)) for i in range(min(node.size(), MOST_ENTRIES))]
    if node.isMap():
        return {key: _content(node.getNode(key)) for key in node.keys()}  # noqa: SIM118 - OpenCV's
    return None


def _camera_part(root: dict[str, Any], path: Path) -> dict[str, Any]:
    """Return what describes a camera: the file, or the only part that does under its own name."""
    if _is_camera(root):
        return root
    parts = dict(root)
    for key, value in root.items():
        if isinstance(value, list):
            parts |= {f"{key}[{i}]": item for i, item in enumerate(value)}
    found = {key: part for key, part in parts.items() if isinstance(part, dict)}
    cameras = {key: part for key, part in found.items() if _is_camera(part)}
    if len(cameras) > 1:
        raise ConfigError(f"{path}: holds several cameras, {', '.join(cameras)}; keep one")
    return next(iter(cameras.values()), root)


def _is_camera(part: dict[str, Any]) -> bool:
    pinhole = (name for names in PINHOLE_NAMES for name in names)
    return not set(map(_plain, part)).isdisjoint((*MATRIX_NAMES, *FOCAL_NAMES, *PARTS, *pinhole))


def _entries(root: dict[str, Any], path: Path) -> Entries:
    """Return a file's entries by plain name, those of its camera's part included."""
    found = {_plain(key): (key, value) for key, value in _camera_part(root, path).items()}
    for name in PARTS:
        key, part = found.get(name, ("", None))
        if isinstance(part, dict) and part.keys().isdisjoint(("data", "rows")):  # no matrix
            del found[name]
            found |= {_plain(inner): (f"{key}.{inner}", value) for inner, value in part.items()}
    return found


def _by_name(found: Entries, path: Path) -> Array | None:
    """Return [fx, fy, cx, cy] of numbers by name, or of pairs; None where there is none."""
    focal, centre = _matrix(found, FOCAL_NAMES, path), _matrix(found, CENTRE_NAMES, path)
    if focal is not None and centre is not None and focal.size in (1, 2) and centre.size == 2:
        return np.array([focal.flat[0], focal.flat[-1], *centre.flat])
    if not any(name in found for names in PINHOLE_NAMES for name in names):
        return None
    values = []
    for names in PINHOLE_NAMES:
        value = next((found[name][1] for name in names if name in found), None)
        if not isinstance(value, float):
            raise ConfigError(f"{path}: {names[0]} must be a number of pixels")
        values.append(value)
    return np.array(values)


def _coefficients_by_name(found: Entries, fisheye: bool, path: Path) -> Array | None:
    """Return coefficients that have a name each, or radial and tangential ones in two lists."""
    radial = _matrix(found, ("radialdistortion",), path)
    if radial is not None and 1 <= radial.size <= 3 and not fisheye:
        tangential = _matrix(found, ("tangentialdistortion",), path)
        k1, k2, k3 = np.pad(radial, (0, 3 - radial.size))
        p1, p2 = (0.0, 0.0) if tangential is None or tangential.size != 2 else tangential
        return np.array([k1, k2, p1, p2, k3])
    names = ("k1", "k2", "k3", "k4") if fisheye else COEFFICIENT_NAMES
    values = [found.get(name, ("", None))[1] for name in names]
    if any(name in found for name in names):
        return np.array([value if isinstance(value, float) else 0.0 for value in values])
    # a lens isn't straight because its bend is spelt in a way of its own
    for name, (key, value) in found.items():
        if "dist" in name and name != "distortionmodel" and value is not None:
            raise ConfigError(f"{path}: {key} isn't read; give k1 k2 p1 p2 k3 as distCoeffs")
    return None


def _plain(key: str) -> str:
    """Return a key without case, "_", "-", blanks, and a camera's name before a point."""
    name = re.sub(r"\Acamera\d*\.", "", key.lower()).replace("_", "").replace("-", "")
    return {"type": "cameramodel"}.get(name, name) if "." in key else name.replace(" ", "")


def _is_fisheye(found: Entries, path: Path) -> bool:
    """Tell whether the lens is a fisheye; refuse a file of two cameras or of another model."""
    if "m1" in found and "m2" in found:
        raise ConfigError(f"{path}: holds two cameras, M1 and M2; keep one")
    fisheye = found.get("fisheyemodel", ("", 0.0))[1] not in (0.0, None)
    for name in ("distortionmodel", "model", "cameramodel"):
        key, value = found.get(name, ("", None))
        if not isinstance(value, str) or not value:
            continue
        plain = _plain(value.rpartition(".")[2])
        fisheye |= plain in FISHEYE_MODELS
        if plain not in BROWN_MODELS + RATIONAL_MODELS + FISHEYE_MODELS:
            raise ConfigError(
                f"{path}: {key} '{value}' isn't a lens model that the bench has: Brown-Conrady "
                "(plumb_bob, radtan), rational_polynomial, fisheye (equidistant)"
            )
    for name in ("binningx", "binningy"):
        key, value = found.get(name, ("", None))
        if isinstance(value, float) and value > 1.0:
            raise ConfigError(
                f"{path}: {key} is {value:g}; the bench wants the camera of the pictures as they "
                "are: scale its numbers, and leave the binning out"
            )
    return fisheye


def _matrix(found: Entries, names: tuple[str, ...], path: Path) -> Array | None:
    """Return the numbers (N,) of the first entry that is there, row by row; None without one."""
    given = (found[name] for name in names if name in found and found[name][1] is not None)
    key, value = next(given, ("", None))
    if value is None:
        return None
    if names is FOCAL_NAMES and isinstance(value, float):
        return np.array([value])
    rows = value.get("data") if isinstance(value, dict) else value
    if not isinstance(rows, list):
        raise ConfigError(f"{path}: {key} must be a matrix")
    numbers = [number for row in rows for number in (row if isinstance(row, list) else [row])]
    if not all(isinstance(number, float) for number in numbers):
        raise ConfigError(f"{path}: {key} must be numbers")
    return np.array(numbers, dtype=np.float64)


def _size(found: Entries, path: Path) -> tuple[int, int] | None:
    for width, height in zip(WIDTH_NAMES, HEIGHT_NAMES, strict=True):
        if width in found and height in found:
            return _whole(*found[width], path), _whole(*found[height], path)
    for name in SIZE_NAMES:
        value = found.get(name, ("", None))[1]
        if isinstance(value, dict) and "data" not in value:
            inner = _entries(value, path)
            if not set(inner).isdisjoint(WIDTH_NAMES):
                return _size(inner, path)
    pair = _matrix(found, SIZE_NAMES, path)
    if pair is None:
        return None
    if pair.size != 2:
        raise ConfigError(f"{path}: the picture size must be two numbers")
    return int(pair[0]), int(pair[1])


def _whole(key: str, value: Any, path: Path) -> int:
    if not isinstance(value, float) or value < 1 or value != int(value):
        raise ConfigError(f"{path}: {key} must be a whole number of pixels")
    return int(value)


def _checked_matrix(matrix: Array, path: Path) -> Array:
    if matrix.size == 4:  # fx, fy, cx, cy
        fx, fy, cx, cy = matrix.tolist()
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])
    if matrix.size != 9:
        raise ConfigError(f"{path}: the camera matrix must be 3 x 3, got {matrix.size} numbers")
    K = matrix.reshape(3, 3)
    if K[0, 2] == K[1, 2] == 0.0 and (K[2, 0] > 0.0 or K[2, 1] > 0.0):
        K = K.T  # column by column, as programs write it whose points are rows
    zeros = K[[1, 2, 2], [0, 0, 1]]
    if np.any(zeros != 0.0) or K[2, 2] != 1.0:
        raise ConfigError(f"{path}: the camera matrix must be [fx 0 cx; 0 fy cy; 0 0 1]")
    if not abs(K[0, 1]) <= LARGEST_SKEW_PX:
        raise ConfigError(f"{path}: the camera matrix has skew {K[0, 1]:g} px; it must be 0")
    return K


def _distortion(values: Array | None, path: Path, fisheye: bool) -> list[float]:
    """Return 5 coefficients, 8 of a rational lens, 4 of a fisheye one."""
    flat = np.empty(0) if values is None else values
    if fisheye:
        flat = np.pad(flat, (0, max(0, 4 - flat.size)))
        if flat.size > 4 and np.any(flat[4:] != 0.0):
            raise ConfigError(
                f"{path}: a fisheye lens has four coefficients, k1 to k4, got {flat.size}"
            )
        return list(flat[:4].tolist())
    if 0 < flat.size < 4:
        raise ConfigError(
            f"{path}: distortion must be four coefficients or more (k1 k2 p1 p2 k3), "
            f"got {flat.size}"
        )
    if np.any(flat[RATIONAL_COEFFICIENTS:] != 0.0):
        raise ConfigError(
            f"{path}: distortion has {flat.size} coefficients; the bench's lens models have "
            "k1 k2 p1 p2 k3 k4 k5 k6, and the rest must be 0 (calibrate without the thin prism "
            "and tilted models)"
        )
    flat = np.pad(flat, (0, RATIONAL_COEFFICIENTS))[:RATIONAL_COEFFICIENTS]
    rational = np.any(flat[BROWN_COEFFICIENTS:] != 0.0)
    return list(flat[: RATIONAL_COEFFICIENTS if rational else BROWN_COEFFICIENTS].tolist())
