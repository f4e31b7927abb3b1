"""The benchmark's report: what was asked first, then each part's table."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bench.files import make_directory, write_atomically
from bench.provenance import host_facts, library_versions
from reports.photometric.report_words import paragraph, table
from reports.throughput.scale import CASES
from reports.throughput.setting import SIZES_PX, Options
from reports.throughput.split import STEPS

Parts = dict[str, Any]

# What was asked: the part that tells, its number, the most that it may be, and its unit.
ASKED: tuple[tuple[str, str, Callable[[Parts], float], float, str], ...] = (
    ("rasterise 100 x 100 px", "pictures", lambda r: _step(r, "rasterise"), 0.5, " ms"),
    (
        "100 x 100 px with optics and sensor",
        "pictures",
        lambda r: _step(r, "optics, light, sensor"),
        1.5,
        " ms",
    ),
    (
        "a survey's own overhead by a corner pipeline",
        "overhead",
        lambda r: 100.0 * float(r["share"]["median"]),
        10.0,
        " %",
    ),
    (
        f"a map of {CASES:,} cases by a corner pipeline",
        "maps",
        lambda r: float(r["seconds_for_asked"]) / 60.0,
        10.0,
        " min",
    ),
)


def _step(result: Parts, name: str) -> float:
    return float(result["steps_ms"][name]["median"])


def write(parts: Parts, options: Options) -> None:
    """Write README.md."""
    make_directory(options.out)
    write_atomically(options.out / "README.md", text(parts, options).encode())
    for row in verdicts(parts):
        print(": ".join(row))


def verdicts(parts: Parts) -> list[tuple[str, str, str, str]]:
    """Return rows of what was asked: what, the limit, what was measured, whether that meets it."""
    rows = []
    for what, part, number_of, most, unit in ASKED:
        if part in parts:
            value = number_of(parts[part]["result"])
            found = f"{value:.3g}{unit}", "met" if value <= most else "not met"
        else:
            found = "not measured", "not judged"
        rows.append((what, f"≤ {most:g}{unit}", *found))
    return rows


def text(parts: Parts, options: Options) -> str:
    """Return the report."""
    sections = {
        "floor": floor_section,
        "driver": driver_section,
        "split": split_section,
        "pictures": pictures_section,
        "overhead": overhead_section,
        "workers": workers_section,
        "maps": maps_section,
        "memory": memory_section,
        "photometric": photometric_section,
    }
    bodies = [make(parts[name]["result"]) for name, make in sections.items() if name in parts]
    return "\n\n".join([_head(parts, options), *bodies, RENDERERS, _provenance(parts, options)])


def _head(parts: Parts, options: Options) -> str:
    quick = (
        "\n\n**A quick run**: few repetitions; the large map is extrapolated from a small one."
        if options.quick
        else ""
    )
    about = paragraph(
        "How many cases a second, and where their time goes. The shipped bay's camera (5 MP) and",
        "target; a marker turned by 30 degrees. Times are medians, with quartiles in brackets;",
        "compared things take turns, and a ratio is the median of ratios round by round.",
    )
    return f"""# Throughput

{about}{quick}

{table(("target", "asked", "measured", "verdict"), verdicts(parts))}

![Where a case's time goes](throughput.png)"""


def floor_section(result: Parts) -> str:
    """Return a survey's cost over detection and solving, today and before."""
    settings = result["settings"]
    head: tuple[str, ...] = ("target", "whole, ms", "over detect and solve", "once a cell, ms")
    columns = ["whole_ms", "now_over_floor", "cell_ms"]
    if all("times_faster" in row for row in settings.values()):
        head += ("over them before", "times faster", "once a cell before, ms")
        columns += ["before_over_floor", "times_faster", "before_cell_ms"]
    rows = [(name, *(within(row[c]) for c in columns)) for name, row in settings.items()]
    about = paragraph(
        "A corner pipeline's whole survey over its detector's and solver's time,",
        f"{result['cases']} pictures {result['where']}, {result['rounds']} rounds; processor",
        "times, today's source and the earlier one in turns, so that ratios stand a busy machine",
        f"(this one's load was {result['load']:.0f}) and milliseconds don't. Asked is 1.6. Beside",
        "it stands what is done once a cell, by each worker that meets it: a map of N trials adds",
        "an Nth of it to each picture; a few ms either way are none.",
        "Sections that follow with times of their own were measured on a quiet machine and, where",
        "`parts/` dates them before this one, before what made it quicker.",
    )
    return f"""## Over detection and solving alone

{about}

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

{table(head, rows)}

A contour's looks read no part, but for those of a stopped run
(`tests/survey/test_contour.py`); from an object store parts come together, after one listing
(`tests/survey/test_run_in_store.py`)."""


def split_section(result: Parts) -> str:
    """Return where a case's time goes."""
    rows = []
    for name, size in result["sizes"].items():
        cells = [f"{size[f'{s}_ms']['median']:.3g} ({share(size['share'][s])})" for s in STEPS]
        rest = f"{size['rest_ms']['median']:.3g} ({share(size['share']['rest'])})"
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
    return f"""## Pictures

{result["side_px"]} x {result["side_px"]} px filled by the target, one core:

{table(("step", "ms"), steps)}

Noisy pictures of the target's region and of the full frame of 5 MP:

{table(("target", "region, ms", "frame, ms", "ratio"), frames)}"""


def overhead_section(result: Parts) -> str:
    """Return what a survey costs beside its work."""
    took = result["share"]
    words = paragraph(
        f"`{result['pipeline']}`, {result['pictures']} pictures over the shipped grid, one",
        "process. Pictures, bounds, detectors and solvers are work; all else (truth, scoring,",
        "rows, packing, writing, joining) is overhead:",
        f"{share(took['median'])} of the time [{share(took['q25'])}, {share(took['q75'])}], of",
        f"which scoring {share(result['scoring_share']['median'])}.",
        f"{within(result['pictures_per_s'])} pictures a second.",
    )
    return f"## A survey's own overhead\n\n{words}"


def workers_section(result: Parts) -> str:
    """Return what several workers gain."""
    n = result["workers"]
    rows = [
        ("one worker", within(result["one_per_s"])),
        (f"{n} workers", within(result["workers_per_s"])),
        (f"{n} workers over one", within(result["speed_up"])),
    ]
    return f"""## Workers

{result["pictures"]} pictures; workers are started and warm; tables are written.

{table(("", "pictures/s, or ratio"), rows)}"""


def maps_section(result: Parts) -> str:
    """Return large maps."""
    rows = [
        (f"{m['pictures']:,}", f"{m['survey_s']:.0f}", f"{m['whole_s']:.0f}")
        for m in result["maps"]
    ]
    how = "" if result["ran_whole"] else " (extrapolated by the pace between the last two above)"
    minutes = result["seconds_for_asked"] / 60
    workers = result["workers"]
    return f"""## Large maps

One corner pipeline, {workers} workers, start included, each map once, in a process of its
own; the map's pictures aren't drawn.

{table(("pictures", "survey, s", "with cells and limits, s"), rows)}

{paragraph(f"{result['asked']:,} cases: {minutes:.1f} min{how}.")}"""


def memory_section(result: Parts) -> str:
    """Return what a survey holds in memory, by its cases."""
    rows = [
        (
            f"{m['rows']:,}",
            *(f"{m[name]:.0f}" for name in ("before_mb", "joining_mb", "peak_mb", "seconds")),
        )
        for m in result["amounts"]
    ]
    head = ("rows", "parts written, MB", "joined, MB", "cells and limits, MB", "s")
    return f"""## Memory

The most that the process held until its parts were written, joined to tables, and summed up to
cells and limits; the numbers in the rows are made up. What is held at once is 100,000 rows to
sort, then a piece of the tables at a time (25,000 rows, at least a cell), however many there are.

{table(head, rows)}"""


def photometric_section(result: Parts) -> str:
    """Return what a photometric map takes."""
    mean, whole = result["picture_s"], result["seconds_for_asked"]
    words = paragraph(
        f"`{result['pipeline']}`, {result['pictures']} pictures over the whole grid:",
        f"{1e3 * mean['mean']:.1f} ms a picture [{1e3 * mean['low']:.1f},",
        f"{1e3 * mean['high']:.1f}] (mean, 95 % by the bootstrap). 100,000 cases on",
        f"{result['workers']} cores would take {whole['mean'] / 60:.0f} min",
        f"[{whole['low'] / 60:.0f}, {whole['high'] / 60:.0f}], extrapolated: if every core is as",
        "quick as one alone, and without what the survey itself takes.",
        *_richer(result["richer"]),
    )
    return f"## With the photometric pipeline\n\n{words}"


def _richer(times: dict[str, Any] | None) -> tuple[str, ...]:
    """Return how long an answer by fields of light takes; none where it wasn't measured."""
    if times is None:
        return ()
    return (
        f"Where light asks for fields ({times['n']} pictures as built), an answer takes",
        f"{within(times)} times as long as plain light's fit of the same pixels: processor times.",
    )


# Measured once, on the machine below; nothing that changes since then changes it.
RENDERERS = """## Beside other renderers

A marker of 100 px by the exact picture of a plane, by triangles that OpenGL draws (pyrender) with
as many samples a pixel as give corners as good (64 x 64), and by a path tracer (mitsuba 3.9.1)
with as many as bring its noise under that of rounding to 8 bits (128): OpenGL takes 9,700 times
as long for the target's region and 46,800 times for the frame (17 times with one draw a pixel,
whose corners are off by 0.024 px RMS in place of 0.0004), the path tracer 5,950 times. The study
was done once and isn't kept; its code and tables are in the history, at 4a7ff7b."""


def _provenance(parts: Parts, options: Options) -> str:
    host = host_facts()
    libraries = ", ".join(f"{name} {version}" for name, version in library_versions())
    times = ", ".join(f"{name} {part['seconds']:.0f} s" for name, part in parts.items())
    words = paragraph(
        f"{host['processor']}, {host['cores']} cores, Python {host['python']}; {libraries}.",
        f"Took: {times}. Every part's numbers are in `parts/`. Times are this machine's.",
    )
    return f"""## Make it again

```sh
python -m reports.throughput{" --quick" if options.quick else ""}
```

{words}
"""


def within(values: dict[str, Any]) -> str:
    """Return a median and, in brackets, the quartiles."""
    middle, low, high = (
        f"{v:,.0f}" if abs(v) >= 1000.0 else f"{v:.3g}"
        for v in (values[k] for k in ("median", "q25", "q75"))
    )
    return f"{middle} [{low}, {high}]"


def share(value: float) -> str:
    """Return a share as per cent."""
    return f"{100.0 * value:.1f} %" if value < 0.1 else f"{100.0 * value:.0f} %"
