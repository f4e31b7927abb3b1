"""Sentences of the live bench: outcomes, and whether the tolerance holds."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.explore.bounds import Bound
from bench.survey.score import Row
from bench.survey.verdicts import Request

OUTCOMES = {
    "ok": "Found, with a usable pose",
    "missed": "Missed: the detector found nothing",
    "wrong_id": "Wrong id: markers were found, but none of the target's own",
    "mirrored": "Mirrored: the pose is the wrong one of the plane's two",
    "ambiguous": "Ambiguous: both poses explain the points equally well",
    "not_finite": "No pose: the solver gave no finite answer",
    "unexplained": "Unexplained: what the pose leaves of the picture contradicts it",
}
INSIDE, OUTSIDE, NONE, OPEN, ONE = "inside", "outside", "none", "open", "one"


@dataclass(frozen=True)
class ToleranceVerdict:
    """One judgement: its class, for the mark, and its words."""

    verdict: str
    words: str


def error_words(
    outcome: str, error_deg: float | None, claim_deg: float | None, tolerance_deg: float
) -> ToleranceVerdict:
    """Say how large the single picture's rotation error is; a rate alone can hold or fail."""
    if error_deg is None:
        return ToleranceVerdict(NONE, "This picture gives no pose")
    share = f"{error_deg:.2g} deg off, {error_deg / tolerance_deg:.2g} of the tolerance"
    if outcome != "ok":
        return ToleranceVerdict(NONE, f"Not usable ({outcome.replace('_', ' ')}): {share}")
    claimed = f" and {error_deg / claim_deg:.2g} times what it claims (RMS)" if claim_deg else ""
    return ToleranceVerdict(ONE, f"This picture is {share}{claimed}; one picture decides nothing")


def judge_bound(bound: Bound | None, request: Request, as_built: bool = False) -> ToleranceVerdict:
    """Say whether a pipeline at the bound, its errors Gaussian, would hold the tolerance here.

    As built it is one at what cameras, prints and plates of bays like this allow.
    """
    what = "The best that camera, print and plate allow" if as_built else "The bound"
    if bound is None:
        return ToleranceVerdict(OPEN, "No bound: the picture doesn't determine the pose")
    if not bound.holds:
        return ToleranceVerdict(
            OPEN,
            f"So square on, {what[0].lower()}{what[1:]} ({bound.rotation_deg:.2g} deg RMS) "
            "doesn't hold; a run of pictures tells",
        )
    share = bound.share_within(request.within_deg)
    numbers = (
        f"{100.0 * share:.3g} % of errors within {request.within_deg:g} deg, "
        f"{100.0 * request.success:g} % asked (RMS {bound.rotation_deg:.2g} deg)"
    )
    if share >= request.success:
        return ToleranceVerdict(INSIDE, f"{what} leaves room: at best {numbers}")
    return ToleranceVerdict(OUTSIDE, f"No pipeline without bias can hold it: at best {numbers}")


def parts_words(row: Row) -> str:
    """Say which part of a picture's rotation error is whose; nothing of a bay as drawn."""
    parts = {
        part: math.hypot(*(float(row[f"{part}_rot_{axis}_deg"] or 0.0) for axis in "xyz"))
        for part in ("common", "own")
        if f"{part}_rot_x_deg" in row
    }
    if not parts:
        return ""
    return (
        f"Of its bay {parts['common']:.2g} deg turns all that the tower's camera sees, which "
        f"registration absorbs, and {parts['own']:.2g} deg is the plate's own; the rest is the "
        "picture's"
    )
