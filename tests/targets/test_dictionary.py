"""Dictionaries and their bits against the pictures that OpenCV makes of them."""

import cv2
import numpy as np
import pytest

from bench.errors import TargetError
from bench.targets.dictionary import check_ids, dictionaries, dictionary, marker_cells

NAMES = [d.name for d in dictionaries()]


def test_every_predefined_dictionary_of_opencv_is_there_once():
    numbers = {getattr(cv2.aruco, n) for n in dir(cv2.aruco) if n.startswith("DICT_")}
    ours = [getattr(cv2.aruco, name) for name in NAMES]
    assert sorted(ours) == sorted(numbers)
    families = {"DICT_APRILTAG_16h5", "DICT_APRILTAG_25h9", "DICT_APRILTAG_36h10"}
    assert families | {"DICT_APRILTAG_36h11", "DICT_ARUCO_MIP_36h12"} <= set(NAMES)


@pytest.mark.parametrize(
    ("name", "size", "cells"),
    [
        # number of codes of each family: AprilTag's own names and lists (Olson 2011; the
        # apriltag library's tag36h11.c and siblings), from memory
        ("DICT_APRILTAG_16h5", 30, 6),
        ("DICT_APRILTAG_25h9", 35, 7),
        ("DICT_APRILTAG_36h11", 587, 8),
        ("DICT_4X4_50", 50, 6),
        ("DICT_7X7_1000", 1000, 9),
        ("DICT_ARUCO_ORIGINAL", 1024, 7),
    ],
)
def test_dictionaries_have_their_published_sizes(name, size, cells):
    assert (dictionary(name).size, dictionary(name).cells) == (size, cells)


@pytest.mark.parametrize("name", NAMES)
def test_the_cells_of_every_marker_equal_opencvs_picture(name, opencv_dictionary):
    book = dictionary(name)
    theirs = opencv_dictionary(name)
    for marker_id in range(book.size):
        picture = theirs.generateImageMarker(marker_id, book.cells)  # one pixel a cell
        assert np.array_equal(marker_cells(name, marker_id), picture > 0)


@pytest.mark.parametrize(
    ("alias", "name"),
    [
        ("tag36h11", "DICT_APRILTAG_36h11"),
        ("36H11", "DICT_APRILTAG_36h11"),
        ("DICT_APRILTAG_36H11", "DICT_APRILTAG_36h11"),
        ("apriltag-25h9", "DICT_APRILTAG_25h9"),
        ("4x4_50", "DICT_4X4_50"),
        (" DICT_4X4_50 ", "DICT_4X4_50"),
        ("aruco-original", "DICT_ARUCO_ORIGINAL"),
        ("mip_36h12", "DICT_ARUCO_MIP_36h12"),
    ],
)
def test_friendly_names_lead_to_opencvs_name(alias, name):
    assert dictionary(alias).name == name


def test_no_alias_belongs_to_two_dictionaries():
    aliases = [a for d in dictionaries() for a in {d.name.lower(), *d.aliases}]
    assert len(aliases) == len(set(aliases))


def test_every_dictionary_answers_to_all_its_own_aliases():
    for d in dictionaries():
        assert all(dictionary(a) is d for a in (d.name, d.short_name, *d.aliases))


def test_a_mistyped_dictionary_gets_a_suggestion():
    with pytest.raises(TargetError, match=r"'tag36h1'.*did you mean DICT_APRILTAG_36h11"):
        dictionary("tag36h1")


def test_a_name_like_no_other_points_to_the_list():
    with pytest.raises(TargetError, match=r"'zzzz'.*--list"):
        dictionary("zzzz")


@pytest.mark.parametrize("marker_id", [-1, 587])
def test_an_id_outside_its_dictionary_is_refused_with_the_limit(marker_id):
    with pytest.raises(TargetError, match=f"marker id {marker_id}: .*36h11 has ids 0 to 586"):
        marker_cells("tag36h11", marker_id)


def test_a_run_of_ids_is_refused_when_its_end_is_outside():
    book = dictionary("4x4_50")
    check_ids(book, 45, 5)
    with pytest.raises(TargetError, match=r"ids 45 to 50: DICT_4X4_50 has ids 0 to 49"):
        check_ids(book, 45, 6)
