"""Assignment of found points to a grid of circles whose rows or columns run either way."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from bench.typing import Array, IntArray

# An order that fits leaves the centres' noise and their perspective shift, at most a few tenths
# of a pixel; one that doesn't leaves half a pitch, some pixels.
FIT_PX = 1.0


def upright_order(points: Array, pixels: Array, layout: tuple[int, int]) -> IntArray:
    """Return the order (P,) such that ``pixels[order]`` are the pictures of `points`.

    Of the orders that fit as well as the best and aren't mirrored (a target is seen from its
    front), the one that has y most nearly up in the picture.

    Parameters
    ----------
    points : (P, 2) float64
        The pattern in its plane, row by row, y up.
    pixels : (P, 2) float64
        Their pictures, row by row too, but with rows, columns or both from either end, rows and
        columns exchanged where there are as many, or the rows of each pair exchanged.
    layout : (int, int)
        Columns and rows.
    """
    fits = []
    for order in _orders(layout):
        homography, _ = cv2.findHomography(points, pixels[order], 0)
        if homography is None:
            continue
        picture = cv2.perspectiveTransform(points[None], homography)[0]
        rms_px = float(np.sqrt(np.mean((picture - pixels[order]) ** 2)))
        # where x and y point, at the pattern's origin, up to the same positive scale
        x, y = (homography[:2, :2] - np.outer(homography[:2, 2], homography[2, :2])).T
        if x[0] * y[1] < x[1] * y[0]:  # v runs down, so unmirrored is negative
            fits.append((rms_px, -y[1] / np.linalg.norm(y), order))
    if not fits:
        return np.arange(len(points))
    least = min(rms_px for rms_px, _, _ in fits)
    return max((f for f in fits if f[0] <= least + FIT_PX), key=lambda f: f[1])[2]


def _orders(layout: tuple[int, int]) -> Iterator[IntArray]:
    columns, rows = layout
    grid = np.arange(columns * rows).reshape(rows, columns)
    bases = [grid]
    if columns == rows:
        bases.append(grid.T)
    if rows % 2 == 0:
        # OpenCV's finder without clustering exchanges the rows of each pair of an asymmetric
        # grid with an even number of rows (measured on 5.0.0)
        bases.append(grid.reshape(-1, 2, columns)[:, ::-1].reshape(rows, columns))
    for base in bases:
        for order in (base, base[::-1], base[:, ::-1], base[::-1, ::-1]):
            yield order.ravel()
