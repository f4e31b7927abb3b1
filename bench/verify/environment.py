"""Environment of a recording, as far as it bears on numbers: versions, processor, threads."""

from __future__ import annotations

import os
import platform
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import cv2

from bench import __version__
from bench.processes import ONE_THREAD
from bench.provenance import LIBRARIES, host_facts

# Instruction sets that numerical libraries choose their code by, where the system tells.
FEATURES = ("sse4_2", "avx", "avx2", "fma", "avx512f", "avx512_vnni", "asimd", "sve")


def environment() -> dict[str, Any]:
    """Return the facts, as JSON can hold them."""
    return {
        "sightbench": __version__,
        "libraries": {name: version(name) for name in (*LIBRARIES, "polars")},
        "opencv": cv2.__version__,
        "cpu_features": _features(),
        "threads": {"opencv": 1} | {name: os.environ.get(name, "") for name in ONE_THREAD},
        "host": host_facts() | {"libc": " ".join(platform.libc_ver())},
    }


def _features() -> list[str]:
    """Return which of `FEATURES` the processor has; empty where the system doesn't tell."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return []
    flags = {
        flag
        for line in lines
        if line.startswith(("flags", "Features"))
        for flag in line.partition(":")[2].split()
    }
    return [name for name in FEATURES if name in flags]


def changes(old: Mapping[str, Any], new: Mapping[str, Any], prefix: str = "") -> list[str]:
    """Name what differs between two environments, each with both values.

    A fact that only one of them has is named too: an older baseline may know fewer.
    """
    found = []
    for name in sorted(old.keys() | new.keys()):
        mine, theirs = old.get(name), new.get(name)
        if isinstance(mine, Mapping) and isinstance(theirs, Mapping):
            found += changes(mine, theirs, f"{prefix}{name} ")
        elif mine != theirs:
            found.append(f"{prefix}{name}: {_shown(mine)} before, {_shown(theirs)} now")
    return found


def _shown(value: Any) -> str:
    if value is None or value == "":
        return "not known"
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)
