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
import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from bench.errors import PlugInError
from bench.solve.pipeline import LARGEST, LARGEST_COVARIANCE
from bench.typing import Array

KINDS = ("corners", "pose", "missed", "error")
KNOWN = {"id", *KINDS, "sigma_px", "marker_ids"}
POSE_KNOWN = {"rotation", "translation", "covariance", "ambiguous"}
# Of a coordinate, where a pipeline claims none: the class's own default.
DEFAULT_SIGMA_PX = 0.1
# Of an answer quoted in a message.
QUOTED = 60


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


def read_answer(line: bytes, request_id: int) -> Answer:
    """Return the answer that a line holds.

    Raises
    ------
    ExternalError
        The line isn't an answer to this request, or the pipeline reports an error.
    """
    answer = _object(line)
    if answer.get("id") is None or answer["id"] != request_id or isinstance(answer["id"], bool):
        raise ExternalError(
            Fault.WRONG_ID, f"request {request_id} was answered with id {_quote(answer.get('id'))}"
        )
    _check_keys(answer, KNOWN, "the answer")
    given = [name for name in KINDS if answer.get(name) not in (None, False)]
    if given == ["error"]:
        raise ExternalError(Fault.ERROR, _quote(answer["error"]))
    if given not in (["corners"], ["pose"], ["corners", "pose"], ["missed"]):
        raise ExternalError(
            Fault.BROKEN,
            "an answer has 'corners', 'pose' or both, or 'missed', or 'error'; got "
            + (" and ".join(given) or "none of them"),
        )
    values: dict[str, Any] = {"marker_ids": _ids(answer.get("marker_ids"))}
    if "corners" in given:
        values["corners"] = _corners(answer["corners"])
        values["sigma_px"] = _sigma(answer.get("sigma_px"))
    if "pose" in given:
        values |= _pose(answer["pose"])
    return Answer(missed=given == ["missed"], **values)


def _object(line: bytes) -> dict[str, Any]:
    try:
        text = line.decode()
        value = json.loads(text, object_pairs_hook=_unique)
    except (ValueError, RecursionError) as error:  # UnicodeDecodeError is a ValueError
        if isinstance(error, _RepeatedKeyError):
            raise ExternalError(Fault.BROKEN, f"key {_quote(str(error))} twice") from error
        raise ExternalError(Fault.GARBAGE, f"not a JSON object: {_quote(line)}") from error
    if not isinstance(value, dict):
        raise ExternalError(Fault.GARBAGE, f"not a JSON object: {_quote(line)}")
    return value


class _RepeatedKeyError(ValueError):
    """An object has a key twice: one of two values would be lost unseen."""


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise _RepeatedKeyError(key)
        found[key] = value
    return found


def _check_keys(given: dict[str, Any], known: set[str], where: str) -> None:
    unknown = sorted(set(given) - known)
    if unknown:
        raise ExternalError(
            Fault.BROKEN,
            f"{where} has the unknown key {_quote(unknown[0])}; known: {', '.join(sorted(known))}",
        )


def _corners(given: Any) -> dict[str, tuple[float, float]]:
    if not isinstance(given, dict) or not given:
        raise ExternalError(
            Fault.BROKEN, f"corners must be an object of points, got {_quote(given)}"
        )
    corners = {}
    for name, pixel in given.items():
        u, v = _numbers(pixel, (2,), f"corner {_quote(name)}")
        corners[name] = (float(u), float(v))
    return corners


def _sigma(given: Any) -> float:
    if given is None:
        return DEFAULT_SIGMA_PX
    sigma = float(_numbers(given, (), "sigma_px"))
    if not sigma > 0.0:
        raise ExternalError(Fault.BROKEN, f"sigma_px must be positive, got {sigma:g}")
    return sigma


def _ids(given: Any) -> tuple[int, ...]:
    if given is None:
        return ()
    if not isinstance(given, list) or not all(type(i) is int for i in given):
        raise ExternalError(Fault.BROKEN, f"marker_ids must be whole numbers, got {_quote(given)}")
    return tuple(given)


def _pose(given: Any) -> dict[str, Any]:
    if not isinstance(given, dict):
        raise ExternalError(Fault.BROKEN, f"pose must be an object, got {_quote(given)}")
    _check_keys(given, POSE_KNOWN, "the pose")
    values: dict[str, Any] = {
        "rotation": _numbers(given.get("rotation"), (3, 3), "rotation"),
        "translation": _numbers(given.get("translation"), (3,), "translation"),
        "ambiguous": given.get("ambiguous") is True,
    }
    if given.get("covariance") is not None:
        values["covariance"] = _covariance(given["covariance"])
    return values


def _covariance(given: Any) -> Array:
    covariance = _numbers(given, (6, 6), "covariance")
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


def _numbers(given: Any, shape: tuple[int, ...], name: str) -> Array:
    """Return finite numbers of a shape; strings and booleans aren't numbers."""
    fault = ExternalError(
        Fault.BROKEN,
        f"{name} must be {' x '.join(map(str, shape)) or 'a number'}"
        f"{' numbers' if shape else ''}, got {_quote(given)}",
    )
    flat: list[float] = []

    def walk(value: Any, depth: int) -> None:
        if depth == len(shape):
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise fault
            try:
                flat.append(float(value))
            except OverflowError:  # a whole number beyond 1e308
                flat.append(math.inf)
            return
        if not isinstance(value, list) or len(value) != shape[depth]:
            raise fault
        for item in value:
            walk(item, depth + 1)

    walk(given, 0)
    numbers = np.array(flat).reshape(shape)
    if not np.all(np.isfinite(numbers)):
        raise ExternalError(Fault.NOT_FINITE, f"{name} isn't finite: {_quote(given)}")
    most = LARGEST_COVARIANCE if name == "covariance" else LARGEST
    if np.any(np.abs(numbers) > most):
        raise ExternalError(Fault.NOT_FINITE, f"{name} is beyond {most:g}: {_quote(given)}")
    return numbers


def _quote(value: Any) -> str:
    """Return an answer's part for a one-line message, printable and not long."""
    text = value.decode(errors="replace") if isinstance(value, bytes) else str(value)
    text = "".join(c if c.isprintable() else "?" for c in text[: QUOTED + 1])
    return repr(text if len(text) <= QUOTED else text[:QUOTED] + "…")
