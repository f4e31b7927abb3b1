"""Camera files as OpenCV's calibration programs write them, by `cv2.FileStorage`.

Names of the entries vary between OpenCV's own samples; all of theirs are known here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np

from bench.errors import ConfigError, RunError
from bench.files import read_text
from bench.geometry.camera import Camera
from bench.strict import MAX_BYTES
from bench.targets.opencv_storage import storage_of
from bench.typing import Array

OPENCV_SUFFIXES = (".yml", ".yaml", ".xml", ".json")
# Compared without case, "_" and "-": cameraMatrix, camera_matrix and Camera_Matrix are one.
MATRIX_NAMES = ("cameramatrix", "intrinsicmatrix", "intrinsics", "k", "m1")
DISTORTION_NAMES = (
    "distortioncoefficients",
    "distortioncoeffs",
    "distcoeffs",
    "distcoefficients",
    "distortion",
    "d",
    "d1",
)
WIDTH_NAMES, HEIGHT_NAMES = ("imagewidth", "width"), ("imageheight", "height")
SIZE_NAMES = ("imagesize", "size", "resolution")
# k1 k2 p1 p2 k3, then k4 k5 k6, thin prism, tilt: what the bench's lens model doesn't have
MODEL_COEFFICIENTS = 5
MOST_ENTRIES = 20  # of a matrix along a side: OpenCV's largest model has 14 coefficients
LARGEST_SKEW_PX = 1e-6  # of files that were rounded when written


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
        Not such a file; no camera matrix, or two; no picture size anywhere; a fisheye lens,
        skew, or more than five distortion coefficients that aren't zero.
    """
    storage = _open(path)
    try:
        root = storage.root()
        keys = list(root.keys()) if root.isMap() else []
        nodes = {_plain(key): root.getNode(key) for key in keys}
        _refuse_others(nodes, path)
        matrix = _matrix(nodes, MATRIX_NAMES, path)
        if matrix is None:
            raise ConfigError(f"{path}: no camera_matrix; has {_listed(keys)}")
        coefficients = _matrix(nodes, DISTORTION_NAMES, path)
        width, height = _size(nodes, path) or size or (0, 0)
    finally:
        storage.release()
    if width < 1 or height < 1:
        raise ConfigError(f"{path}: no image_width and image_height")
    (fx, _, cx), (_, fy, cy), _ = _checked_matrix(matrix, path).tolist()
    distortion = _distortion(coefficients, path)
    try:
        return Camera(width, height, fx, fy, cx, cy, distortion)
    except ConfigError as error:
        raise ConfigError(f"{path}: {error}") from error


def _open(path: Path) -> Any:
    foreign = ConfigError(
        f"{path}: OpenCV can't read it; its camera files begin with %YAML:1.0, "
        "<opencv_storage> or {"
    )
    try:
        return storage_of(read_text(path, MAX_BYTES))
    except FileNotFoundError as error:
        raise ConfigError(f"{path}: {error.strerror}") from error
    except RunError as error:
        raise ConfigError(str(error)) from error
    except ValueError as error:
        raise (ConfigError(f"{path}: {error}") if str(error) else foreign) from error


def _plain(key: str) -> str:
    return key.lower().replace("_", "").replace("-", "")


def _listed(keys: list[str]) -> str:
    return ", ".join(keys[:8]) or "nothing"


def _refuse_others(nodes: dict[str, Any], path: Path) -> None:
    """Refuse a file of two cameras or of another lens model."""
    if "m1" in nodes and "m2" in nodes:
        raise ConfigError(f"{path}: holds two cameras, M1 and M2; keep one")
    fisheye = nodes.get("fisheyemodel")
    if fisheye is not None and fisheye.isInt() and fisheye.real() != 0:
        raise ConfigError(f"{path}: a fisheye lens, which the bench's lens model can't describe")


def _matrix(nodes: dict[str, Any], names: tuple[str, ...], path: Path) -> Array | None:
    for name in names:
        node = nodes.get(name)
        if node is None or node.isNone():
            continue
        try:
            if node.isSeq():
                return np.array([node.at(i).real() for i in range(node.size())])
            values = node.mat() if _is_small(node) else None
        except cv2.error:
            values = None
        if values is None:
            raise ConfigError(f"{path}: {node.name()} must be a matrix")
        return np.asarray(values, dtype=np.float64)
    return None


def _is_small(node: Any) -> bool:
    """Tell whether a matrix has few entries, before OpenCV makes room for as many as it says."""
    if not node.isMap():
        return False
    sides = [node.getNode(name) for name in ("rows", "cols")]
    sizes = node.getNode("sizes")  # of a matrix of other than two dimensions
    if sizes.isSeq() and sizes.size() <= 3:
        sides = [sizes.at(i) for i in range(sizes.size())]
    elif sizes.isInt():  # XML has no lists of one
        sides = [sizes]
    return all(side.isInt() and 1 <= side.real() <= MOST_ENTRIES for side in sides)


def _size(nodes: dict[str, Any], path: Path) -> tuple[int, int] | None:
    for width_name, height_name in zip(WIDTH_NAMES, HEIGHT_NAMES, strict=True):
        if width_name in nodes and height_name in nodes:
            return _whole(nodes[width_name], path), _whole(nodes[height_name], path)
    pair = _matrix(nodes, SIZE_NAMES, path)
    if pair is None:
        return None
    if pair.size != 2:
        raise ConfigError(f"{path}: the picture size must be two numbers")
    return int(pair.flat[0]), int(pair.flat[1])


def _whole(node: Any, path: Path) -> int:
    value = node.real() if node.isInt() or node.isReal() else 0.0
    if value < 1 or value != int(value):
        raise ConfigError(f"{path}: {node.name()} must be a whole number of pixels")
    return int(value)


def _checked_matrix(matrix: Array, path: Path) -> Array:
    if matrix.size != 9:
        raise ConfigError(f"{path}: the camera matrix must be 3 x 3, got {matrix.size} numbers")
    K = matrix.reshape(3, 3)
    zeros = K[[1, 2, 2], [0, 0, 1]]
    if np.any(zeros != 0.0) or K[2, 2] != 1.0:
        raise ConfigError(f"{path}: the camera matrix must be [fx 0 cx; 0 fy cy; 0 0 1]")
    if not abs(K[0, 1]) <= LARGEST_SKEW_PX:
        raise ConfigError(f"{path}: the camera matrix has skew {K[0, 1]:g} px; it must be 0")
    return K


def _distortion(values: Array | None, path: Path) -> tuple[float, float, float, float, float]:
    if values is None or values.size == 0:
        return (0.0, 0.0, 0.0, 0.0, 0.0)
    flat = values.ravel()
    if flat.size < 4:
        raise ConfigError(
            f"{path}: distortion must be four coefficients or more (k1 k2 p1 p2 k3), "
            f"got {flat.size}"
        )
    rest = flat[MODEL_COEFFICIENTS:]
    if np.any(rest != 0.0):
        raise ConfigError(
            f"{path}: distortion has {flat.size} coefficients; the bench's lens model has "
            "k1 k2 p1 p2 k3, and the rest must be 0 (calibrate without the rational, thin prism "
            "and tilted models)"
        )
    k1, k2, p1, p2, k3 = np.pad(flat, (0, 1))[:MODEL_COEFFICIENTS].tolist()
    return (k1, k2, p1, p2, k3)
