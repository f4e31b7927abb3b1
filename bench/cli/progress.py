"""Progress on stderr, a bar or a log's sparse lines; an interrupt lets what is begun finish."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from time import monotonic
from types import FrameType

# A log's first line of progress and the longest silence after it, seconds: what is over soon needs
# none, and what runs for hours shows that it lives before a build server ends it (commonly ten
# minutes; common practice, no source).
FIRST_S, LONGEST_S = 10.0, 300.0


@contextmanager
def progress_bar(words: str, quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """Yield a function of done and total that moves a bar, or writes lines where there's none."""
    if quiet or not sys.stderr.isatty():
        yield (lambda done, total: None) if quiet else log_lines(words)
        return
    # a log needn't load what draws bars
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TextColumn("left"),
        # pictures come by chunks, so the pace is taken over a long stretch
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), speed_estimate_period=60) as bar:
        task = bar.add_task(words, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def log_lines(words: str, clock: Callable[[], float] = monotonic) -> Callable[[int, int], None]:
    """Return a function of done and total that writes a line now and then, ever less often."""
    said, pause = clock(), FIRST_S

    def tell(done: int, total: int) -> None:
        nonlocal said, pause
        if clock() - said >= pause:
            said, pause = clock(), min(2.0 * pause, LONGEST_S)
            print(f"{words}: {done} of {total}", file=sys.stderr, flush=True)

    return tell


def say_large(paths: Iterable[Path]) -> None:
    """Say on stderr, before any work, that pictures are so large that they take long."""
    from bench.imaging.read import LARGE_PIXELS, picture_size

    sizes = [picture_size(path) or (0, 0) for path in paths]
    largest = max((width * height for width, height in sizes), default=0)
    if largest > LARGE_PIXELS:
        count = f"{len(sizes)} pictures" if len(sizes) > 1 else "a picture"
        print(
            f"{count} of up to {largest / 1e6:.0f} million pixels: takes seconds a picture",
            file=sys.stderr,
        )


@contextmanager
def stop_on_interrupt() -> Iterator[Callable[[], bool]]:
    """Yield a function that is true after Ctrl-C; a second Ctrl-C interrupts at once.

    A request to end (SIGTERM) and a terminal that is closed (SIGHUP) count as one Ctrl-C, however
    often they come: what sends them often sends them twice.
    """
    asked = threading.Event()

    def handle(number: int, frame: FrameType | None) -> None:
        if asked.is_set():
            if number == signal.SIGINT:
                raise KeyboardInterrupt
            return
        asked.set()
        with suppress(OSError):  # the terminal may be gone
            print(
                "stopping: finishing the pictures in work; Ctrl-C again to drop them",
                file=sys.stderr,
            )

    if threading.current_thread() is not threading.main_thread():
        yield asked.is_set
        return
    wanted = [getattr(signal, name, None) for name in ("SIGINT", "SIGTERM", "SIGHUP")]
    # what is ignored stays so: that is what nohup asks for
    numbers = [n for n in wanted if n is not None and signal.getsignal(n) != signal.SIG_IGN]
    before = {number: signal.signal(number, handle) for number in numbers}
    try:
        yield asked.is_set
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def shifted(
    progress: Callable[[int, int], None], before: int, total: int
) -> Callable[[int, int], None]:
    """Return the progress of one of several runs as part of all of them."""
    return lambda done, _: progress(before + done, total)
