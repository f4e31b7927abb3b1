"""Which pipeline looks for each kind of target in photographs by default, and for boards."""

from __future__ import annotations

from bench.detect.chessboard import Chessboard
from bench.detect.detection import Detector
from bench.errors import ConfigError
from bench.plugins import DETECTORS, load
from bench.targets.target import Target

KINDS = ("marker", "grid", "charuco", "circles")


PIPELINES = {
    "marker": "aruco-subpix/ippe-lm",
    "grid": "aruco-subpix/ippe-lm",
    "charuco": "charuco/ippe-lm",
    "circles": "circles/ippe-lm",
}


def board_detector(board: Target, window: int | None) -> Detector:
    """Return the detector for a board.

    Raises
    ------
    ConfigError
        A window was given for a board that isn't a plain chessboard.
    """
    if board.kind == "chessboard":
        return Chessboard(window)
    if window is not None:
        raise ConfigError("--window is for plain chessboards; ChArUco corners have their own")
    detector = load(DETECTORS, board.kind)
    assert isinstance(detector, Detector)
    return detector
