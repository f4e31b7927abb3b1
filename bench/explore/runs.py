"""Runs of many pictures of one state, in a thread, which can be watched and cancelled."""

from __future__ import annotations

import secrets
import threading
from dataclasses import dataclass, field, replace
from typing import Any

import polars as pl

from bench.errors import BenchError
from bench.explore import drawing
from bench.explore.bounds import best_of
from bench.explore.place import Place, run_job_of
from bench.explore.state import State
from bench.geometry.viewing import pose_of_view
from bench.imaging.region import region_of
from bench.render.planar import MARGIN_PX
from bench.survey.cells import summarise
from bench.survey.columns import OUTCOMES
from bench.survey.grid_phase import roll_words
from bench.survey.plan import view_of_case
from bench.survey.score import Row
from bench.survey.setup import request_of_bay
from bench.survey.truth import parts_columns
from bench.survey.verdicts import judge_cells
from bench.survey.worker import PART_SCHEMA, Job, Worker

REPLACED = "A newer run, perhaps in another window, took its place: the bench does one at a time."
KEPT = 8  # runs that can still be asked for
RUNNING, DONE, CANCELLED, FAILED = "running", "done", "cancelled", "failed"


@dataclass(eq=False)
class Run:
    """One run, as it stands.

    Attributes
    ----------
    id : str
        Unguessable.
    job : Job
        The survey of one cell whose trials these are.
    place : Place
        Whose tolerance judges it.
    rows : list of Row
        Of the cases so far, in the order of trials; the same as a survey's.
    status : str
        ``running``, ``done``, ``cancelled`` or ``failed``.
    failure : str
        What went wrong, a pipeline's first exception, or why somebody else cancelled it.
    """

    id: str
    job: Job
    place: Place
    rows: list[Row] = field(default_factory=list)
    status: str = RUNNING
    failure: str = ""
    _stop: threading.Event = field(default_factory=threading.Event)
    _why: str = ""
    _summary: dict[str, Any] | None = None
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin in a thread of its own."""
        # a daemon: leaving the program needn't wait for what nobody looks at any more
        self._thread = threading.Thread(target=self._work, name="run", daemon=True)
        self._thread.start()

    def cancel(self, why: str = "") -> None:
        """Let it end after the picture in work; what is done stays."""
        self._why = why
        self._stop.set()

    def wait(self, seconds: float | None = None) -> None:
        """Wait for its end."""
        if self._thread is not None:
            self._thread.join(seconds)

    def _work(self) -> None:
        failures: dict[str, str] = {}
        try:
            worker = Worker(self.job)
            for case in self.job.plan.cases():
                if self._stop.is_set():
                    self.failure, self.status = self._why, CANCELLED
                    return
                self.rows += worker.run_case(case, failures)
            self._summary = _summary(self)
            self.failure = next(iter(failures.values()), "")
            self.status = DONE
        except BenchError as error:
            self.failure, self.status = str(error), FAILED
        except Exception as error:  # a thread's end nobody would see
            self.failure, self.status = f"{type(error).__name__}: {error}", FAILED

    def report(self, after: int = 0) -> dict[str, Any]:
        """Return how it stands, with the points from the `after`-th on, as JSON can hold it."""
        status, rows = self.status, self.rows[:]  # in this order: done means all rows
        found: dict[str, Any] = {
            "id": self.id,
            "status": status,
            "done": len(rows),
            "total": self.job.plan.trials,
            "points": [_point(row) for row in rows[after:]],
            "failure": self.failure,
        }
        if status == DONE:
            found["summary"] = self._summary
        return found


def _point(row: Row) -> dict[str, Any]:
    return {
        "outcome": row["outcome"],
        "turn_deg": row.get("err_rot_y_deg"),
        "pitch_deg": row.get("err_rot_x_deg"),
    }


def _summary(run: Run) -> dict[str, Any]:
    """Return the survey's own statistics of the cell, and its verdict."""
    table = pl.DataFrame(run.rows, schema=PART_SCHEMA)
    request = request_of_bay(run.place.bay)
    rolls = roll_words(run.job.plan.roll_deg, run.job.plan.roll_spread_deg)
    cell = summarise(table).row(0, named=True)
    judged = judge_cells(table, request).row(0, named=True)
    names = ("n", *(f"n_{outcome}" for outcome in OUTCOMES))
    rates = ("usable_rate", "usable_rate_lo", "usable_rate_hi")
    errors = ("rms_rot_deg", "rms_rot_deg_lo", "rms_rot_deg_hi", "p95_rot_deg", "rms_along_mm")
    more = ("bias_rot_y_deg", "bias_rot_x_deg", "rms_rot_y_deg", "rms_rot_x_deg")
    found = {name: cell[name] for name in (*names, *rates, *errors, *more)}
    finite = {k: None if v in (float("inf"), float("-inf")) else v for k, v in found.items()}
    return finite | {
        "verdict": judged["verdict"],
        "words": f"{judged['words']}, {rolls}",
        "tolerance_deg": request.within_deg,
        "bound_ellipse": _bound_ellipse(run.job),
    }


def _bound_ellipse(job: Job) -> drawing.Points | None:
    """Return where 95 % of turn and pitch errors would lie at what bound and bay allow."""
    setting = job.setting
    still = replace(job.plan, roll_spread_deg=0.0)
    case = still.case(0)
    T_true = pose_of_view(view_of_case(case, still, setting.camera), setting.camera)
    region = region_of(setting.target.drawing, T_true, setting.camera, MARGIN_PX)
    _, response = parts_columns(case, T_true, still, setting)
    best = best_of(T_true, setting, region, response).allowed
    return drawing.ellipse(best.turn_pitch) if best is not None and best.holds else None


class Runs:
    """The runs of one page server: one at work, the last few kept to be asked for."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self._runs: dict[str, Run] = {}

    def start(self, state: State) -> Run:
        """Begin a run; one at work is cancelled.

        Raises
        ------
        StateError
            As `bench.explore.place.run_job_of`.
        """
        job = run_job_of(state, self.place)
        self.cancel_all(REPLACED)
        run = Run(secrets.token_urlsafe(9), job, self.place)
        self._runs[run.id] = run
        while len(self._runs) > KEPT:
            self._runs.pop(next(iter(self._runs)))
        run.start()
        return run

    def get(self, run_id: str) -> Run | None:
        """Return a run by its id, if it is still known."""
        return self._runs.get(run_id)

    def cancel_all(self, why: str = "") -> None:
        """Let every run end."""
        for run in self._runs.values():
            run.cancel(why)

    def close(self, seconds: float = 5.0) -> None:
        """End every run; wait for the picture in work, but no longer than `seconds`."""
        self.cancel_all()
        for run in self._runs.values():
            run.wait(seconds)
