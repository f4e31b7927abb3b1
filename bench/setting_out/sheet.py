"""The siting sheet: what an installer takes to the floor, to scale."""

from __future__ import annotations

from bench.setting_out.sheet_bay import bay_page
from bench.setting_out.sheet_frame import Plan
from bench.setting_out.sheet_room import room_page
from bench.setting_out.sheet_tower import tower_page
from bench.targets.page import Sheet, paper_size, paper_title


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
