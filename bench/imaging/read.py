"""Picture files: from whatever a camera saved to the grey values that detectors see."""

from __future__ import annotations

import glob
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from bench.errors import PictureError
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.typing import GreyImage

SUFFIXES = (".bmp", ".jpeg", ".jpg", ".pgm", ".png", ".tif", ".tiff", ".webp")

# Machine-vision sensors deliver 10 to 16 bits in a 16-bit file, mostly not shifted up.
DEPTHS = (10, 12, 14, 16)


def read_picture(path: Path, camera: Camera | None = None) -> Picture:
    """Read a picture file as grey values, the full frame.

    Colour becomes luma (ITU-R BT.601 weights); an alpha channel is ignored, and so is an EXIF
    orientation: the camera model belongs to the pixels as the sensor delivered them. The full
    scale of a 16-bit file is that of the fewest bits, of 10, 12, 14 and 16, that hold its
    brightest pixel.

    Parameters
    ----------
    path : Path
        Any still format that OpenCV reads; 8 or 16 bits a channel.
    camera : Camera or None
        If given, the picture must have this camera's size.

    Raises
    ------
    PictureError
        The file can't be read as such a picture, or its size isn't the camera's.
    """
    try:
        data = np.fromfile(path, dtype=np.uint8)  # not imread: it fails on non-ASCII names
    except OSError as error:
        raise PictureError(f"{path}: can't be read ({error.strerror or error})") from error
    values = _decode(data)
    if values is None:
        raise PictureError(f"{path}: not a picture that can be read; use PNG, TIFF or JPEG")
    if values.dtype not in (np.uint8, np.uint16):
        raise PictureError(f"{path}: has {values.dtype} values; save it with 8 or 16 bits")
    grey = _grey(values)
    height, width = grey.shape
    if camera is not None and (width, height) != (camera.width, camera.height):
        raise PictureError(
            f"{path}: is {width} x {height} px, but the camera file is for "
            f"{camera.width} x {camera.height} px"
        )
    if grey.dtype == np.uint8:
        return Picture(grey)
    brightest = int(grey.max())
    bits = next(b for b in DEPTHS if brightest < 2**b)
    return Picture(grey, full_scale=2**bits - 1)


def find_pictures(arguments: Sequence[str | Path]) -> list[Path]:
    """Return the files that arguments name: files, folders of pictures, or wild cards.

    A folder gives the pictures directly in it, by suffix. Each argument's files are sorted;
    a file named twice comes once.

    Raises
    ------
    PictureError
        An argument names nothing, or a folder without pictures.
    """
    found: dict[Path, None] = {}
    for argument in arguments:
        path = Path(argument)
        if path.is_dir():
            files = sorted(f for f in path.iterdir() if f.suffix.lower() in SUFFIXES)
            if not files:
                kinds = ", ".join(s[1:] for s in SUFFIXES)
                raise PictureError(f"{path}: no pictures in this folder ({kinds})")
        elif path.exists():
            files = [path]
        else:
            files = sorted(Path(name) for name in glob.glob(str(argument)))
            if not files:
                raise PictureError(f"{argument}: no such file or folder")
        found.update(dict.fromkeys(files))
    return list(found)


def _decode(data: npt.NDArray[np.uint8]) -> npt.NDArray[Any] | None:
    """Return the pixels as stored, or None."""
    stored = data.tobytes()
    if stored.startswith(b"\x89PNG") and b"IEND" not in stored:
        return None  # cut off; libpng would print a line of its own
    level = cv2.utils.logging.getLogLevel()
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # the caller says it
    try:
        # UNCHANGED keeps 16 bits and alpha, and doesn't turn the picture by its EXIF tag
        decoded: npt.NDArray[Any] | None = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
        return decoded
    except cv2.error:
        return None
    finally:
        cv2.utils.logging.setLogLevel(level)


def _grey(values: npt.NDArray[Any]) -> GreyImage:
    """Return grey values (H, W) of pixels (H, W), (H, W, 3) in BGR or (H, W, 4) in BGRA."""
    if values.ndim == 2:
        return values
    code = {3: cv2.COLOR_BGR2GRAY, 4: cv2.COLOR_BGRA2GRAY}.get(values.shape[2])
    grey: GreyImage = values[..., 0] if code is None else cv2.cvtColor(values, code)
    return grey
