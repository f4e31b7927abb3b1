import cv2
import numpy as np
import pytest

from bench.errors import PictureError
from bench.geometry.camera import Camera
from bench.imaging.read import find_pictures, read_picture

CAMERA = Camera(width=40, height=30, fx=50.0, fy=50.0, cx=19.5, cy=14.5)


@pytest.fixture
def ramp():
    return np.arange(1200, dtype=np.uint16).reshape(30, 40)


def save(path, values):
    path.write_bytes(cv2.imencode(path.suffix, values)[1].tobytes())
    return path


def test_eight_bit_png_is_read_as_stored(tmp_path, ramp):
    grey = (ramp // 5).astype(np.uint8)
    picture = read_picture(save(tmp_path / "Büro.png", grey), CAMERA)
    np.testing.assert_array_equal(picture.grey, grey)
    assert (picture.u0, picture.v0, picture.full_scale) == (0, 0, 255)


@pytest.mark.parametrize(("brightest", "bits"), [(1000, 10), (4095, 12), (4096, 14), (65535, 16)])
def test_sixteen_bit_files_take_the_fewest_bits_that_hold_them(tmp_path, ramp, brightest, bits):
    ramp[0, 0] = brightest
    ramp = np.minimum(ramp, brightest).astype(np.uint16)
    picture = read_picture(save(tmp_path / "deep.png", ramp))
    np.testing.assert_array_equal(picture.grey, ramp)
    assert picture.full_scale == 2**bits - 1
    assert picture.grey8[0, 0] == round(255 * brightest / (2**bits - 1))


def test_colour_becomes_luma_and_alpha_is_ignored(tmp_path):
    bgra = np.zeros((30, 40, 4), np.uint8)
    bgra[..., :3] = (10, 100, 200)
    grey = read_picture(save(tmp_path / "colour.png", bgra)).grey
    # ITU-R BT.601: Y = 0.299 R + 0.587 G + 0.114 B
    assert np.all(grey == round(0.299 * 200 + 0.587 * 100 + 0.114 * 10))


def test_exif_orientation_is_ignored(tmp_path, ramp):
    jpeg = cv2.imencode(".jpg", (ramp // 5).astype(np.uint8))[1].tobytes()
    # APP1 with a single tag in big-endian TIFF: 0x0112, SHORT, 1 value: 6, "turn right"
    ifd = bytes.fromhex("4d4d002a00000008 0001 0112 0003 00000001 00060000 00000000")
    exif = b"Exif\x00\x00" + ifd
    tagged = jpeg[:2] + b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif + jpeg[2:]
    path = tmp_path / "turned.jpg"
    path.write_bytes(tagged)
    turned = cv2.imdecode(np.frombuffer(tagged, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert turned.shape == (40, 30)  # the tag is well-formed: a reader that obeys it turns
    assert read_picture(path).grey.shape == (30, 40)


def test_picture_of_another_size_than_the_camera_names_both(tmp_path, ramp):
    path = save(tmp_path / "small.png", (ramp[:20] // 5).astype(np.uint8))
    with pytest.raises(PictureError, match=r"small\.png: is 40 x 20 px.* 40 x 30 px"):
        read_picture(path, CAMERA)


@pytest.mark.parametrize("suffix", [".png", ".jpg", ".tiff"])
def test_cut_off_file_is_one_line_that_names_it(tmp_path, ramp, suffix, capfd):
    path = save(tmp_path / f"cut{suffix}", (ramp // 5).astype(np.uint8))
    path.write_bytes(path.read_bytes()[:-60])
    with pytest.raises(PictureError, match=rf"cut\{suffix}: not a picture"):
        read_picture(path)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("content", [b"", b"fx = 3000"])
def test_what_is_no_picture_is_refused(tmp_path, content):
    path = tmp_path / "notes.png"
    path.write_bytes(content)
    with pytest.raises(PictureError, match=r"notes\.png: not a picture"):
        read_picture(path)


def test_floating_point_picture_is_refused(tmp_path, ramp):
    path = save(tmp_path / "float.tiff", ramp.astype(np.float32))
    with pytest.raises(PictureError, match=r"float32 values; save it with 8 or 16 bits"):
        read_picture(path)


def test_missing_file_is_refused(tmp_path):
    with pytest.raises(PictureError, match=r"gone\.png: can't be read"):
        read_picture(tmp_path / "gone.png")


def test_folders_and_wild_cards_expand_sorted_and_without_repeats(tmp_path):
    for name in ("b.png", "a.JPG", "c.txt", "d.tif"):
        (tmp_path / name).touch()
    found = find_pictures([tmp_path / "d.tif", tmp_path, str(tmp_path / "*.png")])
    assert [f.name for f in found] == ["d.tif", "a.JPG", "b.png"]


def test_folder_without_pictures_is_refused(tmp_path):
    (tmp_path / "c.txt").touch()
    with pytest.raises(PictureError, match="no pictures in this folder"):
        find_pictures([tmp_path])


def test_wild_card_without_match_is_refused(tmp_path):
    with pytest.raises(PictureError, match="no such file or folder"):
        find_pictures([str(tmp_path / "*.png")])
