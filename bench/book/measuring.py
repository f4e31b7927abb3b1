"""Stages once the bay stands: registered, level, proven, wheels tried, budget, handed over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import scipy

from bench.book.digest import REPORT_FILE, book_digest, report_digest
from bench.book.shelf import Leaf
from bench.book.standing import Contents, Judgement, Standing, calibrations, needs_bay, worst
from bench.budget.result import BUDGET
from bench.registration.bar_views import SIDES
from bench.registration.level_result import LEVEL
from bench.registration.result import REGISTRATION
from bench.setting_out.as_built_output import AS_BUILT
from bench.wheels.result import WHEELS

# As 'level solve' doubts rows that contradict each other.
DOUBT = 0.001
LENGTH, REPEAT, MOVED = "length result", "repeat result", "moved result"
PLAN = "plan.toml"
LEVEL_SHEETS = "level*/level-sheet-*.pdf"
MOST_FAULTS = 4  # of a registration, that are said


def _latest(book: Contents, kind: str, default: str) -> str:
    """Return the latest result's path as commands name it, or where it will be."""
    leaves = book.shelf.of(kind)
    return book.at(leaves[0].path) if leaves else book.at(default)


def _tie(book: Contents) -> tuple[str, str]:
    """Return the option that names the latest registration."""
    return "--registration", _latest(book, REGISTRATION.name, "register/registration.json")


@needs_bay
def registration_stage(book: Contents) -> Standing:
    """Whether the towers are tied to each other."""
    todo, command = _register(book, book.free("register", REGISTRATION.name))

    def outdated(leaf: Leaf) -> str:
        return (
            book.stale(leaf)
            or _moved_since(book, leaf)
            or _other_calibration(book, leaf)
            or _other_bay(book, leaf)
        )

    def judge(leaf: Leaf) -> Judgement:
        if _was_rehearsed(leaf, "--table", "--left", "--right"):
            return Judgement("rehearsed")
        built = book.shelf.of(AS_BUILT.name)
        notes = _whose_bay(book, leaf)
        if built and built[0].head.ended > leaf.head.ended:
            later = f"{built[0].path} was measured later"
            notes = (f"{later}: if a tower was moved in between, register again", *notes)
        if _faults(leaf):
            return Judgement("fails", notes, f"find and mend what failed; then {todo}")
        return Judgement("done", notes)

    return book.judged(
        REGISTRATION.name, registration_words, judge, "not registered yet", todo, command, outdated
    )


def registration_words(leaf: Leaf) -> str:
    """Say what a registration came to."""
    value = leaf.value
    said = f"χ² {value['chi_square']:.1f} of {value['degrees']} (p {value['p_value']:.2g})"
    faults = _faults(leaf)
    if not faults:
        return f"{said}, all checks hold"
    # the worst is named first
    more = f" and {len(faults) - MOST_FAULTS} more" if len(faults) > MOST_FAULTS else ""
    return f"{said}, fails: {'; '.join(faults[:MOST_FAULTS])}{more}"


def _faults(leaf: Leaf) -> list[str]:
    value = leaf.value
    found = [str(one) for one in (*value["failed_checks"], *value["off_plan"])]
    return found + [f"swapped: {one}" for one in value["swapped"]]


def _was_rehearsed(leaf: Leaf, *inputs: str) -> bool:
    """Tell whether a result stands on invented measurements."""
    words = leaf.arguments
    if not words:  # it can't be told
        return False
    return not leaf.asked(*inputs) or any("rehearsal" in word for word in words)


def _register(book: Contents, folder: str) -> tuple[str, tuple[str, ...]]:
    bay = book.file(book.files.latest)
    plans = sorted(book.shelf.root.glob(f"register*/{PLAN}"))
    if not plans:
        return "", ("sightbench", "register", "plan", bay, "--out", book.at(folder))
    poses = book.at(plans[-1].relative_to(book.shelf.root))
    found = calibrations(book.shelf)
    cameras: list[str] = []
    for side in SIDES:
        if side in found:
            cameras += [f"--{side}-calibration", book.at(found[side].path)]
        else:
            cameras += [f"--{side}-camera", book.at(f"camera-{side}", "camera.toml")]
    left, right = (book.at(folder, side) for side in SIDES)
    return (
        f"set the bar up as {poses} has it and take a picture by each tower a pose, into {left} "
        f"and {right}, in order",
        (
            *("sightbench", "register", "solve", "--left", left, "--right", right),
            *cameras,
            *("--bay", bay, "--poses", poses, "--out", book.at(folder)),
        ),
    )


def _moved_since(book: Contents, leaf: Leaf) -> str:
    for moved in book.shelf.of(MOVED)[:1]:
        if moved.value.get("verdict") == "moved" and moved.head.ended > leaf.head.ended:
            return f"{moved.path} says that a tower has moved since"
    return ""


def _other_calibration(book: Contents, leaf: Leaf) -> str:
    """Say where a registration took another camera than was calibrated, as 'budget' refuses."""
    used: dict[str, Any] = leaf.value.get("cameras") or {}
    for side, calibration in calibrations(book.shelf).items():
        theirs = dict(calibration.value["camera"], pixel_pitch=None)
        if side in used and dict(used[side], pixel_pitch=None) != theirs:
            return f"{leaf.path} was solved with another {side} camera than {calibration.path}"
    return ""


def _other_bay(book: Contents, leaf: Leaf) -> str:
    """Say where a registration names another bay: bars are alike in many."""
    of, latest = leaf.head.bay, book.files.latest
    if of is None or latest.bay is None or of.name == latest.bay.name or book.files.has(leaf):
        return ""
    other = f"{leaf.path} was made for {of.name} ({of.file}), not for {latest.bay.name}"
    return f"{other}; where that is its name of before, solve its pictures again"


def _whose_bay(book: Contents, leaf: Leaf) -> tuple[str, ...]:
    """Say where nothing tells whether a registration is this bay's or that of one like it."""
    compared = leaf.value.get("cameras") and calibrations(book.shelf)
    if compared or leaf.head.bay is None or book.files.has(leaf):
        return ()
    return (
        f"{leaf.path} was made with {leaf.head.bay.file} before an edit, or with another bay's: "
        "that can't be told, since only the bar could be compared and no camera that was "
        "calibrated here; if in doubt, register again",
    )


@needs_bay
def level_stage(book: Contents) -> Standing:
    """Whether the towers know which way is up."""
    bay = book.file(book.files.latest)
    folder = book.free("level", LEVEL.name)
    table = book.at(folder, "measured.csv")
    todo = (
        "lay the bar level on its stands as the level sheet has it, turn it about its long axis, "
        f"lay it end for end; write the poses of its targets into {table} "
        "('sightbench level solve --help' has its columns)"
    )
    command: tuple[str, ...] = (
        *("sightbench", "level", "solve", table, "--bay", bay),
        *(*_tie(book), "--out", book.at(folder)),
    )
    if not any(book.shelf.root.glob(LEVEL_SHEETS)):
        todo = ""
        command = ("sightbench", "level", "rehearse", bay, "--out", book.at("level-plan"))

    def judge(leaf: Leaf) -> Judgement:
        if not any(word.endswith(".csv") and "rehearsal" not in word for word in leaf.arguments):
            return Judgement("rehearsed")
        if level_p_value(leaf) < DOUBT:
            again = f"rows contradict each other: find which, and measure again; {todo}"
            return Judgement("fails", todo=again)
        if REGISTRATION.name not in leaf.head.parts:
            return Judgement("done", ("found without the registration: each tower by itself",))
        return Judgement()

    return book.judged(LEVEL.name, level_words, judge, "not levelled yet", todo, command)


def level_p_value(leaf: Leaf) -> float:
    """Return the chance of rows that contradict each other as much by their noise alone."""
    degrees = leaf.value["degrees"]
    return float(scipy.stats.chi2.sf(leaf.value["chi_square"], degrees)) if degrees > 0 else 1.0


def level_words(leaf: Leaf) -> str:
    """Say what a level came to."""
    towers = " and ".join(leaf.value["towers"])
    return (
        f"{leaf.value['found']}, {towers} tower; χ² {leaf.value['chi_square']:.1f} of "
        f"{leaf.value['degrees']} (p {level_p_value(leaf):.2g})"
    )


@needs_bay
def proof_stage(book: Contents) -> Standing:
    """Whether the bay proved itself: a known length, and the same reading by whoever measures."""

    def judge(leaf: Leaf) -> Judgement:
        return Judgement("done" if proof_holds(leaf) else "fails")

    parts = [
        book.judged(kind, say, judge, f"{what}: not checked yet", *_prove(book, what, kind))
        for what, kind, say in (
            ("length", LENGTH, length_words),
            ("repeat", REPEAT, repeat_words),
        )
    ]
    wanting = next((part for part in parts if part.state != "done"), parts[0])
    moved = book.shelf.of(MOVED)[:1]
    return Standing(
        worst(part.state for part in parts),
        "; ".join(part.words for part in parts),
        tuple(path for part in parts for path in part.sources) + tuple(one.path for one in moved),
        tuple(note for part in parts for note in part.notes)
        + tuple(f"{one.path}: {one.value['verdict']}" for one in moved),
        wanting.todo,
        wanting.command,
    )


def proof_holds(leaf: Leaf) -> bool:
    """Tell whether a check on site speaks for the bay."""
    if leaf.head.kind == REPEAT:
        return all(leaf.value[name]["verdict"] == "inside" for name in ("toe", "camber"))
    return bool(leaf.value["verdict"] in ("holds", "not moved"))


def length_words(leaf: Leaf) -> str:
    """Say what a check of a length came to."""
    said = leaf.value.get("words") or [f"lengths: {leaf.value['verdict']}"]
    return str(said[0]).rstrip(".")


def repeat_words(leaf: Leaf) -> str:
    """Say what a study of repeatability came to."""
    return "; ".join(str(leaf.value[name]["words"]) for name in ("toe", "camber"))


def _prove(book: Contents, what: str, kind: str) -> tuple[str, tuple[str, ...]]:
    """Return what to do for a check on site, and the command that follows.

    Each try has a folder of its own, with the table that was filled in for it.
    """
    bay = book.file(book.files.latest)
    measured = _tie(book) if what == "length" else ()
    folder = book.free("proof", kind)
    out = ("--out", book.at(folder))
    if not book.has(folder, f"{what}-readings.csv"):
        return "", ("sightbench", "proof", what, "plan", bay, *measured, *out)
    table = book.at(folder, f"{what}-readings.csv")
    doing = {
        "length": "put a bar that was calibrated elsewhere where length-places.toml has it",
        "repeat": "measure the same wheels again and again, as the table's order has it",
    }[what]
    places = ("--places", book.at(folder, "length-places.toml")) if what == "length" else ()
    evaluate = ("sightbench", "proof", what, "evaluate", table, bay, *measured, *places, *out)
    return f"{doing}, and fill in {table}", evaluate


@needs_bay
def wheels_stage(book: Contents) -> Standing:
    """Whether a vehicle's wheels were measured."""
    folder = book.free("wheels", WHEELS.name)
    table = book.at(folder, "measured.csv")
    command = (
        *("sightbench", "wheels", table, "--bay", book.file(book.files.latest), *_tie(book)),
        *("--level", _latest(book, LEVEL.name, "level/level.json"), "--out", book.at(folder)),
    )
    todo = (
        "measure a vehicle whose wheels you know, brake on and chocked but while it is rolled; "
        f"write the targets' poses into {table} ('sightbench wheels --help' has its columns)"
    )

    def judge(leaf: Leaf) -> Judgement:
        value = leaf.value
        if any(row.get("true") is not None for row in value["rows"]):
            return Judgement("rehearsed")
        outside = any("outside tolerance" in words for words in value.get("decisions") or ())
        return Judgement("fails" if value.get("contradictions") or outside else "done")

    return book.judged(WHEELS.name, wheels_words, judge, "not tried yet", todo, command)


def wheels_words(leaf: Leaf) -> str:
    """Say what a measurement of wheels came to."""
    against = leaf.value.get("contradictions") or ()
    if against:
        return f"readings contradict each other: {against[0]}"
    decisions = leaf.value.get("decisions") or ()
    return "; ".join(map(str, decisions)) or f"{len(leaf.value['rows'])} angles and lengths"


@needs_bay
def budget_stage(book: Contents) -> Standing:
    """Whether the uncertainty of toe, camber and thrust is known from what was measured."""
    latest = book.files.latest
    found = calibrations(book.shelf)
    command = ["sightbench", "budget", book.file(latest), *_tie(book)]
    command += ["--level", _latest(book, LEVEL.name, "level/level.json")]
    for side, leaf in sorted(found.items()):
        command += [f"--{side}-calibration", book.at(leaf.path)]
    command += ["--out", book.at(book.free("budget", BUDGET.name))]

    def judge(leaf: Leaf) -> Judgement:
        inside = leaf.value["verdict"] == "inside"
        todo = "" if inside else "attack the largest cause first, as the budget names it"
        missing = {"registration", "level"} | {f"{side} camera" for side in found}
        missing -= set(leaf.value.get("measured") or {})
        if missing:
            note = f"rehearsed or assumed: {', '.join(sorted(missing))}"
            return Judgement("rehearsed", (note,), todo)
        return Judgement("done" if inside else "fails", (), todo)

    def outdated(leaf: Leaf) -> str:
        return book.stale(leaf, latest)

    return book.judged(BUDGET.name, budget_words, judge, "not made yet", "", command, outdated)


def budget_words(leaf: Leaf) -> str:
    """Say what a budget came to."""
    return str(leaf.value["words"][0]).rstrip(".")


def report_stage(book: Contents) -> Standing:
    """Whether the book was written as one page to hand over."""
    command = ("sightbench", "report", str(book.where))
    made = report_digest(book.shelf.root / REPORT_FILE)
    if made is None:
        return Standing("open", "not written yet", command=command)
    path = Path(REPORT_FILE)
    if made != book_digest(book.shelf, book.files):
        words = f"{path} shows an earlier state of this book"
        return Standing("stale", words, (path,), command=command)
    return Standing("done", "written from what lies here; fill in names, sign it", (path,))
