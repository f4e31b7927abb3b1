"""Stages once the bay stands: registered, level, proven, wheels tried, budget, handed over."""

from __future__ import annotations

from typing import Any

from scipy import stats

from bench.book.digest import REPORT_FILE, book_digest, report_digest
from bench.book.shelf import Leaf
from bench.book.standing import Contents, Standing, State, calibrations
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
MOST_FAULTS = 4  # of a registration, that are said


def _blank(book: Contents, name: str, title: str) -> Standing | None:
    """Return what stands where no bay file can be read; None where one can."""
    if book.files.latest.bay is None:
        return Standing(name, title, "open", "no bay file that can be read")
    return None


def _latest(book: Contents, kind: str, default: str) -> str:
    """Return the latest result's path as commands name it, or where it will be."""
    leaves = book.shelf.of(kind)
    return book.at(leaves[0].path) if leaves else book.at(default)


def registration_stage(book: Contents) -> Standing:
    """Whether the towers are tied to each other."""
    name, title = "registered", "Registered"
    blank = _blank(book, name, title)
    if blank is not None:
        return blank
    leaves = book.shelf.of(REGISTRATION.name)
    folder = book.free("register", REGISTRATION.name)
    todo, command = _register(book, folder)
    if not leaves:
        return Standing(name, title, "open", "not registered yet", (), (), todo, command)
    leaf = leaves[0]
    words, notes = registration_words(leaf), book.earlier(leaves, registration_words)
    sources = (leaf.path,)
    why = book.stale(leaf) or _moved_since(book, leaf) or _other_calibration(book, leaf)
    if why:
        return Standing(name, title, "stale", why, sources, notes, todo, command)
    if _was_rehearsed(leaf, "--table", "--left", "--right"):
        return Standing(name, title, "rehearsed", words, sources, notes, todo, command)
    built = book.shelf.of(AS_BUILT.name)
    if built and built[0].head.ended > leaf.head.ended:
        notes = (
            f"{built[0].path} was measured later: if a tower was moved in between, register again",
            *notes,
        )
    if _faults(leaf):
        say = f"find and mend what failed; then {todo}"
        return Standing(name, title, "fails", words, sources, notes, say, command)
    return Standing(name, title, "done", words, sources, notes)


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


def level_stage(book: Contents) -> Standing:
    """Whether the towers know which way is up."""
    name, title = "level", "Level"
    blank = _blank(book, name, title)
    if blank is not None:
        return blank
    registration = _latest(book, REGISTRATION.name, "register/registration.json")
    folder = book.free("level", LEVEL.name)
    table = book.at(folder, "measured.csv")
    todo = (
        "lay the bar level on its stands at two distances, turn it about its long axis, lay it "
        f"end for end ('sightbench level rehearse' makes a sheet of it to tick); write the poses "
        f"of its targets into {table} ('sightbench level solve --help' has its columns)"
    )
    command = (
        *("sightbench", "level", "solve", table, "--bay", book.file(book.files.latest)),
        *("--registration", registration, "--out", book.at(folder)),
    )
    leaves = book.shelf.of(LEVEL.name)
    if not leaves:
        return Standing(name, title, "open", "not levelled yet", (), (), todo, command)
    leaf = leaves[0]
    words, notes = level_words(leaf), book.earlier(leaves, level_words)
    state: State = "done"
    why = book.stale(leaf)
    if why:
        state, words = "stale", why
    elif not any(word.endswith(".csv") and "rehearsal" not in word for word in leaf.arguments):
        state = "rehearsed"
    elif level_p_value(leaf) < DOUBT:
        state, todo = "fails", f"rows contradict each other: find which, and measure again; {todo}"
    elif REGISTRATION.name not in leaf.head.parts:
        notes = ("found without the registration: each tower by itself", *notes)
    if state == "done":
        return Standing(name, title, state, words, (leaf.path,), notes)
    return Standing(name, title, state, words, (leaf.path,), notes, todo, command)


def level_p_value(leaf: Leaf) -> float:
    """Return the chance of rows that contradict each other as much by their noise alone."""
    degrees = leaf.value["degrees"]
    return float(stats.chi2.sf(leaf.value["chi_square"], degrees)) if degrees > 0 else 1.0


def level_words(leaf: Leaf) -> str:
    """Say what a level came to."""
    towers = " and ".join(leaf.value["towers"])
    return (
        f"{leaf.value['found']}, {towers} tower; χ² {leaf.value['chi_square']:.1f} of "
        f"{leaf.value['degrees']} (p {level_p_value(leaf):.2g})"
    )


def proof_stage(book: Contents) -> Standing:
    """Whether the bay proved itself: a known length, and the same reading by whoever measures."""
    name, title = "proven", "Proven"
    blank = _blank(book, name, title)
    if blank is not None:
        return blank
    states: list[State] = []
    words, sources, notes = [], [], []
    wanting: list[tuple[str, tuple[str, ...]]] = []
    for what, kind, say in (
        ("length", LENGTH, length_words),
        ("repeat", REPEAT, repeat_words),
    ):
        leaves = book.shelf.of(kind)
        step = _prove(book, what)
        if not leaves:
            states.append("open")
            words.append(f"{what}: not checked yet")
            wanting.append(step)
            continue
        leaf = leaves[0]
        sources.append(leaf.path)
        notes += list(book.earlier(leaves, say))
        why = book.stale(leaf)
        good = proof_holds(leaf)
        states.append("stale" if why else "done" if good else "fails")
        words.append(why or say(leaf))
        if why or not good:
            wanting.append(step)
    for leaf in book.shelf.of(MOVED)[:1]:
        sources.append(leaf.path)
        notes.append(f"{leaf.path}: {leaf.value['verdict']}")
    order: tuple[State, ...] = ("fails", "stale", "open", "rehearsed", "done")
    state = min(states, key=order.index)
    todo, command = wanting[0] if wanting else ("", ())
    return Standing(
        name, title, state, "; ".join(words), tuple(sources), tuple(notes), todo, command
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


def _prove(book: Contents, what: str) -> tuple[str, tuple[str, ...]]:
    """Return what to do for a check on site, and the command that follows.

    Each try has a folder of its own, with the table that was filled in for it.
    """
    bay = book.file(book.files.latest)
    registration = _latest(book, REGISTRATION.name, "register/registration.json")
    measured = ("--registration", registration) if what == "length" else ()
    folder = book.free("proof", {"length": LENGTH, "repeat": REPEAT}[what])
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


def wheels_stage(book: Contents) -> Standing:
    """Whether a vehicle's wheels were measured."""
    name, title = "wheels", "Wheels tried"
    blank = _blank(book, name, title)
    if blank is not None:
        return blank
    folder = book.free("wheels", WHEELS.name)
    table = book.at(folder, "measured.csv")
    command = (
        *("sightbench", "wheels", table, "--bay", book.file(book.files.latest)),
        *("--registration", _latest(book, REGISTRATION.name, "register/registration.json")),
        *("--level", _latest(book, LEVEL.name, "level/level.json"), "--out", book.at(folder)),
    )
    todo = (
        "measure a vehicle whose wheels you know, brake on and chocked but while it is rolled; "
        f"write the targets' poses into {table} ('sightbench wheels --help' has its columns)"
    )
    leaves = book.shelf.of(WHEELS.name)
    if not leaves:
        return Standing(name, title, "open", "not tried yet", (), (), todo, command)
    leaf = leaves[0]
    words, notes = wheels_words(leaf), book.earlier(leaves, wheels_words)
    state: State = "done"
    why = book.stale(leaf)
    if why:
        state, words = "stale", why
    elif any(row.get("true") is not None for row in leaf.value["rows"]):
        state = "rehearsed"
    elif leaf.value.get("contradictions") or any(
        "outside tolerance" in words for words in leaf.value.get("decisions") or ()
    ):
        state = "fails"
    if state == "done":
        return Standing(name, title, state, words, (leaf.path,), notes)
    return Standing(name, title, state, words, (leaf.path,), notes, todo, command)


def wheels_words(leaf: Leaf) -> str:
    """Say what a measurement of wheels came to."""
    against = leaf.value.get("contradictions") or ()
    if against:
        return f"readings contradict each other: {against[0]}"
    decisions = leaf.value.get("decisions") or ()
    return "; ".join(map(str, decisions)) or f"{len(leaf.value['rows'])} angles and lengths"


def budget_stage(book: Contents) -> Standing:
    """Whether the uncertainty of toe, camber and thrust is known from what was measured."""
    name, title = "budget", "Budget from what was measured"
    blank = _blank(book, name, title)
    if blank is not None:
        return blank
    latest = book.files.latest
    found = calibrations(book.shelf)
    measured = {f"{side} camera" for side in found}
    command = [
        *("sightbench", "budget", book.file(latest)),
        *("--registration", _latest(book, REGISTRATION.name, "register/registration.json")),
        *("--level", _latest(book, LEVEL.name, "level/level.json")),
    ]
    for side, leaf in sorted(found.items()):
        command += [f"--{side}-calibration", book.at(leaf.path)]
    command += ["--out", book.at(book.free("budget", BUDGET.name))]
    leaves = book.shelf.of(BUDGET.name)
    if not leaves:
        return Standing(name, title, "open", "not made yet", (), (), "", tuple(command))
    leaf = leaves[0]
    words, notes = budget_words(leaf), book.earlier(leaves, budget_words)
    missing = {"registration", "level"} | measured
    missing -= set(leaf.value.get("measured") or {})
    state: State = "done" if leaf.value["verdict"] == "inside" else "fails"
    todo = "" if state == "done" else "attack the largest cause first, as the budget names it"
    why = book.stale(leaf, latest)
    if why:
        state, words = "stale", why
    elif missing:
        state = "rehearsed"
        notes = (f"rehearsed or assumed: {', '.join(sorted(missing))}", *notes)
    again = () if state == "done" else tuple(command)
    return Standing(name, title, state, words, (leaf.path,), notes, todo, again)


def budget_words(leaf: Leaf) -> str:
    """Say what a budget came to."""
    return str(leaf.value["words"][0]).rstrip(".")


def report_stage(book: Contents) -> Standing:
    """Whether the book was written as one page to hand over."""
    name, title = "report", "Report to hand over"
    command = ("sightbench", "report", str(book.where))
    made = report_digest(book.shelf.root / REPORT_FILE)
    if made is None:
        return Standing(name, title, "open", "not written yet", (), (), "", command)
    path = (book.shelf.root / REPORT_FILE).relative_to(book.shelf.root)
    if made != book_digest(book.shelf, book.files):
        words = f"{path} shows an earlier state of this book"
        return Standing(name, title, "stale", words, (path,), (), "", command)
    words = "written from what lies here; fill in names, sign it"
    return Standing(name, title, "done", words, (path,))
