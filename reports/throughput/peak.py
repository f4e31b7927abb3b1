"""The most memory that this process has held."""

from __future__ import annotations

import resource
import sys
from pathlib import Path

STATUS = Path("/proc/self/status")


def peak_bytes() -> int:
    """Return the most memory this process has had resident, bytes.

    Linux's own mark of the address space, where there is one: getrusage's also counts what the
    parent held when it started this process, so that a large parent hides any growth.
    """
    if STATUS.exists():
        for line in STATUS.read_text(encoding="ascii").splitlines():
            if line.startswith("VmHWM:"):
                return 1024 * int(line.split()[1])
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (
        1 if sys.platform == "darwin" else 1024
    )
