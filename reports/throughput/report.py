"""The benchmark's report: targets first, then each part's table."""

from __future__ import annotations

import csv
import io
from typing import Any

from bench.files import make_directory, write_atomically
from bench.provenance import host_facts, library_versions
from reports.photometric.report_words import paragraph, table
from reports.throughput.report_renderers import opengl_section, tracer_section
from reports.throughput.setting import SIZES_PX, Options
from reports.throughput.split import STEPS
from reports.throughput.targets import TargetVerdict, verdicts
from reports.throughput.words import exponent, number, share, within

Parts = dict[str, Any]


def write(parts: Parts, options: Options) -> None:
    """Write README.md and targets.csv."""
    make_directory(options.out)
    found = verdicts(parts)
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(("target", "asked", "measured", "verdict"))
    writer.writerows((v.what, v.asked, v.measured, v.word) for v in found)
    write_atomically(options.out / "targets.csv", buffer.getvalue().encode())
    write_atomically(options.out / "README.md", text(parts, found, options).encode())
    for verdict in found:
        print(f"{verdict.what}: {verdict.word}, {verdict.measured} (asked {verdict.asked})")


def text(parts: Parts, found: list[TargetVerdict], options: Options) -> str:
    """Return the report."""
    sections = {
        "floor": floor_section,
        "driver": driver_section,
        "split": split_section,
        "pictures": pictures_section,
        "opengl": opengl_section,
        "path_tracer": tracer_section,
        "overhead": overhead_section,
        "workers": workers_section,
        "scaling": growth_section,
        "maps": maps_section,
        "memory": memory_section,
        "photometric": photometric_section,
    }
    bodies = [make(parts[name]["result"]) for name, make in sections.items() if name in parts]
    return "\n\n".join([_head(found, options), *bodies, _provenance(parts, options)]) + "\n"


def _head(found: list[TargetVerdict], options: Options) -> str:
    quick = (
        "\n\n**A quick run**: few repetitions; the large map is extrapolated from a small one."
        if options.quick
        else ""
    )
    rows = [(v.what, v.asked, v.measured, v.word) for v in found]
    return f"""# Throughput

{
        paragraph(
            "How many cases a second, where their time goes, and how the exact picture of a plane",
            "compares with other renderers. The shipped bay's camera (5 MP) and target; a marker",
            "turned by 30 degrees. Times are medians, with quartiles in brackets; compared things",
            "take turns, and a ratio is the median of ratios round by round.",
        )
    }{quick}

{table(("target", "asked", "measured", "verdict"), rows)}

![Where a case's time goes, and the planar path beside other renderers](throughput.png)"""


def floor_section(result: Parts) -> str:
    """Return a survey's cost over detection and solving, today and before."""
    settings = result["settings"]
    head: tuple[str, ...] = ("target", "whole, ms", "over detect and solve")
    columns = ["whole_ms", "now_over_floor"]
    if all("times_faster" in row for row in settings.values()):
        head += ("before", "times faster")
        columns += ["before_over_floor", "times_faster"]
    rows = [(name, *(within(row[c]) for c in columns)) for name, row in settings.items()]
    return f"""## Over detection and solving alone

A corner pipeline's whole survey over its detector's and solver's time, {result["cases"]} pictures
of a cell, {result["rounds"]} rounds; processor times, today's source and the earlier one in turns,
so that ratios stand a busy machine (this one's load was {result["load"]:.0f}) and milliseconds
don't. Asked is 1.6. Sections that follow with times of their own were measured on a quiet machine
and, where `parts/` dates them before this one, before what made it quicker.

{table(head, rows)}

**Accelerators.** Detectors and corner solvers stay on the processor; of a map's time by a corner
pipeline a device could take no more than what the table has beyond 1: with a ratio r, 1 - 1/r of
the time, so that a device that were infinitely fast would make a map r times as fast at best. That
is before pictures of some 10⁴ pixels are carried to the device and back, each some microseconds
of transfer and of starting, and before a second path whose numbers differ in their last bits.
Photometric solvers could gain more, since their fits are passes over pixels; none was tried."""


def driver_section(result: Parts) -> str:
    """Return what one driver costs a case."""
    rows = [
        (size, *(f"{row[name]:.2g}" for name in ("driver_ms", "join_ms", "cores")))
        for size, row in result["chunks"].items()
    ]
    head = ("pictures a chunk", "driver, ms a case", "joining, ms a case", "cores fed")
    return f"""## What one driver feeds

A replay without compute: results of {result["pictures"]:,} pictures, made before, arrive pickled
as a pool's do; the driver hands out, unpickles, writes and counts, and joins at the end. Its
processor time a case against a worker's {result["worker_ms"]:.3g} ms is how many cores it
keeps busy; writing waits for the disk beside that (a part at a time, not a case).

{table(head, rows)}"""


def split_section(result: Parts) -> str:
    """Return where a case's time goes."""
    rows = []
    for name, size in result["sizes"].items():
        cells = [f"{number(size[f'{s}_ms'])} ({share(size['share'][s])})" for s in STEPS]
        rest = f"{number(size['rest_ms'])} ({share(size['share']['rest'])})"
        rows.append(
            (f"{name}, {SIZES_PX[name]:.0f} px", within(size["cases_per_s"]), *cells, rest)
        )
    return f"""## Cases a second and core

`{result["pipeline"]}`, {result["cases"]} cases a size; milliseconds a case and share of the whole.
*Score* joins truth and estimate, *bound* is the Cramér-Rao bound of the picture, *rest* is the
truth's columns, rows and packing.

{table(("target", "cases/s", *STEPS, "rest"), rows)}"""


def pictures_section(result: Parts) -> str:
    """Return how long pictures take."""
    steps = [(name, within(t)) for name, t in result["steps_ms"].items()]
    frames = [
        (f"{name}, {SIZES_PX[name]:.0f} px", *(within(f[k]) for k in f))
        for name, f in result["frames"].items()
    ]
    grown = [(name, exponent(g)) for name, g in result["growth"].items()]
    return f"""## Pictures

{result["side_px"]} x {result["side_px"]} px filled by the target, one core:

{table(("step", "ms"), steps)}

Noisy pictures of the target's region and of the full frame of 5 MP:

{table(("target", "region, ms", "frame, ms", "ratio"), frames)}

Growth with pixels, 50 x 50 to 800 x 800 filled by the target (below 1: boundaries and a fixed
part grow slower than areas):

{table(("", "exponent"), grown)}"""


def overhead_section(result: Parts) -> str:
    """Return what a survey costs beside its work."""
    return f"""## A survey's own overhead

{
        paragraph(
            f"`{result['pipeline']}`, {result['pictures']} pictures over the shipped grid, one",
            "process. Pictures, bounds, detectors and solvers are work; all else (truth, scoring,",
            "rows, packing, writing, joining) is overhead:",
            f"{share(result['share']['median'])} of the time"
            f" [{share(result['share']['q25'])}, {share(result['share']['q75'])}], of which"
            f" scoring {share(result['scoring_share']['median'])}.",
            f"{within(result['pictures_per_s'])} pictures a second.",
        )
    }"""


def workers_section(result: Parts) -> str:
    """Return workers against copies."""
    n = result["workers"]
    rows = [
        ("one worker", within(result["one_per_s"])),
        (f"{n} workers", within(result["workers_per_s"])),
        (f"{n} independent copies at once, summed", within(result["copies_per_s"])),
        (f"{n} workers over {n} copies", within(result["ratio"])),
        (f"{n} workers over one", within(result["speed_up"])),
    ]
    return f"""## Workers

{result["pictures"]} pictures; workers are started and warm; tables are written.

{table(("", "pictures/s, or ratio"), rows)}"""


def growth_section(result: Parts) -> str:
    """Return growth with trials and pipelines."""
    rows = [
        (name, ", ".join(f"{a:g}" for a in sorted(set(g["amounts"]))), exponent(g))
        for name, g in result.items()
    ]
    return f"""## Growth with trials and pipelines

Time of a whole survey ∝ amount^exponent, 95 % interval from the scatter. Pipelines share
pictures, and those with the same detector its work, so their exponent is below 1.

{table(("by", "amounts", "exponent"), rows)}"""


def maps_section(result: Parts) -> str:
    """Return large maps."""
    rows = [
        (
            f"{m['pictures']:,}",
            f"{m['survey_s']:.0f}",
            f"{m['whole_s']:.0f}",
        )
        for m in result["maps"]
    ]
    how = "" if result["ran_whole"] else " (extrapolated by the pace between the last two above)"
    head = (
        "pictures",
        "survey, s",
        "with cells and limits, s",
    )
    return f"""## Large maps

One corner pipeline, {
        result["workers"]
    } workers, start included, each map once, in a process of its
own; the map's pictures aren't drawn.

{table(head, rows)}

{paragraph(f"{result['asked']:,} cases: {result['seconds_for_asked'] / 60:.1f} min{how}.")}"""


def memory_section(result: Parts) -> str:
    """Return how memory grows with the cases."""
    rows = [
        (
            f"{m['rows']:,}",
            f"{m['before_mb']:.0f}",
            f"{m['joining_mb']:.0f}",
            f"{m['peak_mb']:.0f}",
            f"{m['seconds']:.0f}",
        )
        for m in result["amounts"]
    ]
    head = ("rows", "parts written, MB", "joined, MB", "cells and limits, MB", "s")
    return f"""## Memory

The most that the process held until its parts were written, joined to tables, and summed up to
cells and limits; the numbers in the rows are made up. What is held at once is 100,000 rows to
sort, then a piece of the tables at a time (25,000 rows, at least a cell).

{table(head, rows)}

Memory ∝ rows^exponent: {exponent(result["growth"])}; 1 would be in proportion."""


def photometric_section(result: Parts) -> str:
    """Return what a photometric map takes."""
    mean, whole = result["picture_s"], result["seconds_for_asked"]
    return f"""## With the photometric pipeline

{
        paragraph(
            f"`{result['pipeline']}`, a sample of {mean['n']} pictures over the whole grid:",
            f"{1e3 * mean['mean']:.1f} ms a picture [{1e3 * mean['low']:.1f},",
            f"{1e3 * mean['high']:.1f}] (mean, 95 % by the bootstrap). 100,000 cases on",
            f"{result['workers']} cores would take {whole['mean'] / 60:.0f} min",
            f"[{whole['low'] / 60:.0f}, {whole['high'] / 60:.0f}], extrapolated: if every core is",
            "as quick as one alone, and without what the survey itself takes.",
        )
    }"""


def _provenance(parts: Parts, options: Options) -> str:
    host = host_facts()
    libraries = ", ".join(f"{name} {version}" for name, version in library_versions())
    times = ", ".join(f"{name} {part['seconds']:.0f} s" for name, part in parts.items())
    command = "python -m reports.throughput" + (" --quick" if options.quick else "")
    return f"""## Make it again

```sh
{command} --path-tracer PYTHON
```

PYTHON is one that has mitsuba and numpy; without the option, the one that runs this.

{
        paragraph(
            f"{host['processor']}, {host['cores']} cores, Python {host['python']}; {libraries}.",
            f"Took: {times}. Every part's numbers are in `parts/`. Times are this machine's.",
        )
    }"""
