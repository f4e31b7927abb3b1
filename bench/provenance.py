"""Provenance of numbers: versions, machine and times."""

from __future__ import annotations

import os
import platform
from datetime import UTC, datetime
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from bench import __version__

# What computes numbers, and so belongs to a plan; and what only writes and draws.
LIBRARIES = ("numpy", "scipy", "numba", "opencv-contrib-python-headless", "pupil-apriltags")
OTHER_LIBRARIES = ("polars", "matplotlib")


def now() -> str:
    """Return the time, ISO 8601, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


@lru_cache(maxsize=1)
def library_versions() -> tuple[tuple[str, str], ...]:
    """Return name and version of what computes the numbers, the bench first."""
    return (("sightbench", __version__), *((name, version(name)) for name in LIBRARIES))


def other_versions() -> dict[str, str]:
    """Return name and version of what writes and draws, as far as it is installed."""
    found = {}
    for name in OTHER_LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def host_facts() -> dict[str, Any]:
    """Return what of this machine bears on numbers and times."""
    return {
        "python": platform.python_version(),
        "system": platform.system(),
        "machine": platform.machine(),
        "processor": _processor(),
        "cores": os.cpu_count(),
    }


def _processor() -> str:
    """Return the processor's model as Linux or the platform names it."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    models = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return models[0] if models else platform.processor()
