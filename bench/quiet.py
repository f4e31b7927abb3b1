"""Silence of C libraries, which write what they think of a file to standard error.

Python can't see those lines. What was wrong is told once, in the bench's own words.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress


@contextmanager
def hushed() -> Iterator[None]:
    """Let nothing reach standard error while the block runs; of the whole process."""
    with suppress(Exception):  # a stand-in for stderr may have nothing to flush
        sys.stderr.flush()
    try:
        kept = os.dup(2)
    except OSError:  # closed: there is nobody to disturb
        yield
        return
    void = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(void, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(void)
        os.close(kept)
