"""Picture files: from whatever a camera saved to the grey values that detectors see."""

from __future__ import annotations

import glob
import io
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from bench.errors import PictureError, RunError
from bench.files import read_file
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.quiet import hushed
from bench.typing import GreyImage

SUFFIXES = (".bmp", ".jpeg", ".jpg", ".pgm", ".png", ".tif", ".tiff", ".webp")

# The largest sensors sold have some 150 million (from memory); a picture of 400 takes 2.6 GB.
MAX_PIXELS = 160_000_000
# From here on a picture takes seconds, which whoever waits is told.
LARGE_PIXELS = 40_000_000

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
    content = _content(path)
    _refuse_huge(path, content)
    values = _decode(content)
    if values is None:
        raise PictureError(f"{path}: not a picture that can be read; use PNG, TIFF or JPEG")
    if values.dtype not in (np.uint8, np.uint16):
        raise PictureError(f"{path}: has {values.dtype} values; save it with 8 or 16 bits")
    grey = grey_of(values)
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


def picture_size(path: Path) -> tuple[int, int] | None:
    """Return a picture's width and height from its head; None where that can't be told.

    Raises
    ------
    PictureError
        The file can't be read.
    """
    return _size(_content(path))


def _content(path: Path) -> bytes:
    try:
        return read_file(path)
    except FileNotFoundError as error:
        raise PictureError(f"{path}: can't be read ({error.strerror})") from error
    except RunError as error:
        raise PictureError(str(error)) from error


def _size(content: bytes) -> tuple[int, int] | None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of large ones, which are judged here
            with Image.open(io.BytesIO(content)) as head:
                return head.size
    except Image.DecompressionBombError:
        return MAX_PIXELS, MAX_PIXELS
    except Exception:  # a reader of foreign files may raise anything; OpenCV's has the say
        return None


def _refuse_huge(path: Path, content: bytes) -> None:
    """Refuse a picture before its pixels fill the memory."""
    width, height = _size(content) or (0, 0)
    if width * height > MAX_PIXELS:
        raise PictureError(
            f"{path}: has more than {MAX_PIXELS // 10**6} million pixels, no camera's picture"
        )


def _decode(content: bytes) -> npt.NDArray[Any] | None:
    """Return the pixels as stored, or None."""
    try:
        with hushed():  # libpng, libjpeg and libtiff print; the caller says it
            # UNCHANGED keeps 16 bits and alpha, and doesn't turn the picture by its EXIF tag
            data = np.frombuffer(content, dtype=np.uint8)
            decoded: npt.NDArray[Any] | None = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
            return decoded
    except cv2.error:
        return None


def grey_of(values: npt.NDArray[Any]) -> GreyImage:
    """Return grey values (H, W) of pixels (H, W), (H, W, 3) in BGR or (H, W, 4) in BGRA."""
    if values.ndim == 2:
        return values
    code = {3: cv2.COLOR_BGR2GRAY, 4: cv2.COLOR_BGRA2GRAY}.get(values.shape[2])
    grey: GreyImage = values[..., 0] if code is None else cv2.cvtColor(values, code)
    return grey
