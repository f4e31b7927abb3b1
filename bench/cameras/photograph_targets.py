"""Targets to look for in photographs, and the detectors of calibration boards."""

from __future__ import annotations

from collections.abc import Sequence
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
        if detector != Chessboard.name:
            raise ConfigError(f"--pipeline {name}: a chessboard's is chessboard/SOLVER")
        found.append(Pipeline(Chessboard(), cast(Solver, load(SOLVERS, solver))))
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
