"""Pictures and the part of the sensor that they show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from bench.typing import GreyImage


@dataclass(frozen=True)
class Region:
    """A rectangle of pixels on the sensor: first column and row, width and height."""

    u0: int
    v0: int
    width: int
    height: int


@dataclass(frozen=True, eq=False)
class Picture:
    """Grey values as a sensor delivers them, and where they lie on it.

    Attributes
    ----------
    grey : (H, W) uint8 or uint16
        Grey values, row by row from the top.
    u0, v0 : int
        Sensor column and row of ``grey[0, 0]``; 0, 0 for a full frame.
    full_scale : int
        Largest grey value the sensor can give (255 for 8 bits).
    """

    grey: GreyImage
    u0: int = 0
    v0: int = 0
    full_scale: int = 255

    @property
    def region(self) -> Region:
        """The part of the sensor that the picture shows."""
        return Region(self.u0, self.v0, self.grey.shape[1], self.grey.shape[0])

    @property
    def grey8(self) -> npt.NDArray[np.uint8]:
        """The grey values (H, W) scaled to 8 bits, which OpenCV's detectors need."""
        if self.grey.dtype == np.uint8 and self.full_scale == 255:
            return self.grey.astype(np.uint8, copy=False)
        scaled = np.rint(self.grey.astype(np.float64) * (255.0 / self.full_scale))
        return scaled.astype(np.uint8)


def png(values: npt.NDArray[Any], quick: bool = False) -> bytes:
    """Return a picture as a PNG file's content.

    Parameters
    ----------
    values : (H, W) or (H, W, 3) uint8 or uint16
        Grey, as the sensor gives it: a 12-bit sensor's largest is 4095 of a 16-bit file. Colours
        as OpenCV has them: blue, green, red.
    quick : bool
        Larger, and sooner there: for what is read once, on this machine.
    """
    done, content = cv2.imencode(".png", values, [cv2.IMWRITE_PNG_COMPRESSION, 1] if quick else [])
    assert done  # 8 and 16 bits in one or three channels always can be
    return content.tobytes()
