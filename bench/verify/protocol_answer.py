"""The line protocol of external pipelines: what may be answered.

An answer repeats the request's id and has one of these::

    {"id": 3, "corners": {"7.0": [u, v], …}, "sigma_px": 0.1}
    {"id": 3, "pose": {"rotation": [[…], […], […]], "translation": […], "covariance": null}}
    {"id": 3, "missed": true, "marker_ids": [8]}
    {"id": 3, "error": "licence expired"}

Corners may stand beside a pose. Anything else is a fault, named with what was expected.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any

import numpy as np
from pydantic import Field, ValidationError

from bench.errors import PlugInError
from bench.solve.pipeline import LARGEST, LARGEST_COVARIANCE
from bench.strict import Section, problem_words
from bench.typing import Array
from bench.units import shown

KINDS = ("corners", "pose", "missed", "error")
# Of a coordinate, where a pipeline claims none: the class's own default.
DEFAULT_SIGMA_PX = 0.1
# What pydantic calls numbers that no measurement gives.
NOT_FINITE = ("finite_number", "less_than_equal", "greater_than_equal")


class Fault(StrEnum):
    """Why an answer can't be used."""

    TIMEOUT = "time-out"
    DIED = "died"
    CLOSED = "closed its output"
    GARBAGE = "garbage"
    TOO_LONG = "too long"
    WRONG_ID = "wrong request id"
    TWICE = "answered twice"
    BROKEN = "broken answer"
    NOT_FINITE = "not finite"
    POSE = "impossible pose"
    ERROR = "reported error"
    GIVEN_UP = "given up"


class ExternalError(PlugInError):
    """An external pipeline gave no usable answer; `fault` says of which kind."""

    def __init__(self, fault: Fault, reason: str) -> None:
        super().__init__(f"{fault}: {reason}")
        self.fault = fault
        self.reason = reason

    def __reduce__(self) -> tuple[Any, ...]:
        """Survive the way back from a worker process."""
        return type(self), (self.fault, self.reason)


@dataclass(frozen=True, eq=False)
class Answer:
    """What a pipeline answered: well formed and finite, not yet judged.

    Attributes
    ----------
    missed : bool
        It found no target.
    corners : dict of str to (float, float)
        Pixels of the picture by the point's name.
    sigma_px : float
        Claimed for a corner's coordinate.
    rotation : (3, 3) float64 or None
        As answered, perhaps not a rotation.
    translation : (3,) float64 or None
        As answered.
    covariance : (6, 6) float64 or None
        As answered: symmetric, not negative.
    ambiguous : bool
        The pipeline itself doesn't trust its pose.
    marker_ids : tuple of int
        Ids that it read.
    """

    missed: bool = False
    corners: dict[str, tuple[float, float]] | None = None
    sigma_px: float = DEFAULT_SIGMA_PX
    rotation: Array | None = None
    translation: Array | None = None
    covariance: Array | None = None
    ambiguous: bool = False
    marker_ids: tuple[int, ...] = ()


Number = Annotated[float, Field(ge=-LARGEST, le=LARGEST)]
Pixel = Annotated[list[Number], Field(min_length=2, max_length=2)]
Triple = Annotated[list[Number], Field(min_length=3, max_length=3)]
Spread = Annotated[float, Field(ge=-LARGEST_COVARIANCE, le=LARGEST_COVARIANCE)]
Spreads = Annotated[list[Spread], Field(min_length=6, max_length=6)]


class PoseAnswer(Section):
    """A pose as answered."""

    rotation: Annotated[list[Triple], Field(min_length=3, max_length=3)]
    translation: Triple
    covariance: Annotated[list[Spreads], Field(min_length=6, max_length=6)] | None = None
    ambiguous: bool = False


class AnswerLine(Section):
    """What a line may hold."""

    id: int
    corners: Annotated[dict[str, Pixel], Field(min_length=1)] | None = None
    sigma_px: Annotated[float, Field(gt=0.0, le=LARGEST)] | None = None
    pose: PoseAnswer | None = None
    missed: bool | None = None
    marker_ids: list[int] | None = None
    error: Any = None


def read_answer(line: bytes, request_id: int) -> Answer:
    """Return the answer that a line holds.

    Raises
    ------
    ExternalError
        The line isn't an answer to this request, or the pipeline reports an error.
    """
    content = _object(line)
    if type(content.get("id")) is not int or content["id"] != request_id:
        raise ExternalError(
            Fault.WRONG_ID, f"request {request_id} was answered with id {shown(content.get('id'))}"
        )
    try:
        answer = AnswerLine.model_validate(content)
    except ValidationError as error:
        kinds = {problem["type"] for problem in error.errors()}
        fault = Fault.NOT_FINITE if kinds <= set(NOT_FINITE) else Fault.BROKEN
        raise ExternalError(fault, problem_words(AnswerLine, error)) from error
    given = [name for name in KINDS if getattr(answer, name) not in (None, False)]
    if given == ["error"]:
        raise ExternalError(Fault.ERROR, shown(answer.error))
    if given not in (["corners"], ["pose"], ["corners", "pose"], ["missed"]):
        raise ExternalError(
            Fault.BROKEN,
            "an answer has 'corners', 'pose' or both, or 'missed', or 'error'; got "
            + (" and ".join(given) or "none of them"),
        )
    corners, pose = answer.corners, answer.pose
    return Answer(
        missed=bool(answer.missed),
        corners=None if corners is None else {name: (u, v) for name, (u, v) in corners.items()},
        sigma_px=answer.sigma_px or DEFAULT_SIGMA_PX,
        rotation=None if pose is None else np.array(pose.rotation, dtype=np.float64),
        translation=None if pose is None else np.array(pose.translation, dtype=np.float64),
        covariance=None if pose is None else _covariance(pose.covariance),
        ambiguous=pose is not None and pose.ambiguous,
        marker_ids=tuple(answer.marker_ids or ()),
    )


def _object(line: bytes) -> dict[str, Any]:
    try:
        value = json.loads(line.decode(), object_pairs_hook=_unique)
    except (ValueError, RecursionError) as error:  # UnicodeDecodeError is a ValueError
        if isinstance(error, _RepeatedKeyError):
            raise ExternalError(Fault.BROKEN, f"key {shown(error)} twice") from error
        value = None
    if not isinstance(value, dict):
        words = shown(line.decode(errors="replace"))
        raise ExternalError(Fault.GARBAGE, f"not a JSON object: {words}")
    return value


class _RepeatedKeyError(ValueError):
    """An object has a key twice: one of two values would be lost unseen."""


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        raise _RepeatedKeyError(next(name for name in names if names.count(name) > 1))
    return found


def _covariance(given: list[list[float]] | None) -> Array | None:
    if given is None:
        return None
    covariance = np.array(given, dtype=np.float64)
    # Numbers printed in single precision or to six digits are off by 1e-6 of the larger of the
    # two standard deviations' product; 1e-5 forgives that and no more.
    sigma = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    slack = 1e-5 * np.outer(sigma, sigma)
    if np.any(np.diag(covariance) < 0.0) or np.any(
        np.abs(covariance - covariance.T) > 2.0 * slack
    ):
        raise ExternalError(Fault.BROKEN, "covariance must be symmetric with variances above 0")
    covariance = 0.5 * (covariance + covariance.T)
    scaled = covariance / np.where(sigma > 0.0, np.outer(sigma, sigma), 1.0)
    if np.linalg.eigvalsh(scaled).min() < -6.0 * 1e-5:  # six rows, each off by the slack
        raise ExternalError(Fault.BROKEN, "covariance has a negative eigenvalue")
    return np.asarray(covariance, dtype=np.float64)
