"""Conformance of a pipeline's adapter to the bench's conventions.

Each check is measured on exact pictures with known truth, and judged by which of several known
explanations is nearest to what was answered; a failure names the explanation's remedy. What an
early check explains is undone before the later ones, so that each speaks for itself. How
*accurate* a pipeline is isn't asked: that is what surveys are for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from bench.detect.observation import Observation
from bench.geometry.rotation import angle_between
from bench.solve.points import MIN_POINTS
from bench.targets.target import Target
from bench.verify import conformance_corners as corners
from bench.verify import conformance_poses as poses
from bench.verify.conformance_check import (
    Check,
    CheckOutcome,
    failed,
    passed,
    rms_px,
    undecided,
    worst,
)
from bench.verify.conformance_subject import Reading, Subject
from bench.verify.conformance_views import (
    Shown,
    deep_views,
    empty_views,
    foreign_views,
    lens_views,
    plain_views,
)

Seen = Sequence[tuple[Shown, Reading]]
Progress = Callable[[str], None]
# Pictures of other ids, and whether they show the target too.
IDS = (("another id alone", False), ("both ids", True))


@dataclass(frozen=True)
class Case:
    """One picture, by name, whether it shows the target that is asked for, and the answer."""

    picture: str
    shows: bool
    reading: Reading

    @property
    def answer(self) -> str:
        """What came: found, missed, or why there is no answer."""
        return self.reading.fault or ("found" if self.reading.found else "missed")

    @property
    def as_expected(self) -> bool:
        """Whether the target was found where it is, and nowhere else."""
        return self.answer == ("found" if self.shows else "missed")


@dataclass(frozen=True)
class Report:
    """All checks of one pipeline, and its answers case by case."""

    name: str
    target: str
    checks: tuple[Check, ...]
    cases: tuple[Case, ...] = ()

    @property
    def verdict(self) -> CheckOutcome:
        """PASS, FAIL, or UNDECIDED where something couldn't be judged and nothing failed."""
        return worst(self.checks)


def conform(subject: Subject, target: Target, progress: Progress | None = None) -> Report:
    """Judge a pipeline's conventions with pictures of a target.

    Parameters
    ----------
    subject : Subject
        What is judged.
    target : Target
        What it can look for.
    progress : callable, optional
        Called with a few words before each group of pictures.
    """
    say = progress or (lambda words: None)
    cases: list[Case] = []

    def ask(picture: str, observation: Observation, *, shows: bool = True) -> Reading:
        cases.append(Case(picture, shows, subject.read(observation)))
        return cases[-1].reading

    def read(name: str, views: Sequence[Shown]) -> Seen:
        return [(shown, ask(f"{name} {k}", shown.observation)) for k, shown in enumerate(views, 1)]

    say("plain pictures")
    plain = read("plain", plain_views(target))
    checks = [_check_found(plain)]
    say("a lens with distortion")
    checks += _check_geometry(plain, read("lens", lens_views(target)))
    say("other ids, empty frames, more bits")
    found = any(reading.found for _, reading in plain)
    foreign = [
        (shown, ask(name, shown.observation, shows=shows))
        for shown, (name, shows) in zip(foreign_views(target) or (), IDS, strict=False)
    ]
    checks.append(_check_ids(foreign, found=found))
    empty = {name: ask(name, o, shows=False) for name, o in empty_views(target).items()}
    checks.append(_check_empty(empty))
    deep = {
        bits: (shown, ask(f"{bits} bits", shown.observation))
        for bits, shown in deep_views(target).items()
    }
    checks.append(_check_depth(deep, plain))
    say("the same pictures again")
    again = [
        (reading, ask(f"again {k}", shown.observation))
        for k, (shown, reading) in reversed(list(enumerate(plain, 1)))
    ]
    subject.restart()
    again.append((plain[0][1], ask("again 1 after a restart", plain[0][0].observation)))
    checks.append(_check_repeats(again))
    readings = [case.reading for case in cases]
    made = (_check_answers(readings), *checks, _time(readings))
    made = made if found else tuple(map(_unseen, made))
    return Report(subject.name, target.name, made, tuple(cases))


def _check_answers(readings: Sequence[Reading]) -> Check:
    faults = [reading.fault for reading in readings if reading.fault]
    words = f"{len(readings) - len(faults)} of {len(readings)} answers can be used"
    if not faults:
        return passed("answers", words)
    return failed("answers", words, f"the first that can't: {faults[0]}")


def _unseen(check: Check) -> Check:
    """Return a check of answers that find nothing: they show nothing, least of all success."""
    if check.verdict is not CheckOutcome.PASS:
        return check
    return undecided(check.name, check.measured, "no answer finds the target")


def _check_found(plain: Seen) -> Check:
    found = sum(reading.found for _, reading in plain)
    words = f"{found} of {len(plain)} plain pictures"
    few = [
        len(r.pixels)
        for _, r in plain
        if r.pixels is not None and r.rotation is None and len(r.pixels) < MIN_POINTS
    ]
    if few:
        fix = f"a pose needs {MIN_POINTS} of the target's points at least; one has {min(few)}"
        return failed("target found", words, fix)
    if found == len(plain):
        return passed("target found", words)
    fix = "what isn't found isn't judged" if found else "so that no convention can be judged"
    return undecided("target found", words, fix)


def _check_geometry(plain: Seen, lens: Seen) -> list[Check]:
    """Judge corners where there are any, and poses where there are any."""
    checks: list[Check] = []
    with_corners = [pair for pair in plain if corners.is_judged(pair[1])]
    if with_corners:
        order, rule = corners.check_order(with_corners)
        checks.append(order)
        if order.verdict is CheckOutcome.PASS or rule != corners.CornerRule():
            origin, rule = corners.check_origin(with_corners, rule)
            checks.append(origin)
            seen = [pair for pair in lens if corners.is_judged(pair[1])]
            checks.append(
                corners.check_corner_lens(seen, rule)
                if seen
                else undecided("distortion of corners", "no corners")
            )
    with_poses = [pair for pair in plain if poses.is_judged(pair[1])]
    if with_poses:
        units, pose_rule = poses.check_units(with_poses)
        frame, pose_rule = poses.check_frame(with_poses, pose_rule)
        checks += [units, frame]
        if frame.verdict is CheckOutcome.PASS or pose_rule.frame != poses.STATED:
            checks += _check_projection(with_poses, lens, pose_rule, judged=bool(with_corners))
    return checks


def _check_projection(
    plain: Seen, lens: Seen, rule: poses.PoseRule, *, judged: bool
) -> list[Check]:
    """Judge where poses put the target; their origin only where no corners told it."""
    checks = []
    origin = poses.check_pose_origin(plain, rule)
    shift_px = (0.0, 0.0)
    if origin is not None:
        shift_px = origin[1].shift_px
        if not judged:
            checks.append(origin[0])
    seen = [pair for pair in lens if poses.is_judged(pair[1])]
    checks.append(
        poses.check_pose_camera(seen, rule, shift_px)
        if seen
        else undecided("camera model of poses", "no poses")
    )
    return checks


def _check_ids(seen: Seen, *, found: bool) -> Check:
    name = "other ids"
    if not seen:
        return Check(name, CheckOutcome.SKIPPED, "the target isn't a single marker of several")
    (elsewhere, alone), (here, both) = seen
    if alone.fault or both.fault:
        return undecided(name, f"no answer to {IDS[0][0] if alone.fault else IDS[1][0]}")
    if alone.found:
        fix = "answer only for target.marker_ids; anything else is missed, with its marker_ids"
        return failed(name, "a marker of another id was taken for it", fix)
    if not both.found and not found:
        return undecided(name, "the target isn't found alone either")
    if not both.found:
        fix = "look on when the first marker found isn't the one asked for"
        words = "the target wasn't found beside a marker of another id"
        return failed(name, words, fix)
    if _is_at(both, elsewhere, here):
        fix = "match every corner to the id that was read with it"
        return failed(name, "the other marker's place was answered", fix)
    return passed(name, "told apart, alone and side by side")


def _is_at(reading: Reading, there: Shown, here: Shown) -> bool:
    """Tell whether a target was put nearer to one place than to the other, in either form."""
    away = []
    for shown in (there, here):
        true = shown.T_camera_target_true.translation
        if reading.pixels is not None and reading.p_target is not None:
            gap = reading.pixels.mean(axis=0) - shown.pixels_true(reading.p_target).mean(axis=0)
            away.append(float(np.linalg.norm(gap)))
        elif reading.translation is not None:
            away.append(angle_between(reading.translation, true))
    return away[0] < away[1]


def _check_empty(empty: dict[str, Reading]) -> Check:
    found = [name for name, reading in empty.items() if reading.found]
    silent = [name for name, reading in empty.items() if reading.fault]
    if silent and not found:
        return undecided("empty frames", f"no answer to {', '.join(silent)}")
    if not found:
        return passed("empty frames", f"nothing found in {len(empty)} frames")
    fix = 'answer "missed": true where there is no target'
    return failed("empty frames", f"a target was found in {found[0]}", fix)


def _check_depth(deep: dict[int, tuple[Shown, Reading]], plain: Seen) -> Check:
    """Judge pictures of 12 and 16 bits by the 8-bit picture of the same view."""
    name = "16-bit pictures"
    eight = plain[0][1]
    if not eight.found:
        return undecided(name, "its 8-bit picture wasn't found either")
    moved = []
    for bits, (_, reading) in deep.items():
        if reading.fault:
            return failed(name, f"no answer with {bits} bits, as there is with 8", reading.fault)
        if not reading.found:
            fix = "read 16 bits unchanged and scale them by 255 / picture.full_scale, not by 1/256"
            return failed(name, f"missed with {bits} bits", fix)
        if reading.pixels is not None and eight.pixels is not None:
            if reading.pixels.shape != eight.pixels.shape:
                return failed(name, f"other points with {bits} bits", "see above")
            moved.append(rms_px(reading.pixels, eight.pixels))
    words = f"found with {' and '.join(map(str, deep))} bits"
    if moved:
        words += f", at most {max(moved):.2f} px (RMS) from the 8-bit answer"
        # a detector that works in whole pixels may answer the next one in both directions
        if max(moved) > math.sqrt(2.0):
            fix = "the same view must give the same corners at any depth"
            return failed(name, words, fix)
    return passed(name, words)


def _check_repeats(again: Sequence[tuple[Reading, Reading]]) -> Check:
    """Judge answers to pictures that were shown again, also after a restart: equal or wrong."""
    name = "same answer twice"
    again = [pair for pair in again if not (pair[0].fault and pair[1].fault)]
    if not again:
        return undecided(name, "no picture has an answer")
    differ = [pair for pair in again if not pair[0].same_as(pair[1])]
    words = f"{len(again) - len(differ)} of {len(again)} answers came again to the last bit"
    if not differ:
        return passed(name, words)
    first, second = differ[0]
    both = first.pixels is not None and second.pixels is not None
    if both and first.pixels.shape == second.pixels.shape:  # type: ignore[union-attr]
        words += f"; one moved by {np.max(np.abs(first.pixels - second.pixels)):.2g} px"  # type: ignore[operator]
    fix = "an answer may depend on its request alone: no random numbers, nothing kept between"
    return failed(name, words, fix)


def _time(readings: Sequence[Reading]) -> Check:
    """Report times of answers; a time-out is a fault and is told by the answers."""
    first = 1e3 * readings[0].seconds
    rest = 1e3 * np.array([reading.seconds for reading in readings[1:] if not reading.fault])
    if not len(rest):
        return undecided("time", "no picture has an answer")
    words = f"{np.median(rest):.0f} ms a picture (median), {rest.max():.0f} ms at most"
    return passed("time", f"{words}, {first:.0f} ms the first with its start")
