"""Targets to look for in photographs, and the detectors of calibration boards."""

from __future__ import annotations

from pathlib import Path

from bench.detect.chessboard import Chessboard
from bench.detect.detection import Detector
from bench.errors import ConfigError
from bench.plugins import DETECTORS, load
from bench.scene.load import load_bay
from bench.solve.pipeline import Pipeline
from bench.targets.spec import target_from_spec
from bench.targets.target import Target

KINDS = ("marker", "grid", "charuco", "circles")


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
        raise ConfigError("--window is for plain chessboards; other boards have their own")
    detector = load(DETECTORS, board.kind)
    assert isinstance(detector, Detector)
    return detector


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
    return target_from_spec(text, KINDS)


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
