"""The siting sheet: what an installer takes to the floor, to scale, as PDF and SVG."""

from __future__ import annotations

import re
from pathlib import Path

from bench.files import make_directory, write_atomically
from bench.setting_out.sheet_bay import bay_page
from bench.setting_out.sheet_frame import Plan
from bench.setting_out.sheet_room import room_page
from bench.setting_out.sheet_tower import tower_page
from bench.targets.page import Sheet, paper_size, paper_title
from bench.targets.pdf import sheet_pdf
from bench.targets.svg import page_svg

PAPERS = ("a4", "letter")
STEM = "siting-sheet"


def siting_sheet(plan: Plan, paper: str = "a4") -> Sheet:
    """Return the pages: one of the bay, one of the room, then one of each tower.

    Every drawing states its scale and carries a bar of it.

    Raises
    ------
    TargetError
        No such paper.
    """
    size = paper_size(paper)
    name = paper_title(paper)
    count = 2 + len(plan.bay.towers)
    pages = [bay_page(plan, size, (1, count, name)), room_page(plan, size, (2, count, name))]
    pages += [
        tower_page(plan, tower, size, (number, count, name))
        for number, tower in enumerate(plan.bay.towers, start=3)
    ]
    return Sheet(f"Siting sheet, {plan.bay.name}", name, tuple(pages))


def write_siting_sheet(plan: Plan, out: Path, paper: str = "a4") -> tuple[Path, ...]:
    """Write the sheet as one PDF and an SVG a page; return the paths.

    Raises
    ------
    RunError
        A file can't be written.
    TargetError
        No such paper.
    """
    sheet = siting_sheet(plan, paper)
    files = {f"{STEM}.pdf": sheet_pdf(sheet)}
    parts = ["bay", "room", *(_slug(tower.name) for tower in plan.bay.towers)]
    for number, (part, page) in enumerate(zip(parts, sheet.pages, strict=True)):
        # names of towers may read alike once they are made plain
        part = part if parts.count(part) == 1 else f"{number}-{part}"
        files[f"{STEM}-{part}.svg"] = page_svg(page, f"{sheet.name}, {part}").encode()
    make_directory(out)
    for name, content in files.items():
        write_atomically(out / name, content)
    return tuple(out / name for name in files)


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9_.]+", "-", name.lower()).strip("-") or "tower"
