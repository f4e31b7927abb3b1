"""Writing files so that what was there before survives a full disk or a kill.

A place is a local path or, by an address such as ``s3://bucket/run``, one in an object store:
a `upath.UPath`, which has a path's methods and goes by that type here. A store shows an
object whole or not at all, so what is written there needs no renaming.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from urllib.request import url2pathname

from bench.errors import ConfigError, RunError

Write = Callable[[str, bytes], None]

# What `pip install` gets for a kind of address, beside sightbench[stores].
DRIVERS = {"s3": "s3fs", "gs": "gcsfs", "gcs": "gcsfs", "az": "adlfs", "abfs": "adlfs"}


def place(address: str | Path) -> Path:
    """Return the place that an address names: a path, or one in an object store.

    Raises
    ------
    ConfigError
        The store's driver isn't installed, nobody knows the kind of store, it can't be
        reached, or the address is a pattern or another machine's file.
    """
    kind, separator, _ = str(address).partition("://")
    if isinstance(address, Path) or not separator:
        return Path(address)
    if kind == "file":  # no store: files there can be seen half written
        return _local_file(str(address))
    if set("*?[]") & set(str(address)):
        raise ConfigError(f"{address}: drivers take *, ? and [] for patterns; use other letters")
    try:
        from upath import UPath

        # `exists` asks the store, so that a wrong address or key is known before any work
        found: Any = UPath(address)
        found.exists()
    except ImportError as error:
        driver = "" if error.name == "upath" else f" {DRIVERS.get(kind, f'<driver of {kind}>')}"
        raise ConfigError(
            f"{address}: the store's driver isn't installed: pip install "
            f"'sightbench[stores]'{driver}"
        ) from error
    except Exception as error:  # each driver raises its own
        raise ConfigError(f"{address}: can't be reached: {_reason(error)}") from error
    return found  # type: ignore[no-any-return]


def _local_file(address: str) -> Path:
    """Return the path of a file's address, see RFC 8089."""
    parts = urlsplit(address, allow_fragments=False)
    if parts.netloc not in ("", "localhost"):
        raise ConfigError(
            f"{address}: names a file of the machine {parts.netloc!r}; of this one is file:///…"
        )
    return Path(url2pathname(parts.path))


def is_local(path: object) -> bool:
    """Tell whether a place is on this machine's file system."""
    return isinstance(path, Path)


def make_directory(directory: Path) -> None:
    """Make a directory, and those above it, unless it is there.

    Raises
    ------
    RunError
        It can't be made.
    """
    if not is_local(directory):
        return  # a store has objects alone
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RunError(f"{directory}: can't be made: {error.strerror}") from error


def read_file(path: Path) -> bytes:
    """Return a file's content.

    Raises
    ------
    FileNotFoundError
        There is none.
    RunError
        It can't be read.
    """
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise
    except Exception as error:  # each driver raises its own
        raise RunError(f"{path}: can't be read: {_reason(error)}") from error


def files_in(directory: Path, pattern: str) -> list[Path]:
    """Return a directory's files whose names match, sorted; none where there is no directory."""
    if not is_local(directory):
        directory.fs.invalidate_cache()  # type: ignore[attr-defined]  # others write there too
    if not directory.is_dir():
        return []
    found = (path for path in directory.iterdir() if fnmatchcase(path.name, pattern))
    return sorted(found, key=lambda path: path.name)


def remove_files(paths: Sequence[Path]) -> None:
    """Remove files, where they are still there."""
    if paths and not is_local(paths[0]):
        # all at once: asking for each takes longer than writing them did
        paths[0].fs.rm([path.path for path in paths])  # type: ignore[attr-defined]
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
    try:
        _write(temporary, content)
        os.replace(temporary, path)
    except OSError as error:
        raise _unwritten(path, error) from error
    finally:
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
    return RunError(f"{path}: can't be written: {_reason(error)}; what was finished is kept")


def _reason(error: Exception) -> str:
    """Return what was wrong as one line, in the system's words where it has some."""
    words = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(str(words).split())
