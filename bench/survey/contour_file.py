"""A contour's tested cells and verdicts, as JSON."""

from __future__ import annotations

from pathlib import Path

from bench.envelope import Facts, Kind, Origin, write_result
from bench.survey.contour import Contour
from bench.survey.contour_run import ContourReport

CONTOUR_FILE = "contour.json"
CONTOUR = Kind("contour", CONTOUR_FILE, "contour", Facts)


def write_contour(out: Path, contour: Contour, report: ContourReport, origin: Origin) -> Path:
    """Write contour.json: the rule, pictures spent and saved, and each tested cell's verdicts.

    Raises
    ------
    RunError
        It can't be written.
    """
    plan = contour.plan
    value = {
        "rule": contour.as_dict(),
        "looks": [
            {"pictures": n, "misses_to_hold": look.hold, "misses_to_fail": look.fail}
            for n, look in zip(contour.judged_by.pictures, contour.judged_by.looks, strict=True)
        ],
        "cells": plan.n_cells,
        "cells_tested": len(report.verdicts),
        "pictures": report.run.found + report.run.added,
        "pictures_of_the_full_grid": plan.n_pictures,
        "tested": [
            {
                "range_m": plan.ranges_m[r],
                "turn_deg": plan.turns_deg[t],
                "pitch_deg": plan.pitches_deg[p],
                "verdicts": found,
            }
            for (r, t, p), found in sorted(report.verdicts.items())
        ],
    }
    return write_result(out / CONTOUR_FILE, CONTOUR, value, origin)
