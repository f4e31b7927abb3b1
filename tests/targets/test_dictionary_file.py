import cv2
import numpy as np
import pytest

from bench.errors import TargetError
from bench.targets.dictionary import dictionary, marker_cells, opencv_dictionary
from bench.targets.marker import MarkerDesign, build_marker


@pytest.fixture
def dictionary_file(tmp_path):
    """Three markers of our own, in the format that OpenCV writes."""
    book = cv2.aruco.extendDictionary(3, 5, randomSeed=7)
    path = tmp_path / "own.yml"
    storage = cv2.FileStorage(str(path), cv2.FILE_STORAGE_WRITE)
    book.writeDictionary(storage)
    storage.release()
    return path, book


def test_dictionary_file_is_read_as_opencv_wrote_it(dictionary_file):
    path, book = dictionary_file
    own = dictionary(str(path))
    assert (own.size, own.cells, own.short_name) == (3, 7, "own")
    np.testing.assert_array_equal(opencv_dictionary(str(path)).bytesList, book.bytesList)
    for marker_id in range(3):
        drawn = cv2.aruco.generateImageMarker(book, marker_id, 7)
        np.testing.assert_array_equal(marker_cells(str(path), marker_id), drawn > 0)


def test_target_keeps_the_file_as_its_dictionary(dictionary_file):
    path, _ = dictionary_file
    target = build_marker(MarkerDesign(str(path), 2, 0.1))
    assert target.dictionary == str(path)
    with pytest.raises(TargetError, match="ids 0 to 2"):
        MarkerDesign(str(path), 3, 0.1)


def test_name_gives_opencv_s_own_dictionary():
    predefined = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    np.testing.assert_array_equal(opencv_dictionary("tag36h11").bytesList, predefined.bytesList)


@pytest.mark.parametrize("content", ["", "%YAML:1.0\nfocal_length: 3\n", "not: [yaml", "\x00\x01"])
def test_file_without_a_dictionary_is_refused_by_name(tmp_path, content):
    path = tmp_path / "other.yml"
    path.write_text(content)
    with pytest.raises(TargetError, match=r"other\.yml: .*marker dictionary"):
        dictionary(str(path))


def test_missing_dictionary_file_is_refused(tmp_path):
    with pytest.raises(TargetError, match=r"gone\.yml: no such marker dictionary file"):
        dictionary(str(tmp_path / "gone.yml"))
