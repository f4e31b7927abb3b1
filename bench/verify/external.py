"""Pipelines in any language: a command that answers requests, as a detector and as a pipeline.

What goes wrong in the other program, a hang, a crash, a garbled answer, becomes an
`ExternalError`, which is a `PlugInError`: surveys count the case, keep the reason and go on.
"""

from __future__ import annotations

import shlex
import shutil
import tempfile
import weakref
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import numpy as np

from bench.detect.detection import Detection, Detector, Found
from bench.detect.observation import Observation
from bench.errors import ConfigError, GeometryError, RunError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.imaging.picture import png
from bench.solve.estimate import Estimate, Outcome, Solver
from bench.solve.ippe import IppeLmSolver
from bench.solve.pipeline import Pipeline
from bench.typing import Array
from bench.verify.protocol import point_names, request_line
from bench.verify.protocol_answer import Answer, ExternalError, Fault, read_answer
from bench.verify.protocol_process import Process

TIMEOUT_S, START_S = 10.0, 30.0
# Processes lost in a row, until no more are started: of a command that never gave a usable
# answer, and of one that did. The second is larger than any run of hard cases should be, and
# ends a pipeline that hangs for good within 20 time-outs.
MAX_LOST_AT_FIRST, MAX_LOST = 3, 20
# After these the process still waits for the next request in step.
IN_STEP = (Fault.BROKEN, Fault.NOT_FINITE, Fault.POSE, Fault.ERROR)
# A rotation printed to six decimals has elements off by 5e-7; of the sums of products that
# make R Rᵀ none is then off by more than 2 √3 · 5e-7. Single precision is finer.
ORTHONORMAL_ATOL = 2e-6


@dataclass(frozen=True, eq=False)
class AnsweredDetection(Detection):
    """A detection that came with a pose; without corners, `pixels` is where the pose has them."""

    estimate: Estimate = field(default_factory=lambda: Estimate(Outcome.NOT_FINITE))


class ExternalDetector:
    """A command that is asked by the line protocol.

    The process is started with the first request and after it was lost; it doesn't travel:
    a copy in another process starts its own.

    Parameters
    ----------
    command : str or sequence of str
        As typed, or split; run without a shell.
    timeout_s : float
        For an answer, seconds.
    start_s : float
        Added for a process's first.
    name : str, optional
        As tables call it; by default the command's words, without folders.

    Raises
    ------
    ConfigError
        The command is empty or not found, or a time isn't positive.
    """

    def __init__(
        self,
        command: str | Sequence[str],
        timeout_s: float = TIMEOUT_S,
        *,
        start_s: float = START_S,
        name: str | None = None,
    ) -> None:
        self.command = split_command(command)
        if not (0.0 < timeout_s < np.inf and 0.0 <= start_s < np.inf):
            raise ConfigError(
                f"time-out must be above 0 s and start at least 0 s, got {timeout_s} and {start_s}"
            )
        self.timeout_s, self.start_s = timeout_s, start_s
        self.name = name or "external:" + " ".join(Path(word).name for word in self.command)
        self._reset()

    def _reset(self) -> None:
        self.faults: Counter[Fault] = Counter()
        self._process: Process | None = None
        self._folder: Path | None = None
        self._finalizer: weakref.finalize[Any, Any] | None = None
        self._requests = self._lost = 0
        self._ever_answered = False

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what belongs to this process."""
        kept = ("command", "timeout_s", "start_s", "name")
        return {key: getattr(self, key) for key in kept}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._reset()

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for: the protocol carries all."""
        return True

    def detect(self, observation: Observation) -> Detection:
        """Ask for the observation's target; raises as `ask`."""
        answer = self.ask(observation)
        try:
            return detection_of(answer, observation)
        except ExternalError as error:
            self.faults[error.fault] += 1
            raise

    def ask(self, observation: Observation) -> Answer:
        """Ask for the observation's target and return the answer as it came.

        Raises
        ------
        ExternalError
            There was none that can be read.
        RunError
            The picture can't be written where temporary files go.
        """
        most = MAX_LOST if self._ever_answered else MAX_LOST_AT_FIRST
        try:
            if self._lost >= most:
                raise ExternalError(Fault.GIVEN_UP, f"{self._lost} processes were lost in a row")
            answer = self._ask(observation)
        except ExternalError as error:
            self.faults[error.fault] += 1
            if error.fault not in IN_STEP and error.fault is not Fault.GIVEN_UP:
                self._lost += 1
                self._end(kindly=False)
            raise
        self._lost, self._ever_answered = 0, True
        return answer

    def restart(self) -> None:
        """End the process, so that the next request meets a fresh one."""
        self._end(kindly=True)

    def close(self) -> None:
        """End the process and remove temporary files; a later request starts anew."""
        self._end(kindly=True)
        if self._finalizer is not None:
            self._finalizer()
        self._folder = self._finalizer = None

    def _ask(self, observation: Observation) -> Answer:
        self._requests += 1
        request_id = self._requests
        image = self._write(request_id, observation)
        try:
            line = request_line(request_id, image, observation)
            timeout_s = self.timeout_s
            if self._process is None:
                self._process = Process(self.command)
                timeout_s += self.start_s
            answer = read_answer(self._process.ask(line, timeout_s), request_id)
            if self._process.unasked:
                raise ExternalError(Fault.TWICE, f"more than one line for request {request_id}")
            return answer
        finally:
            image.unlink(missing_ok=True)

    def _write(self, request_id: int, observation: Observation) -> Path:
        try:
            if self._folder is None:
                self._folder = Path(tempfile.mkdtemp(prefix="sightbench-"))
                self._finalizer = weakref.finalize(self, shutil.rmtree, self._folder, True)
            image = self._folder / f"{request_id}.png"
            image.write_bytes(png(observation.picture.grey, quick=True))
        except OSError as error:
            where = self._folder or tempfile.gettempdir()
            raise RunError(f"{where}: can't write a picture: {error.strerror}") from error
        return image

    def _end(self, *, kindly: bool) -> None:
        if self._process is not None:
            self._process.close(kindly=kindly)
        self._process = None


class AnswerSolver:
    """The pose that an external pipeline answered; of corners alone, that of `IppeLmSolver`.

    Equation: none of its own, or that of ``ippe-lm``.
    Paper: as there.
    Precondition: an `AnsweredDetection`, or that of ``ippe-lm``.
    """

    name = "answered"

    def __init__(self) -> None:
        self._solver = IppeLmSolver()

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate the target's pose."""
        if isinstance(detection, AnsweredDetection):
            return detection.estimate
        return self._solver.solve(detection, observation)


class ExternalPipeline(Pipeline):
    """A pipeline that is a command; parameters and errors as `ExternalDetector`.

    A context manager; without, `close` ends the process (so does the end of the program).
    """

    def __init__(self, command: str | Sequence[str], *args: Any, **options: Any) -> None:
        detector = ExternalDetector(command, *args, **options)
        super().__init__(cast(Detector, detector), cast(Solver, AnswerSolver()))

    @property
    def external(self) -> ExternalDetector:
        """The command behind it; its `faults` count what went wrong, by kind."""
        return cast(ExternalDetector, self.detector)

    @property
    def name(self) -> str:
        """The command's."""
        return self.detector.name

    def detect(self, observation: Observation) -> Detection:
        """Ask for the target; `ExternalError` (a `PlugInError`) where no usable answer came."""
        return self.external.detect(observation)

    def close(self) -> None:
        """End the process and remove temporary files."""
        self.external.close()

    def __enter__(self) -> ExternalPipeline:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def split_command(command: str | Sequence[str]) -> tuple[str, ...]:
    """Return a command's words.

    Raises
    ------
    ConfigError
        It is empty, has an open quote, or its program isn't found.
    """
    try:
        words = tuple(shlex.split(command) if isinstance(command, str) else map(str, command))
    except ValueError as error:
        raise ConfigError(f"command {command!r}: {error}") from error
    if not words:
        raise ConfigError("command: it is empty")
    if shutil.which(words[0]) is None:
        raise ConfigError(f"command: no program {words[0]!r} that can be run is found")
    return words


def detection_of(answer: Answer, observation: Observation) -> Detection:
    """Return an answer as the detection that it stands for, in pixels of the sensor.

    Raises
    ------
    ExternalError
        BROKEN: it names points that the target doesn't have. POSE: see `estimate_of`.
    """
    target, picture = observation.target, observation.picture
    if answer.missed:
        foreign = bool(answer.marker_ids) and not set(answer.marker_ids) & set(target.markers)
        return Detection(Found.WRONG_ID if foreign else Found.MISSED, marker_ids=answer.marker_ids)
    points = point_names(target)
    named = answer.corners or {}
    unknown = [name for name in named if name not in points]
    if unknown:
        raise ExternalError(
            Fault.BROKEN, f"the target has no point {unknown[0]!r}; it has {_some(list(points))}"
        )
    chosen = [name for name in points if name in named] or list(points)
    p_target = np.array([points[name] for name in chosen])
    if not named:
        estimate, pixels = estimate_of(answer, p_target, None, observation)
    else:
        pixels = np.array([named[name] for name in chosen]) + (picture.u0, picture.v0)
        if answer.rotation is None:
            return Detection(
                Found.FOUND, pixels, p_target, answer.marker_ids, sigma_px=answer.sigma_px
            )
        estimate, _ = estimate_of(answer, p_target, pixels, observation)
    return AnsweredDetection(
        Found.FOUND, pixels, p_target, answer.marker_ids, answer.sigma_px, estimate=estimate
    )


def estimate_of(
    answer: Answer, p_target: Array, pixels: Array | None, observation: Observation
) -> tuple[Estimate, Array]:
    """Return an answered pose as an estimate, and where it has the points (N, 2).

    Raises
    ------
    ExternalError
        POSE: the rotation isn't one, a point lies behind the camera, or the target shows its
        back.
    """
    assert answer.rotation is not None
    assert answer.translation is not None
    off = float(np.max(np.abs(answer.rotation @ answer.rotation.T - np.eye(3))))
    if off > ORTHONORMAL_ATOL:
        raise ExternalError(Fault.POSE, f"rotation isn't orthonormal: R Rᵀ is off by {off:.2g}")
    if np.linalg.det(answer.rotation) < 0.0:
        raise ExternalError(Fault.POSE, "rotation is a reflection, its determinant is -1")
    left, _, right = np.linalg.svd(answer.rotation)
    pose = Pose(left @ right, answer.translation)
    try:
        projected = project(p_target, pose, observation.camera)
    except GeometryError as error:
        raise ExternalError(Fault.POSE, str(error)) from error
    if not pose.rotation[:, 2] @ pose.translation < 0.0:
        raise ExternalError(
            Fault.POSE, "the target shows its back: its z axis must point out of its face"
        )
    residual = np.nan if pixels is None else float(np.mean(np.sum((pixels - projected) ** 2, 1)))
    outcome = Outcome.AMBIGUOUS if answer.ambiguous else Outcome.OK
    return Estimate(outcome, pose, answer.covariance, float(np.sqrt(residual))), projected


def _some(names: list[str]) -> str:
    return ", ".join(names) if len(names) <= 8 else f"{', '.join(names[:7])} … {names[-1]}"
