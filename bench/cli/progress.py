"""A progress bar on stderr, and an interrupt that lets what is begun finish."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)


@contextmanager
def progress_bar(words: str, quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """Yield a function of done and total that moves a bar; silent unless stderr is a terminal."""
    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TextColumn("left"),
        # pictures come by chunks, so the pace is taken over a long stretch
        TimeRemainingColumn(),
    )
    disabled = quiet or not console.is_terminal
    with Progress(*columns, console=console, disable=disabled, speed_estimate_period=60) as bar:
        task = bar.add_task(words, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


@contextmanager
def stop_on_interrupt() -> Iterator[Callable[[], bool]]:
    """Yield a function that is true after Ctrl-C; a second Ctrl-C interrupts at once."""
    asked = threading.Event()

    def handle(number: int, frame: FrameType | None) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()
        print(
            "stopping: finishing the pictures in work; Ctrl-C again to drop them", file=sys.stderr
        )

    if threading.current_thread() is not threading.main_thread():
        yield asked.is_set
        return
    before = signal.signal(signal.SIGINT, handle)
    try:
        yield asked.is_set
    finally:
        signal.signal(signal.SIGINT, before)
