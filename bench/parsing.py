"""JSON and TOML read behind bounds on depth and numbers, which their parsers don't keep.

A parser that recurses dies of brackets, and a number of five thousand digits is no number of
anything in a bay: both are told before, and after, the parser has seen the text.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

# Of tables and lists in each other; the deepest that the bench writes has nine.
MAX_DEPTH = 50
# TOML 1.0 asks for integers of 64 bits with a sign, and JSON's readers elsewhere hold no more.
LARGEST_INTEGER = 2**63 - 1
TOO_DEEP = f"nested more than {MAX_DEPTH} deep"
TOO_LARGE = "a number is too large"


# What may hold brackets without nesting, and the brackets. Possessive, so that no text makes the
# search go back over what it has seen.
_JSON = re.compile(r'"(?:[^"\\]|\\.)*+"?|[\[\]{}]', re.DOTALL)
_TOML = re.compile(
    r'"""(?:[^\\]|\\.)*?"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\.)*+"?|\'[^\'\n]*+\'?|#[^\n]*+|[\[\]{}]',
    re.DOTALL,
)
_PART = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
_DOTTED = re.compile(rf"(?<![\w-])(?:{_PART}[ \t]*+\.[ \t]*+){{{MAX_DEPTH}}}(?![0-9])")
_TAG = re.compile(r"(<[/?!]?)[^<>]*+(?<=(.))>")
_INDENT = re.compile(r"^ *+(?=[^ \n])", re.MULTILINE)
_DASHES = re.compile(rf"(?:[-?:][ \n]+){{{MAX_DEPTH}}}")
_DIGITS = re.compile(r"[0-9_]{400,}")


def parse_json(text: str) -> Any:
    """Return the value that a JSON text holds.

    Raises
    ------
    ValueError
        It isn't JSON, is nested too deep, or has a number that isn't finite or is too large.
    """
    _refuse_depth(_JSON, text)
    try:
        return json.loads(text, parse_constant=_constant, parse_int=_integer, parse_float=_number)
    except RecursionError as error:
        raise ValueError(TOO_DEEP) from error


def parse_toml(text: str) -> dict[str, Any]:
    """Return the tables that a TOML text holds; raises as `parse_json`."""
    _refuse_depth(_TOML, text)
    if _DOTTED.search(text):
        raise ValueError(TOO_DEEP)
    if _DIGITS.search(text):
        raise ValueError(TOO_LARGE)
    try:
        found = tomllib.loads(text)
    except RecursionError as error:
        raise ValueError(TOO_DEEP) from error
    _refuse_large(found)
    return found


def refuse_deep(text: str) -> None:
    """Refuse what would send OpenCV's reader of JSON, YAML and XML too deep.

    Raises
    ------
    ValueError
        Brackets, tags, indents or dashes are nested too deep.
    """
    _refuse_depth(_JSON, text)
    depth = 0
    for match in _TAG.finditer(text):
        depth += {"</": -1, "<?": 0, "<!": 0}.get(match[1], 1 - (match[2] == "/"))
        if depth > MAX_DEPTH:
            raise ValueError(TOO_DEEP)
    indents = {len(indent) for indent in _INDENT.findall(text)}
    if len(indents) > MAX_DEPTH or _DASHES.search(text):
        raise ValueError(TOO_DEEP)


def _refuse_depth(tokens: re.Pattern[str], text: str) -> None:
    depth = 0
    for match in tokens.finditer(text):
        token = match[0]
        depth += (token in "[{") - (token in "]}")
        if depth > MAX_DEPTH:
            raise ValueError(TOO_DEEP)


def _refuse_large(value: Any) -> None:
    """Refuse integers that 64 bits don't hold."""
    if isinstance(value, dict):
        for item in value.values():
            _refuse_large(item)
    elif isinstance(value, list):
        for item in value:
            _refuse_large(item)
    elif isinstance(value, int) and abs(value) > LARGEST_INTEGER:
        raise ValueError(TOO_LARGE)


def _integer(text: str) -> int:
    if len(text) > 20 or abs(int(text)) > LARGEST_INTEGER:
        raise ValueError(TOO_LARGE)
    return int(text)


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(TOO_LARGE)
    return value


def _constant(text: str) -> float:
    raise ValueError(f"{text} is no number")


@contextmanager
def whole_pictures() -> Iterator[None]:
    """Have pillow refuse pictures that end early, whatever a library told it (WeasyPrint does)."""
    from PIL import ImageFile  # takes a while to load

    before, ImageFile.LOAD_TRUNCATED_IMAGES = ImageFile.LOAD_TRUNCATED_IMAGES, False
    try:
        yield
    finally:
        ImageFile.LOAD_TRUNCATED_IMAGES = before
