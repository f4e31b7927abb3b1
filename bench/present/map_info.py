"""What a reader must know of a survey to read its pictures; every caption says it."""

from __future__ import annotations

from dataclasses import dataclass, field

from bench.survey.verdicts import STATISTICS, Request


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
    """

    bay: str
    target: str
    camera: str
    seed: int
    pictures: int
    version: str
    request: Request = field(default_factory=Request)
    axle_ranges: tuple[tuple[str, float], ...] = ()

    @property
    def statistic(self) -> str:
        """The judged statistic, as columns have it."""
        return self.request.statistic

    @property
    def error_words(self) -> str:
        """The judged error in words: "RMS rotation error"."""
        name = STATISTICS[self.statistic]
        return f"{name} rotation error" if name == "RMS" else f"{name} of the rotation error"

    @property
    def criteria_words(self) -> str:
        """What a cell must meet to hold, in words."""
        return (
            f"{self.error_words} at most {self.request.rotation_deg:g} deg and usable rate at "
            f"least {100 * self.request.detection:g} %"
        )

    @property
    def confidence_words(self) -> str:
        """The level of verdicts in words: "95 %, one-sided"."""
        return f"{100 * self.request.confidence:g} %, one-sided"

    def axle_words(self, low_m: float, high_m: float) -> str:
        """Return the key's words for axles with ranges from `low_m` to `high_m`, or ""."""
        seen = [f"{name} {r:.2f} m" for name, r in self.axle_ranges if low_m <= r <= high_m]
        return "range of an axle: " + ", ".join(seen) if seen else ""

    def caption(self, *sentences: str) -> str:
        """Return a caption: the sentences, then what every picture of the survey says."""
        return "\n".join(
            (
                " ".join(filter(None, sentences)),
                f"n = {self.pictures} pictures a cell, seed {self.seed}. Bay {self.bay}; target "
                f"{self.target}; camera {self.camera}. sightbench {self.version}.",
            )
        ).lstrip("\n")
