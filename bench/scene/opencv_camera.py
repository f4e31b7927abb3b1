"""Camera files that other programs write, read by `cv2.FileStorage`.

OpenCV's own, whose entries' names vary between its samples; ROS's camera_info (YAML, of ROS 1 and
2, and as `camera_calibration` saves it: sensor_msgs/CameraInfo); and JSON or YAML with the common
spellings: a matrix of rows, `[fx, fy, cx, cy]`, or numbers by name, at the top or one level down.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from bench.errors import ConfigError, RunError
from bench.files import read_text
from bench.geometry.camera import Camera, from_opencv
from bench.strict import MAX_BYTES
from bench.targets.opencv_storage import storage_of
from bench.typing import Array

OPENCV_SUFFIXES = (".yml", ".yaml", ".xml", ".json")
# Compared without case, "_" and "-": cameraMatrix, camera_matrix and Camera_Matrix are one.
MATRIX_NAMES = (
    "cameramatrix",
    "intrinsicmatrix",
    "intrinsics",
    "intrinsic",
    "k",
    "m1",
    "mtx",
)
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
        Not such a file; no camera matrix, or two; no picture size anywhere; skew; a lens model
        that isn't Brown-Conrady, rational or fisheye.
    """
    storage = _open(path)
    try:
        nodes, keys = _nodes(storage.root(), path)
        fisheye = _is_fisheye(nodes, path)
        matrix = _matrix(nodes, MATRIX_NAMES, path)
        if matrix is None:
            matrix = _by_name(nodes, path)
        if matrix is None:
            raise ConfigError(
                f"{path}: no camera_matrix, and no fx, fy, cx, cy; has {_listed(keys)}"
            )
        coefficients = _matrix(nodes, DISTORTION_NAMES, path)
        if coefficients is None:
            coefficients = _coefficients_by_name(nodes, fisheye, path)
        width, height = _size(nodes, path) or size or (0, 0)
    finally:
        storage.release()
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


def _only_camera(root: Any, path: Path) -> Any:
    """Return what describes a camera: the file, or the only part that does under its own name."""
    if not root.isMap() or _is_camera(root):
        return root
    parts = {key: root.getNode(key) for key in root.keys()}  # noqa: SIM118 - OpenCV's
    for key, node in list(parts.items()):
        if node.isSeq():
            parts |= {f"{key}[{i}]": node.at(i) for i in range(min(node.size(), MOST_ENTRIES))}
    found = {key: node for key, node in parts.items() if node.isMap() and _is_camera(node)}
    if len(found) > 1:
        raise ConfigError(f"{path}: holds several cameras, {', '.join(found)}; keep one")
    return next(iter(found.values()), root)


def _is_camera(node: Any) -> bool:
    names = {_plain(key) for key in node.keys()}  # noqa: SIM118 - OpenCV's
    return not names.isdisjoint(
        (*MATRIX_NAMES, *FOCAL_NAMES, *PARTS, *(name for four in PINHOLE_NAMES for name in four))
    )


def _nodes(root: Any, path: Path) -> tuple[dict[str, Any], list[str]]:
    """Return a file's entries by plain name, those of its camera's part included; and its keys."""
    root = _only_camera(root, path)
    keys = list(root.keys()) if root.isMap() else []
    nodes = {_plain(key): root.getNode(key) for key in keys}
    for name in PARTS:
        part = nodes.get(name)
        if part is not None and part.isMap() and not _has_data(part):
            inner = list(part.keys())
            found = {_plain(key): part.getNode(key) for key in inner}
            if "rows" in found and "cols" in found:
                continue  # OpenCV's own matrix
            del nodes[name]
            nodes |= found
            keys += [f"{name}.{key}" for key in inner]
    return nodes, keys


def _has_data(node: Any) -> bool:
    return not node.getNode("data").isNone()


def _by_name(nodes: dict[str, Any], path: Path) -> Array | None:
    """Return [fx, fy, cx, cy] of numbers by name, or of pairs; None where there is none."""
    focal, centre = _matrix(nodes, FOCAL_NAMES, path), _matrix(nodes, CENTRE_NAMES, path)
    if focal is not None and centre is not None and focal.size in (1, 2) and centre.size == 2:
        return np.array([focal.flat[0], focal.flat[-1], *centre.flat])
    found = [
        next((nodes[name] for name in names if name in nodes), None) for names in PINHOLE_NAMES
    ]
    if all(node is None for node in found):
        return None
    values = []
    for node, names in zip(found, PINHOLE_NAMES, strict=True):
        if node is None or not (node.isReal() or node.isInt()):
            raise ConfigError(f"{path}: {names[0]} must be a number of pixels")
        values.append(float(node.real()))
    return np.array(values)


def _coefficients_by_name(nodes: dict[str, Any], fisheye: bool, path: Path) -> Array | None:
    """Return coefficients that have a name each, or radial and tangential ones in two lists."""
    radial = _matrix(nodes, ("radialdistortion",), path)
    if radial is not None and 1 <= radial.size <= 3 and not fisheye:
        tangential = _matrix(nodes, ("tangentialdistortion",), path)
        k1, k2, k3 = np.pad(radial.ravel(), (0, 3 - radial.size))
        p1, p2 = (0.0, 0.0) if tangential is None or tangential.size != 2 else tangential.flat
        return np.array([k1, k2, p1, p2, k3])
    names = ("k1", "k2", "k3", "k4") if fisheye else COEFFICIENT_NAMES
    values = [
        float(nodes[name].real()) if name in nodes and not nodes[name].isString() else 0.0
        for name in names
    ]
    if any(name in nodes for name in names):
        return np.array(values)
    # a lens isn't straight because its bend is spelt in a way of its own
    for name, node in nodes.items():
        if "dist" in name and name != "distortionmodel" and not node.isNone():
            raise ConfigError(
                f"{path}: {node.name()} isn't read; give k1 k2 p1 p2 k3 as distCoeffs"
            )
    return None


def _plain(key: str) -> str:
    """Return a key without case, "_", "-", blanks, and a camera's name before a point."""
    name = re.sub(r"\Acamera\d*\.", "", key.lower()).replace("_", "").replace("-", "")
    return {"type": "cameramodel"}.get(name, name) if "." in key else name.replace(" ", "")


def _listed(keys: list[str]) -> str:
    return ", ".join(keys[:8]) or "nothing"


def _is_fisheye(nodes: dict[str, Any], path: Path) -> bool:
    """Tell whether the lens is a fisheye; refuse a file of two cameras or of another model."""
    if "m1" in nodes and "m2" in nodes:
        raise ConfigError(f"{path}: holds two cameras, M1 and M2; keep one")
    fisheye = nodes.get("fisheyemodel")
    found = fisheye is not None and fisheye.isInt() and fisheye.real() != 0
    for name in ("distortionmodel", "model", "cameramodel"):
        node = nodes.get(name)
        if node is None or not node.isString() or not node.string():
            continue
        plain = _plain(node.string().rpartition(".")[2])
        found |= plain in FISHEYE_MODELS
        if plain not in BROWN_MODELS + RATIONAL_MODELS + FISHEYE_MODELS:
            raise ConfigError(
                f"{path}: {node.name()} '{node.string()}' isn't a lens model that the bench has: "
                "Brown-Conrady (plumb_bob, radtan), rational_polynomial, fisheye (equidistant)"
            )
    for name in ("binningx", "binningy"):
        node = nodes.get(name)
        if node is not None and node.isInt() and node.real() > 1:
            raise ConfigError(
                f"{path}: {node.name()} is {int(node.real())}; the bench wants the camera of the "
                "pictures as they are: scale its numbers, and leave the binning out"
            )
    return found


def _matrix(nodes: dict[str, Any], names: tuple[str, ...], path: Path) -> Array | None:
    for name in names:
        node = nodes.get(name)
        if node is None or node.isNone():
            continue
        try:
            if node.isSeq():
                return _flat(node, path)
            if names is FOCAL_NAMES and (node.isReal() or node.isInt()):
                return np.array([node.real()])
            if node.isMap() and node.getNode("data").isSeq() and node.getNode("dt").isNone():
                return _flat(node.getNode("data"), path)  # ROS has no type, and no tag
            values = node.mat() if _is_small(node) else None
        except cv2.error:
            values = None
        if values is None:
            raise ConfigError(f"{path}: {node.name()} must be a matrix")
        return np.asarray(values, dtype=np.float64)
    return None


def _flat(node: Any, path: Path) -> Array:
    """Return the numbers of a list, or of a list of lists, row by row."""
    values: list[float] = []
    for i in range(min(node.size(), MOST_ENTRIES**2 + 1)):
        entry = node.at(i)
        if entry.isSeq():
            values += [_number(entry.at(k), node, path) for k in range(min(entry.size(), 100))]
        else:
            values.append(_number(entry, node, path))
    return np.array(values)


def _number(entry: Any, node: Any, path: Path) -> float:
    if not (entry.isReal() or entry.isInt()):
        raise ConfigError(f"{path}: {node.name()} must be numbers")
    return float(entry.real())


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
    for name in SIZE_NAMES:
        if name in nodes and nodes[name].isMap() and nodes[name].getNode("dt").isNone():
            inner, _ = _nodes(nodes[name], path)
            if not set(inner).isdisjoint(WIDTH_NAMES):
                return _size(inner, path)
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
    if matrix.size == 4:  # fx, fy, cx, cy
        fx, fy, cx, cy = matrix.ravel().tolist()
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
    flat = np.empty(0) if values is None else values.ravel()
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
