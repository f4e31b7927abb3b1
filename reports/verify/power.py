"""How often a comparison finds what it should, and how often it cries wolf.

A pool of real cases is recorded once: the quick suite by one pipeline under several noise keys.
Simulated comparisons draw from it:

- *A/A*: for every case two different noise keys, drawn afresh, so that old and new differ by
  sensor noise alone. Whatever is called worse is a false alarm.
- *Worse by design*: the new side is made worse by a known amount, once on the old side's noise,
  as `compare` does it, and once on another key, as ``--fresh-noise`` does it.

The scenes are those of the suite, and each has as many exposures as there are keys; what is drawn
is which of them meet. So the numbers speak of this suite and this pipeline, for any noise; they
don't speak of other suites, or of changes of another shape than those made here.

    python -m reports.verify.power [--keys 4] [--aa 6000] [--power 400] [--out DIR]
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from bench import __version__
from bench.digest import key_digest
from bench.files import write_atomically
from bench.processes import ONE_THREAD
from bench.solve.pipeline import pipeline_from_name
from bench.survey.statistics import wilson_interval
from bench.typing import IntArray
from bench.verify.baseline import read_baseline
from bench.verify.compare import WHOLE, Pairs, Side, compare
from bench.verify.effects import ROTATION
from bench.verify.record import record
from bench.verify.rows import NAMES
from bench.verify.suite import load_suite

SUITE, PIPELINE = "quick", "aruco-subpix/ippe-lm"
RISE, DROP, SHIFT_PX = 1.2, 0.01, 0.1
SEED = 20261125
BATCH = 20


@dataclass(frozen=True, eq=False)
class Pool:
    """Recorded cases under several noise keys: one `Side` a key, in the same order."""

    keys: tuple[str, ...]
    groups: tuple[str, ...]
    group: IntArray
    empty: frozenset[str]
    sides: tuple[Side, ...]

    def mixed(self, which: IntArray) -> Side:
        """Return the side that takes each case (n,) from the key that `which` says."""
        rows = np.arange(len(self.keys))
        good, detected, values = (
            np.stack([getattr(side, name) for side in self.sides])[which, rows]
            for name in ("good", "detected", "values")
        )
        return Side(good, detected, values)

    def pairs(self, old: Side, new: Side) -> Pairs:
        """Return two sides as pairs."""
        return Pairs(self.keys, self.groups, self.group, self.empty, old, new)


def read_pool(files: Sequence[Path]) -> Pool:
    """Return the pool that recordings make."""
    recordings = [read_baseline(path) for path in files]
    keys = tuple(recordings[0].rows)
    names = [key.partition("|")[0] for key in keys]
    groups = tuple(dict.fromkeys(names))
    return Pool(
        keys,
        groups,
        np.array([groups.index(name) for name in names]),
        frozenset(g.name for g in load_suite(SUITE).groups if g.empty),
        tuple(Side.of([r.rows[key] for key in keys]) for r in recordings),
    )


def draw(pool: Pool, rng: np.random.Generator) -> tuple[Side, Side, Side]:
    """Return three sides of which no case shares its exposure with itself in another."""
    n = len(pool.keys)
    order = np.argsort(rng.random((len(pool.sides), n)), axis=0)
    return pool.mixed(order[0]), pool.mixed(order[1]), pool.mixed(order[2])


def noisier(pool: Pool, side: Side, other: Side, group: str, rng: np.random.Generator) -> Side:
    """Return a side whose rotation error in a group has `RISE` times the RMS.

    What is added is √(RISE² - 1) of the error that another case of the group has, drawn at
    random, and turned round at random: as large and as heavy-tailed as errors are there, but
    of its own.
    """
    values = side.values.copy()
    members = np.flatnonzero(pool.group == pool.groups.index(group))
    columns = np.array([NAMES.index(name) for name in ROTATION])
    donors = members[other.good[members]]
    added = other.values[np.ix_(rng.choice(donors, size=len(members)), columns)]
    sign = rng.choice([-1.0, 1.0], size=(len(members), 1))
    values[np.ix_(members, columns)] += np.sqrt(RISE**2 - 1.0) * sign * added
    return Side(side.good, side.detected, values)


def dropping(pool: Pool, side: Side, rng: np.random.Generator) -> Side:
    """Return a side in which each detected target is missed with probability `DROP`."""
    target = np.array([pool.groups[g] not in pool.empty for g in pool.group])
    lost = target & side.detected & (rng.random(len(target)) < DROP)
    values = side.values.copy()
    values[lost] = np.nan
    return Side(side.good & ~lost, side.detected & ~lost, values)


def shifted(side: Side, rng: np.random.Generator) -> Side:
    """Return a side whose corners lie `SHIFT_PX` off in a direction drawn at random."""
    values = side.values.copy()
    angle = rng.uniform(0.0, 2.0 * np.pi)
    values[:, NAMES.index("du_px")] += SHIFT_PX * np.cos(angle)
    values[:, NAMES.index("dv_px")] += SHIFT_PX * np.sin(angle)
    return Side(side.good, side.detected, values)


def trial(pool: Pool, kind: str, index: int) -> dict[str, bool]:
    """Return what one simulated comparison found: ``worse`` and, where planned, ``named``.

    Parameters
    ----------
    pool : Pool
        Recorded cases.
    kind : str
        ``"aa"``, or a change and the new side's noise, such as ``"drop|same"`` and
        ``"rise|fresh|far"``.
    index : int
        Number of the trial; seeds it together with its kind.
    """
    rng = np.random.default_rng(np.random.SeedSequence([SEED, key_digest(kind), index]))
    old, fresh, spare = draw(pool, rng)
    change, _, rest = kind.partition("|")
    noise, _, group = rest.partition("|")
    new = old if noise == "same" else fresh
    place: str = group
    tests: tuple[str, ...] = ("rotation RMS",)
    match change:
        case "rise":
            new = noisier(pool, new, spare, group, rng)
        case "drop":
            new, place, tests = dropping(pool, new, rng), WHOLE, ("detection rate",)
        case "shift":
            new, place = shifted(new, rng), WHOLE
            tests = ("corner shift right", "corner shift down")
    comparison = compare(pool.pairs(old, new))
    worse = comparison.with_state("worse")
    return {
        "worse": bool(worse),
        "alarm": bool(comparison.with_state("worse", "slight")),
        "found": any(j.group == place and j.measured.test in tests for j in worse),
        "unjudged": not worse and bool(comparison.unjudged),
    }


_pool: Pool | None = None


def _start(files: Sequence[Path]) -> None:
    global _pool
    _pool = read_pool(files)


def _batch(job: tuple[str, int, int]) -> dict[str, int]:
    kind, first, count = job
    assert _pool is not None
    results = [trial(_pool, kind, index) for index in range(first, first + count)]
    return {name: sum(r[name] for r in results) for name in results[0]}


def simulate(
    files: Sequence[Path], kinds: dict[str, int], workers: int, say: Callable[[str], None]
) -> dict[str, dict[str, int]]:
    """Return counts of what was found, for each kind of trial in its number."""
    totals: dict[str, dict[str, int]] = {}
    with ProcessPoolExecutor(workers, get_context("spawn"), _start, (files,)) as pool:
        for kind, number in kinds.items():
            jobs = [(kind, i, min(BATCH, number - i)) for i in range(0, number, BATCH)]
            total = {"n": number}
            for counts in pool.map(_batch, jobs):
                for name, value in counts.items():
                    total[name] = total.get(name, 0) + value
            totals[kind] = total
            say(f"{kind}: {total}")
    return totals


def rate(k: int, n: int) -> dict[str, float]:
    """Return a rate with its Wilson interval at 95 %."""
    low, high = wilson_interval(k, n, 0.95)
    return {"count": k, "of": n, "rate": k / n, "low": low, "high": high}


def shown_options() -> list[str]:
    """Return the options given, without folders."""
    folders = {"--pool", "--out"}
    given = zip(sys.argv[1:], sys.argv, strict=False)
    return [word for word, before in given if not {word, before} & folders]


def report(totals: dict[str, dict[str, int]], pool: Pool, keys: int) -> dict[str, Any]:
    """Return the study's numbers."""
    aa = totals["aa"]
    return {
        "command": " ".join(["python -m reports.verify.power", *shown_options()]),
        "version": __version__,
        "suite": SUITE,
        "suite_digest": load_suite(SUITE).digest,
        "pipeline": PIPELINE,
        "seed": SEED,
        "cases": len(pool.keys),
        "noise_keys": keys,
        "false_alarms": rate(aa["worse"], aa["n"]),
        "differences_called": rate(aa["alarm"], aa["n"]),
        "unjudged": rate(aa["unjudged"], aa["n"]),
        "found": {
            kind: rate(total["found"], total["n"])
            for kind, total in totals.items()
            if kind != "aa"
        },
        "called_worse": {
            kind: rate(total["worse"], total["n"])
            for kind, total in totals.items()
            if kind != "aa"
        },
    }


def words(content: dict[str, Any]) -> str:
    """Return the study as Markdown."""
    aa, unjudged = content["false_alarms"], content["unjudged"]
    lines = [
        "# Power and false alarms of `sightbench verify compare`",
        "",
        f"`{content['command']}`, sightbench {content['version']}, seed {content['seed']}.",
        "",
        f"Suite {content['suite']} ({content['suite_digest']}), {content['cases']} cases, "
        f"pipeline {content['pipeline']}, {content['noise_keys']} noise keys recorded. Intervals "
        "are Wilson's, 95 %.",
        "",
        f"**False alarms** with fresh noise on both sides: {_said(aa)}. A comparison that raised "
        f"none could not be judged in {_said(unjudged)}. With the same noise key and an unchanged "
        "pipeline the two recordings are equal, and there is nothing to raise an alarm about.",
        "",
        "**Found** is the test of the changed quantity itself called worse; the whole comparison "
        "is called worse at least as often.",
        "",
        "| change | noise | found | comparison called worse |",
        "|---|---|---|---|",
    ]
    for kind, found in content["found"].items():
        change, noise, *group = kind.split("|")
        name = {
            "rise": f"rotation RMS up 20 %, group {group[0] if group else ''}",
            "drop": "each detection lost with probability 1 %",
            "shift": "corners off by 0.1 px, any direction",
        }[change]
        worse = content["called_worse"][kind]
        lines.append(f"| {name} | {noise} | {_said(found)} | {_said(worse)} |")
    lines += [
        "",
        "The scenes are the suite's own; every simulated comparison draws, for each case, which "
        "of its recorded exposures are old and new. It shows how the tests behave under the "
        "sensor's noise on this suite. It doesn't show what another suite, another pipeline, or a "
        "change of another shape would give: the added rotation error is independent of the old "
        "one and as heavy-tailed; a change that hits few cases hard is seen by other tests.",
    ]
    return "\n".join(lines) + "\n"


def _said(found: dict[str, float]) -> str:
    return (
        f"{found['count']} of {found['of']} ({100 * found['rate']:.2f} %, "
        f"{100 * found['low']:.2f} to {100 * found['high']:.2f} %)"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Record what is missing of the pool, simulate, write power.json and power.md."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--keys", type=int, default=4, help="noise keys to record, 3 or more")
    parser.add_argument("--aa", type=int, default=6000, help="A/A comparisons")
    parser.add_argument("--power", type=int, default=400, help="comparisons a change")
    parser.add_argument("--pool", type=Path, default=Path("sightbench-verify-pool"))
    parser.add_argument("--out", type=Path, default=Path("reports/verify"))
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args(arguments)
    os.environ.update(ONE_THREAD)
    suite = load_suite(SUITE)
    files = [given.pool / f"noise-{key}.baseline" for key in range(given.keys)]
    for key, path in enumerate(files):
        if not path.exists():
            print(f"recording noise key {key}")
            record(suite, partial(pipeline_from_name, PIPELINE), path, key, given.workers)
        read_baseline(path).belongs_to(suite, path)
    pool = read_pool(files)
    kinds = {"aa": given.aa}
    for noise in ("same", "fresh"):
        kinds |= {f"drop|{noise}": given.power, f"shift|{noise}": given.power}
        kinds |= {f"rise|{noise}|{g}": given.power for g in pool.groups if g not in pool.empty}
    totals = simulate(files, kinds, given.workers, print)
    content = report(totals, pool, given.keys)
    given.out.mkdir(parents=True, exist_ok=True)
    write_atomically(given.out / "power.json", json.dumps(content, indent=1).encode() + b"\n")
    write_atomically(given.out / "power.md", words(content).encode())
    print(words(content))


if __name__ == "__main__":
    main()
