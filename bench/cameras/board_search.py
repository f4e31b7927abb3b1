"""A board looked for in every way that it may have been printed, and the likely reason if missed.

What a picture shows is taken where only the print differs: circles light on dark, ChArUco in the
layout that OpenCV drew before 4.6. Where counts or the dictionary differ, points would be at other
places on the board, so that is said, not taken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from bench.cameras.circle_outlines import CircleOutlines, inverted
from bench.detect.aruco import marker_parameters
from bench.detect.charuco import Charuco
from bench.detect.chessboard import Chessboard
from bench.detect.circles import Circles
from bench.detect.detection import Detection, Detector, Found
from bench.detect.observation import Observation
from bench.errors import TargetError
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.targets.charuco import CharucoDesign, build_charuco
from bench.targets.chessboard import ChessboardDesign, build_chessboard
from bench.targets.circles import CirclesDesign, build_circles
from bench.targets.dictionary import opencv_dictionary
from bench.targets.target import Target

LEGACY = "the layout that OpenCV drew before 4.6 (legacy)"
LIGHT = "circles light on dark"
# Of each size the largest dictionary, which begins with the smaller ones'.
OTHER_DICTIONARIES = (
    "DICT_4X4_1000",
    "DICT_5X5_1000",
    "DICT_6X6_1000",
    "DICT_7X7_1000",
    "DICT_ARUCO_ORIGINAL",
    "DICT_APRILTAG_36h11",
)
# Markers of another dictionary that are no accident: a false one turns up now and then.
LEAST_MARKERS = 4


DETECTORS: dict[str, Detector] = {
    "charuco": Charuco(),
    "chessboard": Chessboard(),
    "circles": Circles(),
}


@dataclass(frozen=True, eq=False)
class Search:
    """What came of looking for a board in one picture.

    Attributes
    ----------
    detection : Detection
        Of the first way that found it, else of the plain one.
    how : str
        In which way, in words; empty for the plain one.
    """

    detection: Detection
    how: str = ""


def nominal_camera(width: int, height: int) -> Camera:
    """Return a camera with a field of view of 53 degrees, for detectors that ask for one.

    Nothing of it may reach a calibration: detectors of boards work on the picture alone.
    """
    return Camera(width, height, width, width, 0.5 * (width - 1), 0.5 * (height - 1))


def search(picture: Picture, board: Target, detector: Detector) -> Search:
    """Return what a detector, and then the other ways, find of a board in a picture."""
    plain = _look(picture, board, detector)
    if plain.found is Found.FOUND:
        return Search(plain)
    for how, other, shown in other_ways(picture, board, detector):
        found = _look(shown(), board, other)
        if found.found is Found.FOUND:
            return Search(found, how)
    return Search(plain)


def why_missed(picture: Picture, board: Target) -> str:
    """Return the likely reason why a board isn't found in a picture; empty where none shows."""
    for words, target in _other_boards(board):
        found = search(picture, target, DETECTORS[board.kind])
        if found.detection.found is not Found.FOUND:
            continue
        if board.kind == "charuco" and len(found.detection.pixels) < len(target.points) // 4:
            continue
        also = f", {found.how}" if found.how else ""
        return f"the picture shows {words}{also}"
    return _why_markers(picture, board) if board.kind == "charuco" else ""


def _look(picture: Picture, board: Target, detector: Detector) -> Detection:
    height, width = picture.grey.shape
    return detector.detect(Observation(picture, nominal_camera(width, height), board))


def other_ways(
    picture: Picture, board: Target, detector: Detector
) -> Iterator[tuple[str, Detector, Callable[[], Picture]]]:
    """Yield words for another way in which a board may be printed, a detector, what it's shown."""

    def as_it_is() -> Picture:
        return picture

    def turned() -> Picture:
        return inverted(picture)

    if board.kind == "charuco" and isinstance(detector, Charuco):
        yield LEGACY, replace(detector, legacy=True), as_it_is
    if board.kind == "circles":
        yield "", CircleOutlines(), as_it_is
        yield LIGHT, detector, turned
        yield LIGHT, CircleOutlines(), turned


def _other_boards(board: Target) -> Iterator[tuple[str, Target]]:
    """Yield boards that a user may have meant, each with words for it."""
    columns, rows = board.layout
    if board.kind == "chessboard":
        inner = (columns - 1, rows - 1)
        for more, words in ((-1, " (those were squares)"), (1, "")):
            layout = (inner[0] + more, inner[1] + more)
            if min(layout) >= 2:
                yield (
                    f"a chessboard of {layout[0]} x {layout[1]} inner corners, not "
                    f"{inner[0]} x {inner[1]}" + words,
                    build_chessboard(ChessboardDesign(*layout, board.pitch)),
                )
    elif board.kind == "circles":
        for layout, symmetric in (
            ((rows, columns), board.symmetric),
            ((columns, rows), not board.symmetric),
            ((rows, columns), not board.symmetric),
        ):
            if (layout, symmetric) == (board.layout, board.symmetric):
                continue
            pattern = "symmetric" if symmetric else "asymmetric"
            yield (
                f"{pattern} circles {layout[0]} x {layout[1]}",
                build_circles(CirclesDesign(*layout, board.pitch, 0.5 * board.pitch, symmetric)),
            )
    else:
        first = min(board.markers)
        counted = "squares, not inner corners, are counted"
        layouts = (
            (rows, columns, "columns and rows swapped"),
            (columns + 1, rows + 1, counted),
            (rows + 1, columns + 1, counted),
        )
        for across, up, words in layouts:
            if (across, up) == board.layout:
                continue
            try:
                target = build_charuco(
                    CharucoDesign(
                        str(board.dictionary), across, up, board.pitch, board.marker_size, first
                    )
                )
            except TargetError:  # ids beyond the dictionary
                continue
            yield f"a ChArUco board of {across} x {up} squares ({words})", target


def _why_markers(picture: Picture, board: Target) -> str:
    """Return what markers tell of a ChArUco board that isn't found."""
    grey = picture.grey8
    own = _decoded(grey, str(board.dictionary))
    if own:
        strange = sorted(own - set(board.markers))
        if strange:
            return (
                f"{len(own)} markers were read, {len(strange)} of them beyond this board's ids "
                f"{min(board.markers)} to {max(board.markers)} (up to {strange[-1]})"
            )
        return f"{len(own)} markers were read, but they don't lie as on this board"
    if len(_decoded(255 - grey, str(board.dictionary))) >= LEAST_MARKERS:
        return "the picture shows the board inverted, white for black"
    counts = {name: len(_decoded(grey, name)) for name in OTHER_DICTIONARIES}
    best = max(counts, key=lambda name: counts[name])
    if counts[best] >= LEAST_MARKERS:
        return f"no marker of {board.dictionary} is seen, but {counts[best]} of {best}"
    return ""


def _decoded(grey: np.ndarray, dictionary: str) -> set[int]:
    detector = cv2.aruco.ArucoDetector(
        opencv_dictionary(dictionary), marker_parameters(grey.shape)
    )
    _, ids, _ = detector.detectMarkers(grey)
    return set() if ids is None else {int(i) for i in ids.ravel()}
