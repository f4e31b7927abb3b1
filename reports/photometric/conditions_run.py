"""The study of what is wrong with real pictures: ``python -m reports.photometric.conditions_run``.

Beside the report and not in it, since its pictures take seconds each.
"""

from __future__ import annotations

import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor

import cv2
import polars as pl

from bench.processes import ONE_THREAD
from bench.provenance import host_facts, library_versions, now
from reports.photometric.cases import Row
from reports.photometric.conditions_study import (
    PHOTOMETRIC,
    condition_table,
    places,
    run_case,
    verdict_table,
)
from reports.photometric.options import parse
from reports.photometric.report_words import paragraph, table
from reports.photometric.setting import marker

CHUNK = 4


def main() -> None:
    """Run the study and write its tables and report."""
    options = parse("photometric.conditions_run", __doc__, 200, "row")
    started = now()
    os.environ.update(ONE_THREAD)  # of the processes to come
    todo = [
        (options.seed, place.name, range(first, min(first + CHUNK, options.n)))
        for place in places()
        for first in range(0, options.n, CHUNK)
    ]
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.workers, spawn, _prepare) as pool:
        rows = [row for part in pool.map(_run, todo) for row in part]
    cases = pl.DataFrame(rows, infer_schema_length=None)
    found, verdicts = condition_table(cases), verdict_table(cases, options.seed)
    found.write_csv(options.out / "conditions.csv", float_precision=5)
    verdicts.write_csv(options.out / "conditions_verdicts.csv", float_precision=4)
    text = report(found, verdicts, options.n, options.seed, started)
    (options.out / "conditions.md").write_text(text, encoding="utf-8")
    print(f"written to {options.out}")


def report(found: pl.DataFrame, verdicts: pl.DataFrame, n: int, seed: int, started: str) -> str:
    """Return the study's report."""
    host = host_facts()
    libraries = ", ".join(f"{name} {number}" for name, number in library_versions())
    introduction = paragraph(
        f"{n} pictures a row, seed {seed}, drawn by plain supersampling (`shots.py`): nothing of "
        "the bench's rasteriser is in them. A 36h11 marker of 200 mm, f = 3478 px, turned by 20 "
        "to 45 degrees, rolled any way; the sensor isn't known. Every condition is drawn anew "
        "for each picture (`conditions.py`). RMS errors are of poses called ok; *beyond k = 2* is "
        "the largest share among the six components, each counted alone."
    )
    asked = paragraph(
        "Asked of photometric, over pictures that both call ok: rotation and range RMS at most "
        "1.1 times those of the best corner pipeline, a half under light, a quarter under broad "
        "reflections; at most 5 points fewer ok; at most 10 % of poses beyond k = 2. The ratio is "
        "the worst against any corner pipeline, with the one-sided 95 % end of a paired bootstrap."
    )
    return f"""# What is wrong with real pictures

{introduction}

{table(("condition", "range, m", "pipeline", "rotation, deg", "range, mm", "beyond k = 2, %", "ok, %"), [_line(row) for row in found.iter_rows(named=True)])}

## What was asked

{asked}

{table(("condition", "range, m", "rotation", "range", "fewer ok, points", "beyond k = 2, %", "not met"), [_judged(row) for row in verdicts.iter_rows(named=True)])}

## Make it again

```sh
python -m reports.photometric.conditions_run --n {n} --seed {seed}
```

Started {started}. {host["processor"]}, {host["cores"]} cores, Python {host["python"]}; {libraries}.
"""  # noqa: E501 - tables are one line each


def _line(row: Row) -> tuple[str, ...]:
    name = str(row["pipeline"])
    return (
        str(row["condition"]),
        f"{row['range_m']:g}",
        f"**{name}**" if name == PHOTOMETRIC else name,
        _number(row["rms_rot_deg"], 4),
        _number(row["rms_along_mm"], 2),
        "-" if row["beyond_2"] is None else f"{100.0 * float(row['beyond_2']):.0f}",
        f"{100.0 * float(row['ok'] or 0.0):.0f}",
    )


def _judged(row: Row) -> tuple[str, ...]:
    asked = {
        "rotation": "met_rot_deg",
        "range": "met_along_mm",
        "ok": "met_ok",
        "claims": "met_beyond_2",
    }
    missed = [words for words, name in asked.items() if row[name] is False]
    return (
        str(row["condition"]),
        f"{row['range_m']:g}",
        f"{_number(row['ratio_rot_deg'], 2)} ({_number(row['ratio_rot_deg_hi'], 2)})",
        f"{_number(row['ratio_along_mm'], 2)} ({_number(row['ratio_along_mm_hi'], 2)})",
        f"{100.0 * float(row['fewer_ok'] or 0.0):.0f}",
        "-" if row["beyond_2"] is None else f"{100.0 * float(row['beyond_2']):.0f}",
        ", ".join(missed) or "-",
    )


def _number(value: float | int | str | bool | None, digits: int) -> str:
    return "-" if value is None else f"{float(value):.{digits}f}"


def _prepare() -> None:
    cv2.setNumThreads(1)


def _run(task: tuple[int, str, range]) -> list[Row]:
    seed, name, trials = task
    target = marker()
    found = next(p for p in places() if p.name == name)
    return [row for trial in trials for row in run_case(seed, found, trial, target)]


if __name__ == "__main__":
    main()
