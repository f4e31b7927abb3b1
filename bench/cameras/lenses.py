"""Lens models that a calibration compares: their parameters, projection and derivatives.

Brown-Conrady is what a calibration describes. OpenCV's rational and fisheye models (Kannala and
Brandt 2006, doi:10.1109/TPAMI.2006.153; `bench.geometry.lens_models`) are fitted to say whether a
lens asks for them. OpenCV's own derivatives serve here: of all their parameters, by the points.
"""

from __future__ import annotations

import cv2
import numpy as np

from bench.typing import Array

PINHOLE = ("fx", "fy", "cx", "cy")
BROWN, RATIONAL, FISHEYE = "Brown-Conrady", "rational", "fisheye"
PARAMETERS = (*PINHOLE, "k1", "k2", "p1", "p2", "k3")
NAMES: dict[str, tuple[str, ...]] = {
    BROWN: PARAMETERS,
    RATIONAL: (*PARAMETERS, "k4", "k5", "k6"),
    FISHEYE: (*PINHOLE, "k1", "k2", "k3", "k4"),
}


def predict(family: str, values: Array, p_camera: Array) -> tuple[Array, Array, Array]:
    """Return pixels (N, 2) of points (N, 3), and their derivatives.

    Parameters
    ----------
    family : str
        `BROWN`, `RATIONAL` or `FISHEYE`.
    values : (P,) float64
        Of the parameters that `NAMES` lists.
    p_camera : (N, 3) float64
        Camera frame, metres, before the camera.

    Returns
    -------
    pixels : (N, 2) float64
    by_lens : (N, 2, P) float64
        By each parameter.
    by_point : (N, 2, 3) float64
        Pixels a metre.

    Raises
    ------
    cv2.error
        OpenCV refuses the numbers.
    """
    fx, fy, cx, cy = values[:4].tolist()
    K = np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])
    nothing, points, n = np.zeros(3), p_camera.reshape(-1, 1, 3), len(p_camera)
    if family == FISHEYE:
        pixels, jacobian = cv2.fisheye.projectPoints(points, nothing, nothing, K, values[4:])
        lens, moved = jacobian[:, :8], jacobian[:, 11:14]
    else:
        pixels, jacobian = cv2.projectPoints(points, nothing, nothing, K, values[4:])
        lens, moved = jacobian[:, 6 : 6 + len(values)], jacobian[:, 3:6]
    return pixels.reshape(n, 2), lens.reshape(n, 2, -1), moved.reshape(n, 2, 3)
