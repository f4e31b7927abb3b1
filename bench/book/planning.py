"""Stages until the bay stands: bay file, cameras, siting, sheets, as built, aim."""

from __future__ import annotations

from pathlib import Path

from bench.book.shelf import Leaf
from bench.book.standing import Contents, Standing, State, calibrations, side_of
from bench.budget.measured import MOST_FOCAL_DIFFERENCE
from bench.cameras.result import CALIBRATION
from bench.registration.bar_views import SIDES, tower_pair
from bench.scene.bay_files import DESCRIPTION
from bench.scene.model import Tower
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
    name, title = "bay", "Bay file checked"
    asked = book.files.asked
    command = ("sightbench", "bay", book.file(asked), "--out", book.at("bay"))
    if asked.bay is None:
        return Standing(
            name,
            title,
            "fails",
            f"{asked.path} can't be used: {asked.fault}",
            (),
            (),
            f"mend {asked.path}",
            command,
        )
    leaves = book.shelf.of(DESCRIPTION.name)
    for leaf in leaves[:1]:
        why = book.stale(leaf, asked)
        if why:
            return Standing(name, title, "stale", why, (leaf.path,), (), "", command)
        rows = leaf.value["wheels"]
        whole = sum(bool(row["whole"]) for row in rows)
        words = f"{asked.bay.name}: {whole} of {len(rows)} targets wholly in their pictures"
        notes = () if whole == len(rows) else ("siting may still bring the others in",)
        return Standing(name, title, "done", words, (leaf.path,), notes)
    return Standing(name, title, "open", "not checked yet", (), (), "", command)


def camera_stage(book: Contents) -> Standing:
    """Whether every tower's camera was calibrated."""
    name, title = "camera", "Cameras known"
    bay = book.files.latest.bay
    if bay is None:
        return Standing(name, title, "open", "no bay file that can be read")
    found = calibrations(book.shelf)
    words: list[str] = []
    sources: list[Path] = []
    states: list[State] = []
    notes: list[str] = []
    for side, tower in zip(SIDES, tower_pair(bay), strict=True):
        leaf = found.get(side)
        if leaf is None:
            words.append(f"{side}: not calibrated")
            states.append("open")
            continue
        sources.append(leaf.path)
        fault = _other_camera(leaf, tower)
        if fault:
            words.append(f"{side}: {fault}")
            states.append("stale")
            continue
        camera = leaf.value["camera"]
        words.append(
            f"{side}: f = {camera['fx']:.0f} px, corners to {leaf.value['sigma_px']:.2f} px in "
            f"{leaf.value['pictures']} pictures"
        )
        states.append("done" if leaf.asked("--board") else "rehearsed")
    unknown = [leaf for leaf in book.shelf.of(CALIBRATION.name) if side_of(leaf) is None]
    notes += [f"{leaf.path}: whose? Name its folder after the tower" for leaf in unknown[:3]]
    wanting = [side for side, state in zip(SIDES, states, strict=True) if state != "done"]
    state = _worst(states)
    if not wanting:
        return Standing(name, title, state, "; ".join(words), tuple(sources), tuple(notes))
    folder = f"camera-{wanting[0]}"
    shots = book.at(folder, "pictures")
    return Standing(
        name,
        title,
        state,
        "; ".join(words),
        tuple(sources),
        tuple(notes),
        f"photograph a flat board with the {wanting[0]} tower's camera, a dozen pictures or more, "
        f"tilted every way and into the corners, into {shots}; --board says which board",
        ("sightbench", "intrinsics", shots, "--board", BOARD, "--out", book.at(folder)),
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


def _worst(states: list[State]) -> State:
    order: tuple[State, ...] = ("fails", "stale", "open", "rehearsed", "done")
    return min(states, key=order.index)


def siting_stage(book: Contents) -> Standing:
    """Whether it is known where the towers are to stand."""
    name, title = "sited", "Sited"
    asked = book.files.asked
    leaves = book.shelf.of(SITING.name)
    command = (
        "sightbench",
        "site",
        book.file(asked),
        "--out",
        book.at(book.free("site", SITING.name)),
    )
    if not leaves:
        return Standing(name, title, "open", "not sited yet", (), (), "", command)
    leaf = _siting(book)
    why = book.stale(leaf, asked)
    if why:
        return Standing(name, title, "stale", why, (leaf.path,), (), "", command)
    words = siting_words(leaf)
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
    return Standing(
        name, title, state, words, (leaf.path,), tuple(notes), todo, () if good else command
    )


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
    name, title = "sheets", "Sheets printed"
    sited, bay = siting_stage(book), book.files.latest.bay
    if sited.state == "open" or bay is None:
        return Standing(name, title, "open", "sheets come with the siting")
    folder = book.shelf.root / sited.sources[0].parent
    siting = sorted(folder.glob("sheet-*/*.pdf"))
    stems = [sheet_stem(layout_sheet(target)) for target in labelled(bay)]
    printed = [sorted(book.shelf.root.glob(f"*/{stem}*.pdf")) for stem in stems]
    targets = [paths[0] for paths in printed if paths] if all(printed) else []
    sources = tuple(path.relative_to(book.shelf.root) for path in (*siting, *targets))
    if not siting:
        again = ("sightbench", "site", book.file(book.files.asked))
        return Standing(
            name,
            title,
            "open",
            "the siting has no sheets",
            sources,
            (),
            "",
            (*again, "--out", book.at(book.free("site", SITING.name))),
        )
    if not targets:
        return Standing(
            name,
            title,
            "open",
            f"siting sheets are there; targets for the wheels ({bay.target.name}) aren't",
            sources,
            (),
            "",
            (
                "sightbench",
                "targets",
                book.file(book.files.latest),
                "--out",
                book.at("targets"),
            ),
        )
    papers = " and ".join(path.parent.name.removeprefix("sheet-") for path in siting)
    names = ", ".join(path.name for path in targets)
    words = f"siting sheets ({papers}) and {names} are there; print at 100 %"
    if sited.state == "stale":
        return Standing(name, title, "stale", "of an earlier siting", sources)
    return Standing(name, title, "done", words, sources)


def built_stage(book: Contents) -> Standing:
    """Whether the bay was built and measured."""
    name, title = "built", "Built and measured"
    plan = book.files.plan
    leaves = book.shelf.of(AS_BUILT.name)
    folder = book.free("as-built", AS_BUILT.name)
    home = Path(folder)
    if not leaves and book.shelf.of(SITING.name):
        # siting leaves a file to fill in beside its sheets
        beside = _siting(book).folder
        home = beside if book.has(beside, TEMPLATE) else home
    todo, command = _measure(book, home, folder)
    if plan.bay is None or (not leaves and siting_stage(book).state == "open"):
        return Standing(name, title, "open", "nothing is sited yet")
    if not leaves:
        return Standing(name, title, "open", "not measured yet", (), (), todo, command)
    leaf = leaves[0]
    notes = book.earlier(leaves, as_built_words)
    why = book.stale(leaf, plan)
    if why:
        return Standing(name, title, "stale", why, (leaf.path,), notes, todo, command)
    verdict = leaf.value["verdict"]
    words = as_built_words(leaf)
    if verdict == "holds":
        return Standing(name, title, "done", words, (leaf.path,), notes)
    advice = [line for line in leaf.value.get("words", []) if "orrection" in line or "Off" in line]
    before = "correct it" if verdict == "fails" else "measure better"
    say = f"{before}: {' '.join(advice[:2])} Then measure again: {todo}"
    return Standing(name, title, "fails", words, (leaf.path,), (*notes, *advice[:3]), say, command)


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
    name, title = "aimed", "Aimed"
    built = book.files.built
    if built is None or built.bay is None:
        return Standing(name, title, "open", "the bay isn't built and measured yet")
    command = ("sightbench", "aim", book.file(built), "--out", book.at(book.free("aim", AIM.name)))
    leaves = book.shelf.of(AIM.name)
    if not leaves:
        return Standing(name, title, "open", "not checked yet", (), (), "", command)
    leaf = next((one for one in leaves if not book.stale(one, built)), leaves[0])
    why = book.stale(leaf, built)
    notes = book.earlier(leaves, aim_words)
    if why:
        return Standing(name, title, "stale", why, (leaf.path,), notes, "", command)
    if leaf.asked("--tower"):
        words = f"{leaf.path} is of one tower alone"
        return Standing(name, title, "open", words, (leaf.path,), notes, "", command)
    if leaf.value["holds"]:
        return Standing(name, title, "done", aim_words(leaf), (leaf.path,), notes)
    failures = tuple(str(one) for one in leaf.value["failures"][:3])
    return Standing(
        name,
        title,
        "fails",
        aim_words(leaf),
        (leaf.path,),
        (*failures, *notes),
        "turn the towers as 'sightbench aim --watch FOLDER --tower NAME' says, until they are "
        "aimed, and measure them again",
        command,
    )


def aim_words(leaf: Leaf) -> str:
    """Say what an aim check came to."""
    rows = leaf.value["sightings"]
    if leaf.value["holds"]:
        worst = max(float(row["over_tolerance"]) for row in rows)
        return f"all {len(rows)} targets hold; worst uncertainty {worst:.2f} of tolerance"
    failing = {str(words).partition(":")[0] for words in leaf.value["failures"]}
    return f"{len(failing)} of {len(rows)} targets fail"
