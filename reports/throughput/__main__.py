"""Throughput in numbers: ``python -m reports.throughput``.

Each part's result is kept in OUT/parts, so that an interrupted run goes on where it stopped;
--again measures all anew. Compared things take turns in one run, so that their ratios stand a
machine that does other things too; times of their own want a quiet one.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from time import perf_counter
from typing import Any

from bench.files import make_directory, write_atomically
from bench.processes import ONE_THREAD
from bench.provenance import host_facts, library_versions, now
from reports.throughput import (
    driver,
    figures,
    floor,
    memory,
    pictures,
    report,
    scale,
    split,
    surveys,
)
from reports.throughput.setting import Options

PARTS: dict[str, Callable[[Options], dict[str, Any]]] = {
    "floor": floor.measure,
    "driver": driver.measure,
    "split": split.measure,
    "pictures": pictures.measure,
    "overhead": surveys.overhead,
    "workers": surveys.workers,
    "photometric": scale.photometric,
    "maps": scale.maps,
    "memory": memory.measure,
}


def main() -> None:
    """Measure what isn't measured yet and write the report of what is."""
    asked = parse()
    options = Options(asked.out, asked.quick, asked.workers, asked.earlier)
    if any(os.environ.get(name) != value for name, value in ONE_THREAD.items()):
        # libraries read these when they are loaded, which they are by now
        command = [sys.executable, "-m", "reports.throughput", *sys.argv[1:]]
        os.execve(sys.executable, command, os.environ | ONE_THREAD)
    for name in asked.only or PARTS:
        kept = read(options, name)
        if kept is None or asked.again:
            print(f"{name} ...", end=" ", flush=True)
            start = perf_counter()
            started = now()
            result = PARTS[name](options)
            seconds = perf_counter() - start
            keep(options, name, {"started": started, "seconds": seconds, "result": result})
            print(f"{seconds:.0f} s", flush=True)
        else:
            print(f"{name}: kept from {kept['started']}", flush=True)
    parts = {name: part for name in PARTS if (part := read(options, name)) is not None}
    report.write(parts, options)
    figures.write(parts, options.out)
    print(f"written to {options.out}")


def _stamp(options: Options) -> dict[str, Any]:
    """Return what must be the same for a part's result to be taken over."""
    return {
        "quick": options.quick,
        "workers": options.workers,
        "host": host_facts(),
        "versions": dict(library_versions()),
    }


def read(options: Options, name: str) -> dict[str, Any] | None:
    """Return a part that was measured before on this machine, with these libraries."""
    path = options.out / "parts" / f"{name}.json"
    if not path.exists():
        return None
    part = json.loads(path.read_text(encoding="utf-8"))
    return dict(part) if part["stamp"] == _stamp(options) else None


def keep(options: Options, name: str, part: dict[str, Any]) -> None:
    """Write a part's result."""
    make_directory(options.out / "parts")
    text = json.dumps({"stamp": _stamp(options), **part}, indent=1)
    write_atomically(options.out / "parts" / f"{name}.json", text.encode())


def parse() -> argparse.Namespace:
    """Return what the command line asks for."""
    parser = argparse.ArgumentParser(prog="python -m reports.throughput", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="less of all, for a first look")
    parser.add_argument("--only", action="append", choices=PARTS, help="a part; may be repeated")
    parser.add_argument("--again", action="store_true", help="measure anew what is kept")
    parser.add_argument(
        "--earlier", type=Path, metavar="DIR", help="an earlier source, to measure side by side"
    )
    parser.add_argument("--workers", type=int, default=2, help="of surveys (default 2)")
    parser.add_argument(
        "--out", type=Path, default=Path("reports/throughput"), help="folder to write to"
    )
    return parser.parse_args()


if __name__ == "__main__":
    main()
