"""Random damage to files and arguments: cut, swapped, overwritten, of other types, extreme."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import numpy as np

from bench.digest import key_digest
from bench.envelope import HEAD, VALUE, value_digest

# What hands, spreadsheets and other programs put where a number belongs.
EXTREMES = (
    *("0", "-0", "-1", "1e308", "-1e308", "1e-308", "1e400", "nan", "inf", "-inf", "1_0", "0x10"),
    *("9" * 25, "9" * 5001, "1e9", "1e-9", "-1e-9", "3,5", "1.2.3", "", "abc", "true", "None", "٣"),
    *("[" * 3000, "{}" * 40, "'", '"', "\\", "x" * 3000, "3 m", "3 deg", "-3 mm", "1e9 m", "0 m"),
    *("1e-9 mm", "1e9 rad", "400 deg", "5 px", "../..", "/dev/null", "%s%n", "\u202e", "a\x00b"),
)
VALUES: tuple[Any, ...] = (
    *(0, -1, 1, 2**63, -(2**63), 10**30, 10**400, 1e308, -1e308, 1e-308, 1e9, -1e9, 0.5, True),
    *(None, "", "abc", "x" * 3000, [], {}, [[]], [1], [[1e308]], {"a": {"b": 1}}, "1 m", "nan"),
)
# A number or a word: what is taken for another.
TOKEN = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?|[A-Za-z_]{2,}")

Damage = Callable[[bytes, np.random.Generator], bytes]


def generator(key: str) -> np.random.Generator:
    """Return the random numbers of a case: the same whatever ran before."""
    return np.random.default_rng(np.random.SeedSequence([18, key_digest(key)]))


def _pick(rng: np.random.Generator, things: Any) -> Any:
    return things[int(rng.integers(len(things)))]


def truncated(content: bytes, rng: np.random.Generator) -> bytes:
    return content[: int(rng.integers(len(content) + 1))]


def overwritten(content: bytes, rng: np.random.Generator) -> bytes:
    place, count = int(rng.integers(len(content) + 1)), int(rng.integers(1, 40))
    return content[:place] + rng.bytes(count) + content[place + count :]


def swapped(content: bytes, rng: np.random.Generator) -> bytes:
    lines = content.splitlines(keepends=True) or [b""]
    i, j = int(rng.integers(len(lines))), int(rng.integers(len(lines)))
    lines[i], lines[j] = lines[j], lines[i]
    return b"".join(lines)


def shortened(content: bytes, rng: np.random.Generator) -> bytes:
    lines = content.splitlines(keepends=True) or [b""]
    del lines[int(rng.integers(len(lines)))]
    return b"".join(lines)


def repeated(content: bytes, rng: np.random.Generator) -> bytes:
    lines = content.splitlines(keepends=True) or [b""]
    i = int(rng.integers(len(lines)))
    return b"".join([*lines[: i + 1], *lines[i : i + 1] * int(rng.integers(1, 4)), *lines[i + 1 :]])


def retyped(content: bytes, rng: np.random.Generator) -> bytes:
    """Put an extreme in place of a number or word."""
    text = content.decode("utf-8", "surrogateescape")
    tokens = list(TOKEN.finditer(text))
    if not tokens:
        return content + _pick(rng, EXTREMES).encode()
    for token in sorted(
        {int(rng.integers(len(tokens))) for _ in range(int(rng.integers(1, 3)))}, reverse=True
    ):
        match = tokens[token]
        text = text[: match.start()] + _pick(rng, EXTREMES) + text[match.end() :]
    return text.encode("utf-8", "surrogateescape")


def filled(content: bytes, rng: np.random.Generator) -> bytes:
    """Insert what a parser may choke on."""
    place = int(rng.integers(len(content) + 1))
    return content[:place] + _pick(rng, EXTREMES).encode() + content[place:]


def emptied(content: bytes, rng: np.random.Generator) -> bytes:
    return _pick(rng, (b"", b"\n", b"\0" * 100, b"\xff\xfe", b"{}", b"[]", b"null", rng.bytes(500)))


DAMAGES: tuple[Damage, ...] = (
    truncated,
    overwritten,
    swapped,
    shortened,
    repeated,
    retyped,
    retyped,
    retyped,
    filled,
    emptied,
)


def damaged(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a file's content with random damage; a result's digest is made to fit, mostly."""
    if content.startswith(b"{") and rng.random() < 0.7:
        return changed_result(content, rng)
    return _pick(rng, DAMAGES)(content, rng)


def changed_result(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a JSON file with values of another kind in it, its digest made to fit."""
    whole = json.loads(content)
    inside = whole.get(VALUE, whole) if isinstance(whole, dict) else whole
    for _ in range(int(rng.integers(1, 3))):
        _change(inside, rng)
    if isinstance(whole, dict) and HEAD in whole and VALUE in whole:
        whole[HEAD]["value_digest"] = value_digest(whole[VALUE])
    return json.dumps(whole).encode()


def _change(value: Any, rng: np.random.Generator) -> None:
    """Change one entry somewhere below, in place."""
    while True:
        keys = list(value) if isinstance(value, dict) else list(range(len(value)))
        if not keys:
            return
        key = _pick(rng, keys)
        if isinstance(value[key], dict | list) and value[key] and rng.random() < 0.8:
            value = value[key]
            continue
        what = rng.random()
        if what < 0.15:
            del value[key]
        elif what < 0.3 and isinstance(value[key], int | float):
            value[key] = -value[key]
        else:
            value[key] = _pick(rng, VALUES)
        return
