"""Sources of pictures of a tower that is aimed: a folder's newest, or a device."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import cv2
from PIL import Image

from bench.errors import BenchError, ConfigError, PictureError
from bench.files import read_file
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.imaging.read import SUFFIXES, grey_of, read_picture
from bench.parsing import whole_pictures
from bench.quiet import hushed


@dataclass(frozen=True, eq=False)
class Shot:
    """A whole picture that came.

    Attributes
    ----------
    name : str
        Its file, or the frame's number.
    picture : Picture
        Its grey values.
    """

    name: str
    picture: Picture


class Source(Protocol):
    """Where pictures come from."""

    def newest(self) -> Shot | None:
        """Return the newest whole picture; None where none came since the last one.

        Raises
        ------
        PictureError
            What came can't be used; the next call may be luckier.
        """

    def close(self) -> None:
        """Give back what it holds."""


def open_source(text: str, camera: Camera) -> Source:
    """Return the source that a text names: a folder, a device's number, a stream or film.

    Raises
    ------
    ConfigError
        It is none of these, or can't be opened.
    """
    if text.isdecimal() or "://" in text or Path(text).is_file():
        return Capture(text, camera)
    if Path(text).is_dir():
        return Folder(Path(text), camera)
    raise ConfigError(
        f"--watch {text}: is no folder, no capture device's number, and no stream or film"
    )


class Folder:
    """The newest picture of a folder that some camera program writes to.

    A file is taken when it is whole: it reads to its end, and has the same size and time as at
    the call before. Until then the picture before it stands.

    Parameters
    ----------
    path : Path
        The folder.
    camera : Camera
        Whose pictures they are.
    """

    def __init__(self, path: Path, camera: Camera) -> None:
        self.path, self.camera = path, camera
        self._met: tuple[str, int, int] | None = None
        self._taken: tuple[str, int, int] | None = None
        self._refused: tuple[str, int, int] | None = None

    def newest(self) -> Shot | None:
        """Return the newest whole picture; None where none came."""
        mark = self._mark()
        if mark is None or mark == self._taken:
            return None
        if mark != self._met:
            self._met = mark  # it may be being written
            return None
        path = self.path / mark[0]
        try:
            _refuse_half(path)
            picture = read_picture(path, self.camera)
        except PictureError:
            if mark == self._refused:
                return None
            self._refused = mark
            raise
        self._taken = mark
        return Shot(path.name, picture)

    def close(self) -> None:
        """Nothing is held."""

    def _mark(self) -> tuple[str, int, int] | None:
        """Return name, time and size of the newest picture file."""
        newest: tuple[int, str, int] | None = None
        try:
            for path in self.path.iterdir():
                if path.suffix.lower() in SUFFIXES:
                    try:
                        stat = path.stat()
                    except OSError:  # it has just been taken away
                        continue
                    newest = max(newest or (0, "", 0), (stat.st_mtime_ns, path.name, stat.st_size))
        except OSError as error:
            raise PictureError(f"{self.path}: can't be looked into ({error.strerror})") from error
        return None if newest is None else (newest[1], newest[0], newest[2])


def _refuse_half(path: Path) -> None:
    """Refuse a file that ends early; OpenCV would show its upper part."""
    try:
        content = read_file(path)
        with warnings.catch_warnings(), whole_pictures():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(content)) as image:
                image.load()
    except (BenchError, OSError) as error:
        raise PictureError(f"{path}: isn't whole yet, or no picture") from error
    except Exception:  # Pillow may not know what OpenCV reads
        return


class Capture:
    """Frames of a device, stream or film, through OpenCV.

    Parameters
    ----------
    text : str
        A device's number, or what OpenCV opens.
    camera : Camera
        Whose frames they are.

    Raises
    ------
    ConfigError
        It can't be opened.
    """

    def __init__(self, text: str, camera: Camera) -> None:
        self.text, self.camera = text, camera
        with hushed():
            self._video = cv2.VideoCapture(int(text) if text.isdecimal() else text)
        if not self._video.isOpened():
            raise ConfigError(f"--watch {text}: OpenCV can't open it as a source of pictures")
        self._video.set(cv2.CAP_PROP_BUFFERSIZE, 1)  # the newest, not the oldest that waits
        self._video.set(cv2.CAP_PROP_FRAME_WIDTH, camera.width)
        self._video.set(cv2.CAP_PROP_FRAME_HEIGHT, camera.height)
        self._count, self._ended = 0, False

    def newest(self) -> Shot | None:
        """Return the next frame; None once it has ended and that was said."""
        if self._ended:
            return None
        with hushed():
            came, frame = self._video.read()
        if not came or frame is None:
            self._ended = True
            raise PictureError(f"{self.text}: no more pictures come")
        grey = grey_of(frame)
        height, width = grey.shape
        if (width, height) != (self.camera.width, self.camera.height):
            raise PictureError(
                f"{self.text}: gives {width} x {height} px, but the bay's camera has "
                f"{self.camera.width} x {self.camera.height} px"
            )
        self._count += 1
        return Shot(f"frame {self._count}", Picture(grey))

    def close(self) -> None:
        """Let the device go."""
        self._video.release()
