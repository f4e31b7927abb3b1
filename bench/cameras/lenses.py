"""Lens models that a calibration compares: their parameters, projection and derivatives.

Brown-Conrady, and OpenCV's rational and fisheye models (`bench.geometry.lens_models`). OpenCV's
own derivatives serve here: of all their parameters, by the points.
"""

from __future__ import annotations

import cv2
import numpy as np

from bench.geometry.lens_models import FISHEYE, MORE
from bench.typing import Array

PARAMETERS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
# In a camera's order: fisheye lenses have p1 and p2, which are 0.
NAMES: dict[str, tuple[str, ...]] = {
    family: (*PARAMETERS, *("k4", "k5", "k6")[:count]) for family, count in MORE.items()
}
_OF_FISHEYE = [NAMES[FISHEYE].index(f"k{i}") for i in (1, 2, 3, 4)]


def predict(family: str, values: Array, p_camera: Array) -> tuple[Array, Array, Array]:
    """Return pixels (N, 2) of points (N, 3), and their derivatives.

    Parameters
    ----------
    family : str
        One of `NAMES`.
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
        coefficients = values[_OF_FISHEYE]
        pixels, jacobian = cv2.fisheye.projectPoints(points, nothing, nothing, K, coefficients)
        lens, moved = np.zeros((2 * n, len(values))), jacobian[:, 11:14]
        lens[:, [0, 1, 2, 3, *_OF_FISHEYE]] = jacobian[:, :8]
    else:
        pixels, jacobian = cv2.projectPoints(points, nothing, nothing, K, values[4:])
        lens, moved = jacobian[:, 6 : 6 + len(values)], jacobian[:, 3:6]
    return pixels.reshape(n, 2), lens.reshape(n, 2, -1), moved.reshape(n, 2, 3)
