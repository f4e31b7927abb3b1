"""Pictures that come from a folder or a device, whole and half."""

import os

import cv2
import numpy as np
import pytest

from bench.aiming.source import Capture, Folder, open_source
from bench.errors import ConfigError, PictureError
from bench.geometry.camera import Camera

CAMERA = Camera(64, 48, 100.0, 100.0, 31.5, 23.5)
GREY = np.arange(64 * 48, dtype=np.uint8).reshape(48, 64)


def png(grey=GREY):
    return cv2.imencode(".png", grey)[1].tobytes()


def newest(folder):
    """Look twice: the first time a file may still be being written."""
    return folder.newest() or folder.newest()


def put(path, content, age):
    path.write_bytes(content)
    os.utime(path, ns=(age * 10**9, age * 10**9))


def test_the_newest_picture_is_given_once(tmp_path):
    folder = Folder(tmp_path, CAMERA)
    assert newest(folder) is None
    put(tmp_path / "b.png", png(), 100)
    put(tmp_path / "a.png", png(GREY // 2), 200)
    put(tmp_path / "notes.txt", b"no picture", 300)
    shot = newest(folder)
    assert shot.name == "a.png"
    np.testing.assert_array_equal(shot.picture.grey, GREY // 2)
    assert newest(folder) is None
    put(tmp_path / "a.png", png(), 400)
    np.testing.assert_array_equal(newest(folder).picture.grey, GREY)


@pytest.mark.parametrize("form", [".png", ".jpg", ".bmp", ".tif"])
def test_a_half_written_picture_is_taken_when_it_is_whole(tmp_path, form):
    folder, path = Folder(tmp_path, CAMERA), tmp_path / f"a{form}"
    content = cv2.imencode(form, GREY)[1].tobytes()
    put(path, content[: len(content) // 2], 100)
    assert folder.newest() is None
    with pytest.raises(PictureError, match="isn't whole yet"):
        folder.newest()
    assert folder.newest() is None  # it is said once
    put(path, content, 101)
    assert newest(folder).picture.grey.shape == (48, 64)


def test_a_file_that_grows_between_two_looks_is_left_alone(tmp_path):
    folder = Folder(tmp_path, CAMERA)
    for length in (10, 20, 30):
        put(tmp_path / "a.png", png()[:length], 100 + length)
        assert folder.newest() is None


def test_another_camera_s_picture_is_refused_with_both_sizes(tmp_path):
    folder = Folder(tmp_path, CAMERA)
    put(tmp_path / "a.png", png(GREY[:40]), 100)
    with pytest.raises(PictureError, match="is 64 x 40 px, but the camera file is for 64 x 48 px"):
        newest(folder)


def test_frames_of_a_film_come_until_it_ends(tmp_path):
    path = str(tmp_path / "film.avi")
    writer = cv2.VideoWriter(path, cv2.VideoWriter.fourcc(*"MJPG"), 10.0, (64, 48), False)
    for _ in range(2):
        writer.write(GREY)
    writer.release()
    source = open_source(path, CAMERA)
    assert isinstance(source, Capture)
    assert [source.newest().name for _ in range(2)] == ["frame 1", "frame 2"]
    with pytest.raises(PictureError, match="no more pictures come"):
        source.newest()
    assert source.newest() is None
    source.close()


def test_what_is_neither_folder_nor_device_is_refused(tmp_path):
    with pytest.raises(ConfigError, match="is no folder, no capture device's number"):
        open_source(str(tmp_path / "none"), CAMERA)
    (tmp_path / "film.avi").write_bytes(b"not a film")
    with pytest.raises(ConfigError, match="OpenCV can't open it"):
        open_source(str(tmp_path / "film.avi"), CAMERA)
