"""Conditions of a survey that every caption of its pictures states."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bench import __version__
from bench.draw.page_layout import NO_BREAK
from bench.scene.model import Bay
from bench.survey.grid_phase import roll_words
from bench.survey.plan_words import camera_words
from bench.survey.setup import axle_ranges
from bench.survey.verdicts import Request
from bench.survey.worker import Job
from bench.typing import Array


@dataclass(frozen=True)
class MapInfo:
    """The survey behind a set of pictures, and what is asked of it.

    Attributes
    ----------
    bay, target, camera : str
        Names or one-line descriptions.
    seed, pictures : int
        Of the run; pictures in a cell.
    version : str
        Of the bench that ran it.
    request : Request
        The tolerance, rate and confidence that cells are judged by.
    axle_ranges : tuple of (str, float)
        Name and range, metres, of each axle of the bay; may be empty.
    fewest : int or None
        Pictures in the cell that has the fewest, where they differ.
    rolls : str
        Over which rolls the pictures were spread, in words; empty where that isn't known.
    """

    bay: str
    target: str
    camera: str
    seed: int
    pictures: int
    version: str
    request: Request = field(default_factory=Request)
    axle_ranges: tuple[tuple[str, float], ...] = ()
    fewest: int | None = None
    rolls: str = ""

    @classmethod
    def of(cls, bay: Bay, job: Job, request: Request, **changes: Any) -> MapInfo:
        """Return what there is to say of a job in a bay; `changes` say otherwise."""
        plan = job.plan
        own: dict[str, Any] = {
            "bay": bay.name,
            "target": bay.target.name,
            "camera": camera_words(job.setting.camera, plan.tower),
            "seed": plan.seed,
            "pictures": plan.trials * len(plan.positions),
            "version": __version__,
            "request": request,
            "axle_ranges": axle_ranges(bay, plan.tower),
            "rolls": roll_words(plan.roll_deg, plan.roll_spread_deg),
        }
        return cls(**(own | changes))

    @property
    def statistic(self) -> str:
        """The statistic that pictures of errors show, as columns have it.

        Where 95 of 100 are asked for it meets the tolerance where a cell does, but for pictures
        without a usable pose.
        """
        return "p95"

    @property
    def error_words(self) -> str:
        """That statistic in words."""
        return "95th percentile of the rotation error"

    @property
    def criteria_words(self) -> str:
        """What a cell must meet to hold, in words."""
        return (
            f"at least {100 * self.request.success:g} % of all pictures usable and within "
            f"{self.request.within_deg:g} deg"
        )

    @property
    def confidence_words(self) -> str:
        """The level of verdicts in words: "95 %, one-sided"."""
        return f"{100 * self.request.confidence:g} %, one-sided"

    @property
    def axle_ranges_m(self) -> Array:
        """Ranges of the axles (N,), metres."""
        return np.array([range_m for _, range_m in self.axle_ranges], dtype=np.float64)

    def caption(self, *sentences: str, axles: bool = False) -> str:
        """Return a caption: the sentences, then what every picture of the survey says.

        With `axles` it also lists their ranges.
        """
        n = f"{self.pictures}" if self.fewest is None else f"{self.fewest} to {self.pictures}"
        facts = (
            f"n = {n} pictures a cell, {f'{self.rolls}, ' if self.rolls else ''}seed "
            f"{self.seed}. Bay {self.bay}; target "
            f"{self.target}; camera {self.camera}. sightbench {self.version}."
        )
        if axles and self.axle_ranges:
            named = (f"{name} {range_m:.2f} m" for name, range_m in self.axle_ranges)
            facts += f" Ranges of axles: {', '.join(named)}."
        # what belongs together isn't parted at the end of a line
        for pair in ("n = ", f"= {n}", "sightbench "):
            facts = facts.replace(pair, pair.replace(" ", NO_BREAK))
        return "\n".join(filter(None, (" ".join(filter(None, sentences)), facts)))
