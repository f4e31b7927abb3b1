"""Writing files so that what was there before survives a full disk or a kill."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from bench.errors import RunError


def make_directory(directory: Path) -> None:
    """Make a directory, and those above it, unless it is there.

    Raises
    ------
    RunError
        It can't be made.
    """
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RunError(f"{directory}: can't be made: {error.strerror}") from error


def write_atomically(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all, whatever happens meanwhile.

    Raises
    ------
    RunError
        The system refuses: full disk, no permission. The file that was there is untouched.
    """
    with new_file(path) as temporary:
        temporary.write_bytes(content)


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """Yield a temporary path that becomes `path` when the block ends well.

    Raises
    ------
    RunError
        See `write_atomically`.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        yield temporary
        with temporary.open("rb+") as stream:
            os.fsync(stream.fileno())
        os.replace(temporary, path)
    except OSError as error:
        reason = error.strerror or error
        raise RunError(f"{path}: can't be written: {reason}; what was finished is kept") from error
    finally:
        with suppress(OSError):
            temporary.unlink()
