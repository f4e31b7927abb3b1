"""Array aliases used in signatures; shapes are given in docstrings."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
GreyImage = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]

__all__ = ["Array", "BoolArray", "GreyImage", "IntArray"]
