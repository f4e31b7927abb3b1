"""The walk: a bay book followed command by command, until nothing is left but signatures.

python -m reports.handover [--work DIR] [--out DIR]

Every command is the one that the book prints next; between them `site_work` does what hands do,
with stated errors. Kept are the book's small files, its sheets and its report.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import math
import os
import shlex
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

from bench import __version__
from bench.book.book import Book, read_book
from bench.book.standing import STATE_WORDS, Standing
from bench.cli.main import main
from bench.envelope import read_result
from bench.files import make_directory, write_atomically
from bench.wheels.result import WHEELS
from reports.handover import site_work
from reports.handover.site_work import SiteWork

HERE = Path(__file__).parent
BOOK = Path("north-bay")
MOST_STEPS = 40  # the walk has some twenty
KEPT = (".json", ".toml", ".csv", ".txt", ".html")
SHEETS = ("sheet-a4/siting-sheet.pdf", "floor-sheet-a4.pdf", "level-sheet-a4.pdf", "report.pdf")
QUICK = ("--starts", "4", "--quiet")  # of siting, whose four starts agree here


@dataclass(frozen=True)
class Step:
    """A step of the walk: which stage, by which command, and what it said."""

    stage: str
    command: tuple[str, ...]
    code: int
    said: tuple[str, ...]
    after: str


def walk(work: SiteWork) -> list[Step]:
    """Follow a book from its bay file to its report; return the steps."""
    steps: list[Step] = []
    while (standing := following(read_book(BOOK))) is not None:
        if len(steps) == MOST_STEPS:
            raise SystemExit(f"the walk doesn't end: {standing.title}, {standing.words}")
        do_by_hand(work, standing)
        command = standing.command
        sites = command[1] == "site" and not {"--as-built", "--template"} & set(command)
        extra = QUICK if sites else ()
        code, said = run((*command[1:], *extra))
        now = next(one for one in read_book(BOOK).standings if one.name == standing.name)
        steps.append(
            Step(standing.title, command, code, said, f"{STATE_WORDS[now.state]}: {now.words}")
        )
        print(f"{len(steps)}. {standing.title}: {now.state}, {now.words}", flush=True)
    return steps


def following(book: Book) -> Standing | None:
    """Return the next stage that has a command."""
    return next((one for one in book.standings if one.state != "done" and one.command), None)


def do_by_hand(work: SiteWork, standing: Standing) -> None:
    """Do what comes before a stage's command."""
    command = standing.command
    named = dict(pairwise(command))
    match command[1:3]:
        case ("intrinsics", folder):
            work.photograph_board(Path(folder), named["--board"])
        case ("site", _) if "--as-built" in named:
            work.measure_bay(Path(named["--as-built"]))
        case ("register", "solve"):
            folders = (Path(named["--left"]), Path(named["--right"]))
            work.photograph_bar(folders, Path(named["--poses"]))
        case ("level", "solve"):
            work.level_bar(Path(command[3]))
        case ("wheels", table):
            work.measure_vehicle(Path(table))
        case ("proof", what) if command[3] == "evaluate":
            if what == "length":
                work.measure_lengths(Path(command[4]), Path(named["--registration"]))
            else:
                work.repeat_wheels(Path(command[4]))


def run(arguments: Sequence[str]) -> tuple[int, tuple[str, ...]]:
    """Run a command as the shell would; return its exit code and what it said."""
    said, errors = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(errors):
        code = main(list(arguments))
    if code == 2:
        raise SystemExit(f"{shlex.join(arguments)}: {errors.getvalue()}")
    return code, tuple(said.getvalue().splitlines())


def keep(out: Path) -> None:
    """Keep the book's small files, sheets and report."""
    kept = out / "book"
    shutil.rmtree(kept, ignore_errors=True)
    for path in sorted(BOOK.rglob("*")):
        name = path.relative_to(BOOK)
        wanted = path.suffix in KEPT or name.match("aim*/aim-*.png") or name.match("targets/*.pdf")
        if path.is_file() and (wanted or any(str(name).endswith(one) for one in SHEETS)):
            make_directory((kept / name).parent)
            shutil.copy(path, kept / name)


def readme(work: SiteWork, steps: Sequence[Step]) -> str:
    """Return what the walk did and found."""
    found = wheel_rows(work)
    first, second = (
        work.registration_error(BOOK / name / "registration.json")
        for name in ("register", "register-2")
    )
    lines = [
        "# From first idea to hand-over",
        "",
        "`python -m reports.handover` follows a bay book on an invented bay, `bay.toml`: every "
        "command is the one that `sightbench book` prints next; between them `site_work.py` does "
        "what hands do, with these errors (seed 7). Siting has four starts a lens, in place of "
        "sixteen.",
        "",
        *stated_errors(),
        "",
        f"Found: the bay built wrong ({state_of(steps, 'Built and measured', 0)}); corrected and "
        f"measured again ({state_of(steps, 'Built and measured', -1)}); the slip "
        f"({state_of(steps, 'Registered', -2)}), repeated "
        f"({state_of(steps, 'Registered', -1)}). The registration with the slip is "
        f"{first[0]:.4f} deg and {first[1]:.2f} mm off the truth, the repeated one "
        f"{second[0]:.4f} deg and {second[1]:.2f} mm; most of either is what the cameras' "
        f"calibrations leave, which it claims: {second[2]:.4f} deg and {second[3]:.2f} mm "
        "(standard, root of the three directions' sum).",
        "",
        "The vehicle's angles, known since it is invented, against those measured:",
        "",
        "| angle | true | measured | error | U, k = 2 |",
        "|---|---|---|---|---|",
        *found,
        "",
        "[book/report.html](book/report.html) and [book/report.pdf](book/report.pdf) are the page "
        "to hand over, with lines for signatures; `book/site/sheet-a4` has the siting sheets, "
        "`book/register` the bar's floor sheet, `book/level-plan` that for levelling, "
        "`book/targets` each wheel's target and the sheet for the wall. Pictures of boards and of "
        "the bar aren't kept.",
        "",
        "## Every step",
        "",
    ]
    for number, step in enumerate(steps, start=1):
        lines += [
            f"{number}. **{step.stage}**: {step.after} (exit code {step.code})",
            "",
            "   ```",
            f"   {shlex.join(step.command)}",
            "   ```",
            "",
        ]
    lines.append(f"sightbench {__version__}.")
    return "\n".join(lines) + "\n"


def stated_errors() -> list[str]:
    """Return the errors of the invented site in words."""
    first, corrected = site_work.FIRST, site_work.CORRECTED

    def words(built: dict[str, dict[str, float]]) -> str:
        return "; ".join(
            f"{tower} tower's {key} "
            + (
                f"{1e3 * value:+.0f} mm"
                if key in ("offset", "height")
                else f"{math.degrees(value):+.2f} deg"
            )
            for tower, off in built.items()
            for key, value in off.items()
        )

    slip = 1e3 * max(site_work.SLIP)
    return [
        f"- cameras: focal lengths {100 * (site_work.FOCAL['left'] - 1):+.1f} % and "
        f"{100 * (site_work.FOCAL['right'] - 1):+.1f} % off the bay file's, principal points by "
        "some pixels;",
        f"- built first: {words(first)}; after the correction {words(corrected)};",
        f"- tape {1e3 * site_work.TAPE:g} mm and angle gauge "
        f"{math.degrees(site_work.GAUGE):g} deg, standard;",
        f"- the first registration's target B slips {slip:g} mm from bar pose "
        f"{site_work.SLIP_STEP + 1} on;",
        f"- readings repeat to {site_work.REPEAT:g} deg, operators to {site_work.OPERATOR:g} deg.",
    ]


def state_of(steps: Sequence[Step], stage: str, index: int) -> str:
    """Return what a stage's step came to; of steps that measured, counted in order."""
    words = [step.after for step in steps if step.stage == stage and "plan" not in step.command]
    measured = [one for one in words if not one.startswith("open")]
    # a walk that was stopped and goes on has only its later steps
    return measured[index] if -len(measured) <= index < len(measured) else "walked earlier"


def wheel_rows(work: SiteWork) -> list[str]:
    """Return measured wheel angles against the truth, as rows of a table."""
    true, rows = work.known_angles(), []
    for row in read_result(BOOK / "wheels", WHEELS).value.rows:
        known = true.get((row.name, row.refers_to))
        if row.unit != "deg" or known is None:
            continue
        known = math.degrees(known)
        rows.append(
            f"| {row.name}{f', {row.refers_to}' if row.refers_to else ''} | {known:+.3f} deg | "
            f"{row.value:+.3f} deg | {row.value - known:+.4f} deg | {2.0 * row.u:.4f} deg |"
        )
    return rows


def command_line(arguments: Sequence[str] | None = None) -> int:
    """Walk, keep what is small, and write the readme."""
    parser = argparse.ArgumentParser(prog="python -m reports.handover", description=__doc__)
    parser.add_argument("--work", type=Path, help="where to work; a temporary folder by default")
    parser.add_argument("--out", type=Path, default=HERE, help="where to keep the book")
    given = parser.parse_args(arguments)
    out = given.out.resolve()
    with TemporaryDirectory() as scratch:
        place = (given.work or Path(scratch)).resolve()
        make_directory(place)
        os.chdir(place)
        if not BOOK.exists():  # a walk that was stopped goes on
            run(("book", str(BOOK), "--new", "--bay", str(HERE / "bay.toml")))
        work = SiteWork(BOOK)
        steps = walk(work)
        print("\n".join(run(("book", str(BOOK), "--out", str(BOOK)))[1]))
        keep(out)
        write_atomically(out / "README.md", readme(work, steps).encode())
        os.chdir(HERE)
    return 0


if __name__ == "__main__":
    sys.exit(command_line())
