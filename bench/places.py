"""Places that addresses name: local paths, and addresses in object stores.

A place in a store, such as ``s3://bucket/run``, is a `upath.UPath`, which has a path's methods
and goes by that type here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from urllib.request import url2pathname

from bench.errors import ConfigError

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
        raise ConfigError(f"{address}: can't be reached: {reason(error)}") from error
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


def reason(error: Exception) -> str:
    """Return what was wrong as one line, in the system's words where it has some."""
    words = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(str(words).split())
