"""The envelope of results: what a file holds, for which bay and parts it was made, and how.

Whatever a command writes as JSON goes through `write_result`, and what another command reads
of it through `read_result`. The file is one object with two keys::

    {"sightbench": {"kind": "registration", "schema": 1, "bay": {…}, "parts": {…}, …},
     "value": {…}}

`parts` holds digests of what the value depends on, by name: cameras, imaging, target, bar, and
other results by their own digests. A reader compares those that it also has, so that an edit of
the bay file elsewhere doesn't orphan a result, and one of another lens or target is refused by
name. `value_digest` tells a value that was changed or damaged after it was written.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Generic, TypeVar

from pydantic import Field

from bench import __version__
from bench.digest import content_digest
from bench.errors import BenchError, ConfigError
from bench.files import read_text, write_atomically
from bench.parsing import parse_json
from bench.provenance import host_facts, library_versions, now
from bench.strict import Section, validate

HEAD, VALUE = "sightbench", "value"
# Of a result; the largest known, a budget of nine vehicles at three stations, has 0.4 MB.
MAX_BYTES = 100_000_000


class BayMark(Section):
    """Which bay a result is of."""

    name: str
    file: str
    digest: str


class Header(Section):
    """What a result is."""

    kind: str
    schema_: int = Field(alias="schema", ge=1)
    command: str
    version: str
    versions: dict[str, str]
    started: str
    ended: str
    host: dict[str, Any]
    seed: int | None
    bay: BayMark | None
    parts: dict[str, str]
    value_digest: str


class Facts(Section):
    """A value of any keys, for people and notebooks: no other command reads it."""

    model_config = Section.model_config | {"extra": "allow"}


Value = TypeVar("Value", bound=Section)


@dataclass(frozen=True)
class Kind(Generic[Value]):
    """A kind of result.

    Attributes
    ----------
    name : str
        What it is called in a header, and in messages.
    file : str
        Its file's usual name.
    command : str
        Of `sightbench`, which writes it.
    model : type
        Of its value.
    schema : int
        Raised when the same keys would mean something else.
    """

    name: str
    file: str
    command: str
    model: type[Value]
    schema: int = 1


@dataclass(frozen=True)
class Origin:
    """Where a result comes from, as far as the one who computes it knows.

    Attributes
    ----------
    command : str
        As it was given.
    started : str
        When, see `bench.provenance.now`.
    bay : BayMark or None
        Of which bay.
    parts : mapping of str to str
        Digests of what the value depends on, by name.
    seed : int or None
        Of its random numbers.
    """

    command: str
    started: str
    bay: BayMark | None = None
    parts: Mapping[str, str] = field(default_factory=dict)
    seed: int | None = None


@dataclass(frozen=True, eq=False)
class Result(Generic[Value]):
    """A result that was read.

    Attributes
    ----------
    value : Value
        The value, checked.
    path : Path
        Its file.
    command : str
        That made it.
    bay : BayMark or None
        Of which bay it is.
    parts : dict of str to str
        Digests of what it depends on.
    digest : str
        Of the value.
    """

    value: Value
    path: Path
    command: str
    bay: BayMark | None
    parts: Mapping[str, str]
    digest: str


def value_digest(value: object) -> str:
    """Return the digest of a value as JSON holds it."""
    return content_digest(json.loads(_text(value)))


def write_result(
    path: Path, kind: Kind[Value], value: Value | Mapping[str, Any], origin: Origin
) -> Path:
    """Write a result in its envelope and return its path.

    Parameters
    ----------
    path : Path
        A directory, for the kind's usual name, or the file.
    kind : Kind
        What it is.
    value : Value or mapping
        Checked by the kind's model before anything is written. Tuples and arrays become lists,
        numbers that aren't finite null.
    origin : Origin
        Where it comes from.

    Raises
    ------
    RunError
        It can't be written.
    ConfigError
        The value isn't one of this kind.
    """
    path = path / kind.file if path.is_dir() else path
    if not isinstance(value, Section):
        value = validate(kind.model, _plain(value), path)
    content = _plain(value.model_dump(by_alias=True, exclude_unset=True))
    head = Header(
        kind=kind.name,
        schema=kind.schema,
        command=origin.command,
        version=__version__,
        versions=dict(library_versions()),
        started=origin.started,
        ended=now(),
        host=host_facts(),
        seed=origin.seed,
        bay=origin.bay,
        parts=dict(origin.parts),
        value_digest=value_digest(content),
    )
    whole = {HEAD: head.model_dump(mode="json", by_alias=True), VALUE: content}
    # half of a surrogate pair, of a file's name that isn't UTF-8, becomes JSON's own escape
    write_atomically(path, _text(whole, indent=1).encode(errors="backslashreplace"))
    return path


def read_result(place: Path, kind: Kind[Value]) -> Result[Value]:
    """Return a result of the kind asked for.

    Parameters
    ----------
    place : Path
        The file, or the directory that the command wrote to.
    kind : Kind
        What must be in it.

    Raises
    ------
    ConfigError
        It isn't there, is damaged, was changed, or is of another kind or version.
    """
    path = place / kind.file if place.is_dir() else place
    makes = f"'sightbench {kind.command}'"
    try:
        found = _sealed(path, MAX_BYTES)
    except FileNotFoundError as error:
        raise ConfigError(f"{path}: there is no such file; {makes} writes it") from error
    except ConfigError as error:
        raise ConfigError(f"{error}; {makes} writes it") from error
    if found is None:
        raise ConfigError(
            f"{path}: doesn't say what it is: not a {kind.name} of this version; make it again "
            f"with {makes}"
        )
    head = found.head
    if head.kind != kind.name:
        raise ConfigError(f"{path}: holds a {head.kind}, not a {kind.name}; {makes} writes one")
    if head.schema_ > kind.schema:
        raise ConfigError(
            f"{path}: {kind.name} of schema {head.schema_}, this sightbench {__version__} reads "
            f"up to {kind.schema}; it was written by {head.version}"
        )
    if head.schema_ < kind.schema:
        raise ConfigError(
            f"{path}: {kind.name} of the earlier schema {head.schema_}; make it again with {makes}"
        )
    value = validate(kind.model, found.value, path)
    return Result(value, path, head.command, head.bay, head.parts, head.value_digest)


@dataclass(frozen=True, eq=False)
class Sealed:
    """A result of whatever kind, as it stands in its envelope.

    Attributes
    ----------
    path : Path
        Its file.
    head : Header
        What it is.
    value : dict
        The value, unchanged since it was written, but not checked by its kind's model.
    """

    path: Path
    head: Header
    value: dict[str, Any]


def read_sealed(path: Path, most_bytes: int = MAX_BYTES) -> Sealed | None:
    """Return a result of whatever kind; None where the file is JSON without an envelope.

    Raises
    ------
    ConfigError
        It can't be read, isn't JSON, or was changed or damaged after it was written.
    """
    try:
        return _sealed(path, most_bytes)
    except FileNotFoundError as error:
        raise ConfigError(f"{path}: {error.strerror}") from error


def _sealed(path: Path, most_bytes: int) -> Sealed | None:
    try:
        found = parse_json(read_text(path, most_bytes))
    except BenchError as error:
        raise ConfigError(str(error)) from error
    except ValueError as error:
        raise ConfigError(f"{path}: damaged, half written, or not JSON: {error}") from error
    if not isinstance(found, dict) or HEAD not in found:
        return None
    head = validate(Header, _table(found, HEAD, path), path)
    value = _table(found, VALUE, path)
    if value_digest(value) != head.value_digest:
        raise ConfigError(f"{path}: was changed or damaged after it was written")
    return Sealed(path, head, value)


def refuse_other(result: Result[Any], here: Mapping[str, str], whose: str) -> None:
    """Refuse a result that was made for other parts than those it is to be used with.

    Parameters
    ----------
    result : Result
        What was read.
    here : mapping of str to str
        Digests by name; names that only one of both has aren't compared.
    whose : str
        Whose those are, such as ``"my-bay.toml"``.

    Raises
    ------
    ConfigError
        Names every part that differs.
    """
    other = [name for name, digest in result.parts.items() if here.get(name, digest) != digest]
    if other:
        bay = "" if result.bay is None else f" of {result.bay.file}"
        raise ConfigError(
            f"{result.path}: was made for another {' and '.join(other)}{bay} than {whose} has"
        )


def _table(content: dict[str, Any], name: str, path: Path) -> dict[str, Any]:
    found = content.get(name)
    if not isinstance(found, dict):
        raise ConfigError(f"{path}: {name} must be a table; the file is damaged")
    return found


def _plain(value: Any) -> Any:
    """Return a value as JSON holds it."""
    if isinstance(value, Mapping):
        return {str(name): _plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):  # of numpy, which takes its time to import
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _text(value: object, indent: int | None = None) -> str:
    return json.dumps(value, indent=indent, ensure_ascii=False, allow_nan=False)
