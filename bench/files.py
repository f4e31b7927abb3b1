"""Writing files so that what was there before survives a full disk or a kill.

A store shows an object whole or not at all, so what is written there needs no renaming.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from bench.errors import RunError
from bench.places import is_local, reason

Write = Callable[[str, bytes], None]
# Of a file of any kind; the largest that a command reads whole is a piece of a table of cases.
MAX_BYTES = 1_000_000_000
# Files that a store is asked for together.
BATCH = 64
# Opening a pipe that nobody writes to would wait for ever; Windows has no such pipes.
_AT_ONCE = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


@dataclass
class _Batch:
    """What is held back: files by their final path, files to remove, directories made.

    `begun` is whether some have appeared already.
    """

    held: dict[Path, Path] = field(default_factory=dict)
    gone: dict[Path, None] = field(default_factory=dict)
    made: list[Path] = field(default_factory=list)
    begun: bool = False

    def appear(self) -> None:
        """Let everything held back appear."""
        try:
            for path, temporary in self.held.items():
                try:
                    os.replace(temporary, path)
                except OSError as error:
                    raise _unwritten(path, error) from error
                self.begun = True
            for path in self.gone:
                path.unlink(missing_ok=True)
        finally:
            self.forget()
        self.made.clear()

    def forget(self) -> None:
        """Drop what is held back, and the directories that were made for it."""
        for temporary in self.held.values():
            with suppress(OSError):
                temporary.unlink()
        for directory in reversed(self.made):
            with suppress(OSError):  # it has something of another's
                directory.rmdir()
        self.held.clear()
        self.gone.clear()


_BATCH: ContextVar[_Batch | None] = ContextVar("_BATCH", default=None)


@contextmanager
def together() -> Iterator[Callable[[], None]]:
    """Hold back the files written in the block; they appear when it ends, none where it fails.

    Yields a function that drops what was held back until then. Each file's content is on the
    disk before the first appears; only a power cut or kill between two renames leaves half. An
    object store's files appear at once, as ever.

    Raises
    ------
    RunError
        A file can't be put in its place.
    """
    batch = _Batch()
    token = _BATCH.set(batch)
    try:
        yield batch.forget
        batch.appear()
    finally:
        batch.forget()
        _BATCH.reset(token)


def settle() -> None:
    """Let appear what `together` holds back: it is read again, or worth keeping alone.

    Raises
    ------
    RunError
        A file can't be put in its place.
    """
    batch = _BATCH.get()
    if batch is not None:
        batch.appear()


def left_words() -> str:
    """Say what is left of a command's files if it ends here."""
    batch = _BATCH.get()
    held = batch is not None and not batch.begun
    return "nothing was written" if held else "what was finished is kept"


def make_directory(directory: Path) -> None:
    """Make a directory, and those above it, unless it is there.

    Raises
    ------
    RunError
        It can't be made.
    """
    if not is_local(directory):
        return  # a store has objects alone
    batch = _BATCH.get()
    try:
        if batch is not None:
            missing = [one for one in (directory, *directory.parents) if not one.exists()]
            batch.made += reversed(missing)
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RunError(f"{directory}: can't be made: {error.strerror}") from error


def read_file(path: Path, most: int = MAX_BYTES) -> bytes:
    """Return a file's content.

    Parameters
    ----------
    path : Path
        The file, here or in a store.
    most : int
        Bytes that it may have.

    Raises
    ------
    FileNotFoundError
        There is none.
    RunError
        It can't be read, is too large, or is a folder, pipe or device.
    """
    try:
        with _opened(path) as stream:
            content: bytes = stream.read(most + 1)
    except (FileNotFoundError, RunError):
        raise
    except Exception as error:  # each driver raises its own
        raise RunError(f"{path}: can't be read: {reason(error)}") from error
    if len(content) > most:
        raise RunError(f"{path}: too large for such a file: larger than {_size(most)}")
    return content


def read_text(path: Path, most: int = MAX_BYTES) -> str:
    """Return a file's text, which is UTF-8, with or without a byte order mark.

    Raises
    ------
    FileNotFoundError, RunError
        As `read_file`, or it is no text.
    """
    try:
        return read_file(path, most).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RunError(f"{path}: not a file of this kind, which is text in UTF-8") from error


def _opened(path: Path) -> Any:
    if not is_local(path):
        return path.open("rb")
    batch = _BATCH.get()
    if batch is not None:
        path = batch.held.get(path, path)
    descriptor = os.open(path, _AT_ONCE)
    try:
        kind = os.fstat(descriptor).st_mode
        if not stat.S_ISREG(kind):
            what = "Is a directory" if stat.S_ISDIR(kind) else "Is a pipe or device"
            raise RunError(f"{path}: {what}, not a file")
        return os.fdopen(descriptor, "rb")
    except BaseException:
        os.close(descriptor)
        raise


def _size(count: int) -> str:
    return f"{count / 1e6:g} MB" if count < 1e9 else f"{count / 1e9:g} GB"


def files_in(directory: Path, pattern: str) -> list[Path]:
    """Return a directory's files whose names match, sorted; none where there is no directory."""
    if not is_local(directory):
        directory.fs.invalidate_cache()  # type: ignore[attr-defined]  # others write there too
    if not directory.is_dir():
        return []
    found = (path for path in directory.iterdir() if fnmatchcase(path.name, pattern))
    return sorted(found, key=lambda path: path.name)


def read_files(paths: Sequence[Path]) -> Iterator[tuple[Path, bytes | None]]:
    """Iterate over files and their contents, None where one went away; stores' some at once.

    Raises
    ------
    RunError
        One can't be read, see `read_file`.
    """
    for first in range(0, len(paths), BATCH):
        some = paths[first : first + BATCH]
        if is_local(some[0]):
            for path in some:
                try:
                    yield path, read_file(path)
                except FileNotFoundError:
                    yield path, None
            continue
        names = {path.path: path for path in some}  # type: ignore[attr-defined]
        # one after the other each would wait for its answer
        found = some[0].fs.cat(list(names), on_error="return")  # type: ignore[attr-defined]
        for name, path in names.items():
            content = found.get(name)
            if isinstance(content, FileNotFoundError):
                yield path, None
            elif isinstance(content, bytes):
                yield path, content
            else:
                raise RunError(f"{path}: can't be read: {reason(content)}")


def remove_files(paths: Sequence[Path]) -> None:
    """Remove files, where they are still there; within `together`, once all else appears."""
    if paths and not is_local(paths[0]):
        # all at once: asking for each takes longer than writing them did
        paths[0].fs.rm([path.path for path in paths])  # type: ignore[attr-defined]
        return
    batch = _BATCH.get()
    if batch is not None:
        for path in paths:
            held = batch.held.pop(path, None)
            if held is not None:
                held.unlink(missing_ok=True)
        batch.gone |= dict.fromkeys(paths)
        return
    for path in paths:
        path.unlink(missing_ok=True)


def write_atomically(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all, whatever happens meanwhile.

    Raises
    ------
    RunError
        The system refuses: full disk, no permission. The file that was there is untouched.
    """
    if not is_local(path):
        _put(path, content)
        return
    temporary = _beside(path)
    batch = _BATCH.get()
    if batch is not None:
        if path.is_dir():
            raise _unwritten(path, IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR)))
        batch.held[path] = temporary
        batch.gone.pop(path, None)
    try:
        _write(temporary, content)
        if batch is None:
            os.replace(temporary, path)
    except OSError as error:
        raise _unwritten(path, error) from error
    finally:
        if batch is None:
            with suppress(OSError):
                temporary.unlink()


@contextmanager
def new_directory(path: Path) -> Iterator[Write]:
    """Yield what writes files into a directory that is there, whole, once the block ends well.

    An object store has no directories to rename: its files appear one by one, in the order of
    the calls, after those that were there are gone.

    Raises
    ------
    RunError
        As `write_atomically`, also on calling what is yielded.
    """
    if not is_local(path):
        for old in files_in(path, "*"):
            old.unlink()
        yield lambda name, content: _put(path / name, content)
        return
    temporary = _beside(path)

    def write(name: str, content: bytes) -> None:
        try:
            _write(temporary / name, content)
        except OSError as error:
            raise _unwritten(path / name, error) from error

    try:
        # a killed process of the same number may have left some: containers count from 1
        shutil.rmtree(temporary, ignore_errors=True)
        make_directory(temporary)
        yield write
        try:
            _sync_directory(temporary)
            _remove(path)
            os.replace(temporary, path)
            _sync_directory(path.parent)
        except OSError as error:
            raise _unwritten(path, error) from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def _beside(path: Path) -> Path:
    return path.with_name(f".{path.name}.{os.getpid()}.tmp")


def _write(path: Path, content: bytes) -> None:
    with path.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def _sync_directory(directory: Path) -> None:
    """Force the names in a directory to disk, where the system can."""
    if os.name == "posix":
        descriptor = os.open(directory, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def _put(path: Path, content: bytes) -> None:
    """Write an object."""
    try:
        path.write_bytes(content)
    except Exception as error:  # each driver raises its own
        raise _unwritten(path, error) from error


def _unwritten(path: Path, error: Exception) -> RunError:
    return RunError(f"{path}: can't be written: {reason(error)}; {left_words()}")
