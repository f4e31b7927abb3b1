"""Stages until the bay stands: bay file, cameras, siting, sheets, as built, aim."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from bench.book.shelf import Leaf
from bench.book.standing import (
    Contents,
    Judgement,
    Standing,
    State,
    calibrations,
    needs_bay,
    side_of,
    worst,
)
from bench.budget.measured import MOST_FOCAL_DIFFERENCE
from bench.cameras.result import CALIBRATION
from bench.registration.bar_views import SIDES
from bench.scene.bay_files import DESCRIPTION
from bench.scene.model import Tower
from bench.scene.tower_pair import tower_pair
from bench.scene.wheel_ids import labelled
from bench.setting_out.as_built_output import AS_BUILT
from bench.setting_out.files import TEMPLATE
from bench.siting.aim import AIM
from bench.siting.result import SITING
from bench.targets.files import sheet_stem
from bench.targets.sheet import layout_sheet

# A board that shows its corners' numbers, so that it may leave the frame; print another if you
# like, 'sightbench targets --kind charuco'.
BOARD = "charuco:4x4_50:7x5:40 mm:30 mm"


def bay_stage(book: Contents) -> Standing:
    """Whether the bay file was read and described."""
    asked = book.files.asked
    command = ("sightbench", "bay", book.file(asked), "--out", book.at("bay"))
    if asked.bay is None:
        words = f"{asked.path} can't be used: {asked.fault}"
        return Standing("fails", words, todo=f"mend {asked.path}", command=command)
    leaves = book.shelf.of(DESCRIPTION.name)
    if not leaves:
        return Standing("open", "not checked yet", command=command)
    leaf = leaves[0]
    why = book.stale(leaf, asked)
    if why:
        return Standing("stale", why, (leaf.path,), command=command)
    rows = leaf.value["wheels"]
    whole = sum(bool(row["whole"]) for row in rows)
    words = f"{asked.bay.name}: {whole} of {len(rows)} targets wholly in their pictures"
    notes = () if whole == len(rows) else ("siting may still bring the others in",)
    return Standing("done", words, (leaf.path,), notes)


@needs_bay
def camera_stage(book: Contents) -> Standing:
    """Whether every tower's camera was calibrated."""
    bay = book.files.latest.bay
    assert bay is not None  # `needs_bay`
    found = calibrations(book.shelf)
    parts: dict[str, tuple[State, str]] = {}
    for side, tower in zip(SIDES, tower_pair(bay), strict=True):
        leaf = found.get(side)
        if leaf is None:
            parts[side] = ("open", f"{side}: not calibrated")
            continue
        fault = _other_camera(leaf, tower)
        if fault:
            parts[side] = ("stale", f"{side}: {fault}")
            continue
        parts[side] = (
            "done" if leaf.asked("--board") else "rehearsed",
            f"{side}: f = {leaf.value['camera']['fx']:.0f} px, corners to "
            f"{leaf.value['sigma_px']:.2f} px in {leaf.value['pictures']} pictures",
        )
    unknown = [leaf for leaf in book.shelf.of(CALIBRATION.name) if side_of(leaf) is None]
    said = Standing(
        worst(state for state, _ in parts.values()),
        "; ".join(words for _, words in parts.values()),
        tuple(found[side].path for side in SIDES if side in found),
        tuple(f"{leaf.path}: whose? Name its folder after the tower" for leaf in unknown[:3]),
    )
    wanting = next((side for side, (state, _) in parts.items() if state != "done"), None)
    if wanting is None:
        return said
    folder = f"camera-{wanting}"
    shots = book.at(folder, "pictures")
    return replace(
        said,
        todo=f"photograph a flat board with the {wanting} tower's camera, a dozen pictures or "
        f"more, tilted every way and into the corners, into {shots}; --board says which board",
        command=("sightbench", "intrinsics", shots, "--board", BOARD, "--out", book.at(folder)),
    )


def _other_camera(leaf: Leaf, tower: Tower) -> str:
    """Say how a calibration's camera can't be a tower's, as 'budget' judges it."""
    camera, own = leaf.value["camera"], tower.camera
    if (camera["width"], camera["height"]) != (own.width, own.height):
        return (
            f"{leaf.path} is of {camera['width']} × {camera['height']} px, the bay file's camera "
            f"has {own.width} × {own.height} px"
        )
    if abs(camera["fx"] / own.fx - 1.0) > MOST_FOCAL_DIFFERENCE:
        return (
            f"{leaf.path} is of another lens, f = {camera['fx']:.0f} px; the bay file's has "
            f"{own.fx:.0f} px"
        )
    return ""


def siting_stage(book: Contents) -> Standing:
    """Whether it is known where the towers are to stand."""
    asked = book.files.asked
    leaves = book.shelf.of(SITING.name)
    command = _site(book)
    if not leaves:
        return Standing("open", "not sited yet", command=command)
    leaf = _siting(book)
    why = book.stale(leaf, asked)
    if why:
        return Standing("stale", why, (leaf.path,), command=command)
    notes = []
    sited = book.files.sited
    if sited is not None and sited.path.parent == leaf.folder:
        if sited.bay is None:
            notes.append(f"{sited.path} can't be used: {sited.fault}")
        elif sited.digest != leaf.value.get("sited_digest"):
            notes.append(f"{sited.path} was changed by hand since; it counts as it is now")
    good = leaf.value["feasible"] and leaf.value["over_tolerance"] is not None
    state: State = "done" if good and leaf.value["over_tolerance"] <= 1.0 else "fails"
    if sited is not None and sited.bay is None:
        state = "fails"
    todo = "" if state == "done" else "give siting more room in [siting], or another lens"
    again = () if good else command
    return Standing(state, siting_words(leaf), (leaf.path,), tuple(notes), todo, again)


def _site(book: Contents) -> tuple[str, ...]:
    """Return the command that sites the bay as it was asked for."""
    out = book.at(book.free("site", SITING.name))
    return ("sightbench", "site", book.file(book.files.asked), "--out", out)


def _siting(book: Contents) -> Leaf:
    """Return the latest siting of the book's bay file, else the latest of any."""
    leaves = book.shelf.of(SITING.name)
    fitting = [leaf for leaf in leaves if not book.stale(leaf, book.files.asked)]
    return (fitting or list(leaves))[0]


def siting_words(leaf: Leaf) -> str:
    """Say what a siting came to."""
    share = leaf.value["over_tolerance"]
    if not leaf.value["feasible"] or share is None:
        return "no layout keeps all constraints"
    state = "inside" if share <= 1.0 else "outside"
    layout = leaf.value["layout"]
    return (
        f"spacing {layout['spacing_m']:.2f} m, height {layout['height_m']:.2f} m; worst "
        f"uncertainty {state} tolerance, {share:.2f} of it"
    )


def sheets_stage(book: Contents) -> Standing:
    """Whether there is something to print: siting sheets, and targets to true scale."""
    sited, bay = siting_stage(book), book.files.latest.bay
    if sited.state == "open" or bay is None:
        return Standing("open", "sheets come with the siting")
    folder = book.shelf.root / sited.sources[0].parent
    siting = sorted(folder.glob("sheet-*/*.pdf"))
    stems = [sheet_stem(layout_sheet(target)) for target in labelled(bay)]
    printed = [sorted(book.shelf.root.glob(f"*/{stem}*.pdf")) for stem in stems]
    targets = [paths[0] for paths in printed if paths] if all(printed) else []
    sources = tuple(path.relative_to(book.shelf.root) for path in (*siting, *targets))
    if not siting:
        return Standing("open", "the siting has no sheets", sources, command=_site(book))
    if not targets:
        words = f"siting sheets are there; targets for the wheels ({bay.target.name}) aren't"
        latest = book.file(book.files.latest)
        command = ("sightbench", "targets", latest, "--out", book.at("targets"))
        return Standing("open", words, sources, command=command)
    if sited.state == "stale":
        return Standing("stale", "of an earlier siting", sources)
    papers = " and ".join(path.parent.name.removeprefix("sheet-") for path in siting)
    words = (
        f"siting sheets ({papers}) and {len(targets)} sheets of targets are there; print at 100 %"
    )
    return Standing("done", words, sources)


def built_stage(book: Contents) -> Standing:
    """Whether the bay was built and measured."""
    plan = book.files.plan
    leaves = book.shelf.of(AS_BUILT.name)
    folder = book.free("as-built", AS_BUILT.name)
    home = Path(folder)
    if not leaves and book.shelf.of(SITING.name):
        # siting leaves a file to fill in beside its sheets
        beside = _siting(book).folder
        home = beside if book.has(beside, TEMPLATE) else home
    if plan.bay is None or (not leaves and siting_stage(book).state == "open"):
        return Standing("open", "nothing is sited yet")
    todo, command = _measure(book, home, folder)

    def outdated(leaf: Leaf) -> str:
        return book.stale(leaf, plan)

    def judge(leaf: Leaf) -> Judgement:
        verdict, words = leaf.value["verdict"], leaf.value.get("words", [])
        if verdict == "holds":
            return Judgement()
        advice = tuple(line for line in words if "orrection" in line or "Off" in line)
        before = "correct it" if verdict == "fails" else "measure better"
        say = f"{before}: {' '.join(advice[:2])} Then measure again: {todo}"
        return Judgement("fails", advice[:3], say)

    return book.judged(
        AS_BUILT.name, as_built_words, judge, "not measured yet", todo, command, outdated
    )


def as_built_words(leaf: Leaf) -> str:
    """Say what a bay as built was found to be."""
    said = leaf.value.get("words") or [str(leaf.value["verdict"])]
    return str(said[0]).rstrip(".")


def _measure(book: Contents, home: Path, folder: str) -> tuple[str, tuple[str, ...]]:
    """Return what to do and the command that follows, with the file to fill in at `home`."""
    plan = book.file(book.files.plan)
    blank = book.at(home, TEMPLATE)
    if not book.has(home, TEMPLATE):
        return "", ("sightbench", "site", plan, "--template", "--out", book.at(home))
    return (
        f"build from the sheets, as local codes, the makers' instructions and licensed trades "
        f"have it; write what you measure into {blank}",
        ("sightbench", "site", plan, "--as-built", blank, "--out", book.at(folder)),
    )


def aim_stage(book: Contents) -> Standing:
    """Whether the towers as built have every target in their pictures."""
    built = book.files.built
    if built is None or built.bay is None:
        return Standing("open", "the bay isn't built and measured yet")
    command = ("sightbench", "aim", book.file(built), "--out", book.at(book.free("aim", AIM.name)))
    leaves = book.shelf.of(AIM.name)
    if not leaves:
        return Standing("open", "not checked yet", command=command)
    leaf = next((one for one in leaves if not book.stale(one, built)), leaves[0])
    why = book.stale(leaf, built)
    notes = book.earlier(leaves, aim_words)
    if why:
        return Standing("stale", why, (leaf.path,), notes, command=command)
    if leaf.asked("--tower"):
        words = f"{leaf.path} is of one tower alone"
        return Standing("open", words, (leaf.path,), notes, command=command)
    if leaf.value["holds"]:
        return Standing("done", aim_words(leaf), (leaf.path,), notes)
    notes = (*(str(one) for one in leaf.value["failures"][:3]), *notes)
    todo = (
        "turn the towers as 'sightbench aim --watch FOLDER --tower NAME' says, until they are "
        "aimed, and measure them again"
    )
    return Standing("fails", aim_words(leaf), (leaf.path,), notes, todo, command)


def aim_words(leaf: Leaf) -> str:
    """Say what an aim check came to."""
    rows = leaf.value["sightings"]
    if leaf.value["holds"]:
        worst = max(float(row["over_tolerance"]) for row in rows)
        return f"all {len(rows)} targets hold; worst uncertainty {worst:.2f} of tolerance"
    failing = {str(words).partition(":")[0] for words in leaf.value["failures"]}
    return f"{len(failing)} of {len(rows)} targets fail"
