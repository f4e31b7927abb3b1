"""Digests that are the same in every process and on every machine; never `hash()`."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping
from enum import Enum
from typing import Any

import numpy as np

LATER = "later"


def later(default: Any) -> Any:
    """Return a dataclass field that came after digests were in use.

    While it has its default it doesn't enter `content_digest`, so that files, runs and baselines
    from before it keep their digests. Every field that is added to something whose digest is
    kept is declared so; `tests/test_digest.py` holds today's digests.
    """
    return dataclasses.field(default=default, metadata={LATER: True})


def key_digest(key: str) -> int:
    """Return a 128-bit integer of a key, to seed random numbers with."""
    return int.from_bytes(hashlib.blake2b(key.encode(), digest_size=16).digest(), "big")


def content_digest(value: object) -> str:
    """Return a 16-digit hexadecimal digest of a value's content.

    Takes None, booleans, numbers, strings, enums, numpy arrays, and tuples, lists, mappings
    and dataclasses of those. Equal content gives equal digests; a dataclass's name counts too,
    its fields of `later` only where they aren't at their default.

    Raises
    ------
    TypeError
        A part of the value has no stable content.
    """
    state = hashlib.blake2b(digest_size=8)
    _feed(state, value)
    return state.hexdigest()


def _feed(state: hashlib.blake2b, value: Any) -> None:
    # every part is tagged with its type and length, so that no two contents read alike
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        state.update(f"dataclass {type(value).__name__};".encode())
        for field in dataclasses.fields(value):
            content = getattr(value, field.name)
            if field.metadata.get(LATER) and content == field.default:
                continue
            _feed(state, field.name)
            _feed(state, content)
    elif isinstance(value, np.ndarray):
        state.update(f"array {value.dtype.str} {value.shape};".encode())
        state.update(np.ascontiguousarray(value).tobytes())
    elif isinstance(value, Mapping):
        state.update(f"mapping {len(value)};".encode())
        for key in sorted(value, key=repr):
            _feed(state, key)
            _feed(state, value[key])
    elif isinstance(value, tuple | list):
        state.update(f"sequence {len(value)};".encode())
        for item in value:
            _feed(state, item)
    elif isinstance(value, Enum):
        _feed(state, value.value)
    elif value is None or isinstance(value, bool | int | np.integer):
        state.update(f"{value};".encode())
    elif isinstance(value, float | np.floating):
        state.update(f"{float(value).hex()};".encode())
    elif isinstance(value, str):
        state.update(f"text {len(value)} {value};".encode())
    else:
        raise TypeError(f"no stable digest of a {type(value).__name__}")
