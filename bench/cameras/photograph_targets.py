"""Targets to look for in photographs, and the detectors of calibration boards."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import cast

from bench.detect.chessboard import Chessboard
from bench.detect.detection import Detector
from bench.errors import ConfigError
from bench.plugins import DETECTORS, SOLVERS, load
from bench.scene.load import load_bay
from bench.solve.default_pipeline import default_pipeline
from bench.solve.estimate import Solver
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.targets.spec import target_from_spec
from bench.targets.target import Target

KINDS = ("marker", "grid", "charuco", "circles")
# What a camera can be calibrated from.
BOARDS = ("chessboard", "charuco", "circles")
# A chessboard looks the same upside down, so that only pictures that are measured for
# themselves may show one.
MEASURED_KINDS = (*KINDS, "chessboard", "bitmap")
BOARD_PIPELINE = "chessboard/ippe-lm"
CHESS_CORNERS = "chess-corners"


def board_detector(board: Target, window: int | None, corners: str | None = None) -> Detector:
    """Return the detector for a board.

    Raises
    ------
    ConfigError
        A window, or a chessboard's detector, for another board; one that isn't there.
    """
    if board.kind == "chessboard":
        return chessboard_detector(corners or Chessboard.name, window, "--corners")
    if window is not None or corners is not None:
        asked = "--corners" if window is None else "--window"
        raise ConfigError(f"{asked} is for plain chessboards; other boards have their own")
    detector = load(DETECTORS, board.kind)
    assert isinstance(detector, Detector)
    return detector


def chessboard_detector(name: str, window: int | None, asked_by: str) -> Detector:
    """Return a detector of chessboards: OpenCV's, or chess-corners where it is installed.

    Raises
    ------
    ConfigError
        There is none of that name, its package is missing, or it has no window.
    """
    if name == Chessboard.name:
        return Chessboard(window)
    if name != CHESS_CORNERS:
        raise ConfigError(f"{asked_by} must be {Chessboard.name} or {CHESS_CORNERS}, got '{name}'")
    if window is not None:
        raise ConfigError(f"--window is of {Chessboard.name}; {CHESS_CORNERS} has its own")
    if find_spec("chess_corners") is None:
        raise ConfigError(
            f"{asked_by}: {CHESS_CORNERS} needs a package that isn't installed: "
            f"pip install 'sightbench[{CHESS_CORNERS}]'"
        )
    from bench.detect.chess_corners import ChessCorners

    return ChessCorners()


def read_target(text: str) -> Target:
    """Return the target of a line such as ``marker:36h11:0:200 mm`` or of a bay file.

    Raises
    ------
    ConfigError
        The bay file is faulty.
    TargetError
        The line is.
    """
    if text.lower().endswith(".toml"):
        return load_bay(Path(text)).target
    return target_from_spec(text, MEASURED_KINDS)


def pipelines_of(target: Target, names: Sequence[str]) -> list[Pipeline]:
    """Return the pipelines named, or the default for a target.

    A chessboard's detector is for photographs alone, so that no survey knows it by name.

    Raises
    ------
    PlugInError
        There is no such pipeline.
    """
    if target.kind != "chessboard":
        return [pipeline_from_name(name) for name in names or [default_pipeline(target)]]
    found = []
    for name in names or [BOARD_PIPELINE]:
        detector, _, solver = name.partition("/")
        own = chessboard_detector(detector, None, "--pipeline: a chessboard's detector")
        found.append(Pipeline(own, cast(Solver, load(SOLVERS, solver))))
    return found


def check_pipelines(target: Target, pipelines: list[Pipeline], any_id: bool) -> None:
    """Raise `ConfigError` when pipelines repeat, can't look for the target, or not for any id."""
    names = [pipeline.name for pipeline in pipelines]
    for pipeline in pipelines:
        reason = pipeline.refusal(target)
        if reason:
            raise ConfigError(reason)
        if names.count(pipeline.name) > 1:
            raise ConfigError(f"--pipeline {pipeline.name} is given twice")
    if any_id and target.kind != "marker":
        raise ConfigError(f"--any-id is for a single marker, not for a {target.kind}")
