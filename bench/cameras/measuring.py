"""Pipelines run on photographs: every marker of a dictionary, boards printed in other ways."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from bench.cameras.board_search import LEGACY, other_ways
from bench.cameras.marker_bits import most_unclear, unclear_bits
from bench.cameras.photographs import Measurement
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import TargetError
from bench.geometry.camera import Camera
from bench.imaging.read import read_picture
from bench.solve.pipeline import Pipeline
from bench.targets.charuco import legacy_of
from bench.targets.dictionary import data_cells
from bench.targets.marker import MarkerDesign, build_marker, is_turned
from bench.targets.target import Target

# How many of the ids that were left out are named on the screen.
NAMED = 8


@dataclass(frozen=True)
class LeftOut:
    """An id that a detector read in a picture which doesn't show its bits clearly enough."""

    picture: str
    pipeline: str
    marker_id: int
    unclear: int


def measure_picture(
    picture: str, observation: Observation, pipeline: Pipeline, *, any_id: bool = False
) -> tuple[list[Measurement], list[LeftOut]]:
    """Run a pipeline on one picture.

    Parameters
    ----------
    picture : str
        Its name.
    observation : Observation
        The picture, its camera and the target to look for. A board that isn't found is looked
        for in the other ways that it may have been printed in.
    pipeline : Pipeline
        What to run.
    any_id : bool
        For a single marker: look for every id that is decoded instead of the target's own. Of
        several markers with one id the detector chooses one.

    Returns
    -------
    list of Measurement
        One; with `any_id` one for each plausible id that was decoded, in order, or one that tells
        that none was.
    list of LeftOut
        With `any_id` the ids that aren't plausible, see `bench.cameras.marker_bits`.
    """
    detection = pipeline.detect(observation)
    ids = sorted(set(detection.marker_ids))
    if not any_id or not ids:
        return [_measured(picture, observation, pipeline, detection)], []
    found, left_out = [], []
    most = most_unclear(str(observation.target.dictionary))
    for marker_id in ids:
        other = replace(observation, target=same_marker(observation.target, marker_id))
        detection = pipeline.detect(other)
        unclear = unclear_bits(other, detection)
        if unclear is not None and unclear > most:
            left_out.append(LeftOut(picture, pipeline.name, marker_id, unclear))
            continue
        estimate = pipeline.solve(detection, other)
        found.append(
            Measurement(picture, pipeline.name, other, detection, estimate, unclear_bits=unclear)
        )
    if not found:
        none = Detection(Found.MISSED)
        found = [_solved(picture, observation, pipeline, none)]
    return found, left_out


def _measured(
    picture: str, observation: Observation, pipeline: Pipeline, detection: Detection
) -> Measurement:
    """Return a target's measurement, of a board in the first way in which it is found."""
    if detection.found is not Found.FOUND:
        for how, other, own in _other_ways(observation, pipeline):
            seen = own.detect(other)
            if seen.found is Found.FOUND:
                return replace(_solved(picture, other, own, seen), read_as=how)
    return _solved(picture, observation, pipeline, detection)


def _solved(
    picture: str, observation: Observation, pipeline: Pipeline, detection: Detection
) -> Measurement:
    estimate = pipeline.solve(detection, observation)
    unclear = unclear_bits(observation, detection)
    return Measurement(
        picture, pipeline.name, observation, detection, estimate, unclear_bits=unclear
    )


def _other_ways(
    observation: Observation, pipeline: Pipeline
) -> Iterator[tuple[str, Observation, Pipeline]]:
    """Yield words, what is shown and who looks; solvers see the drawing that the print has."""
    if pipeline.detector.name not in ("charuco", "circles"):
        return
    board = observation.target
    for how, detector, shown in other_ways(observation.picture, board, pipeline.detector):
        target = legacy_of(board) if how == LEGACY else board
        seen = replace(observation, picture=shown(), target=target)
        yield how, seen, replace(pipeline, detector=detector)


def same_marker(target: Target, marker_id: int) -> Target:
    """Return a single-marker target like another with another id.

    Raises
    ------
    TargetError
        The target isn't a single marker.
    """
    if target.kind != "marker" or target.dictionary is None:
        raise TargetError(f"'{target.name}' isn't a single marker, so it has no other id")
    plate = (target.drawing.width, target.drawing.height)
    half_turn = is_turned(next(iter(target.markers.values())))
    design = MarkerDesign(target.dictionary, marker_id, target.marker_size, half_turn, plate=plate)
    return build_marker(design)


def measure_file(
    path: Path, camera: Camera, target: Target, pipelines: Sequence[Pipeline], any_id: bool
) -> tuple[list[Measurement], list[LeftOut]]:
    """Run pipelines on a picture file; see `measure_picture`."""
    observation = Observation(read_picture(path, camera), camera, target)
    found: list[Measurement] = []
    left_out: list[LeftOut] = []
    for pipeline in pipelines:
        kept, others = measure_picture(str(path), observation, pipeline, any_id=any_id)
        found += kept
        left_out += others
    return found, left_out


def any_id_words(dictionary: str, left_out: Sequence[LeftOut]) -> Iterator[str]:
    """Yield by which rule ids were taken, and which were left out."""
    bits, most = int(data_cells(dictionary).sum()), most_unclear(dictionary)
    yield (
        f"ids are taken where at most {most} of a marker's {bits} bits are unclear (column "
        f"unclear_bits); left out: {len(left_out) or 'none'}"
    )
    for one in left_out[:NAMED]:
        yield f"  {one.picture}, {one.pipeline}: id {one.marker_id}, {one.unclear} bits unclear"
    if len(left_out) > NAMED:
        yield f"  … and {len(left_out) - NAMED} more"
