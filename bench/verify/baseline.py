"""Baseline files: text, a line a case, whole or known not to be.

The first line is a header, a JSON object; then each case is a JSON array ``[key, outcome,
numbers…]``, sorted as the suite has them; the last line counts the cases and carries a digest of
the lines before it, so that a file cut short or changed by hand is refused. Columns are named in
the header: a later version may add some, which this one passes over. What changes meaning raises
`SCHEMA`.

While recording, finished cases go to ``FILE.partial``, without a last line. A recording that was
killed, or ran out of disk, goes on from there.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from bench.errors import RunError
from bench.files import read_file, write_atomically
from bench.solve.estimate import Outcome
from bench.strict import Section, problem_words
from bench.verify.rows import NAMES, NO_ANSWER, OUTCOMES, CaseRow
from bench.verify.suite import Suite

# Of a recording; a case takes some 300 bytes, so that a million fit.
MAX_BYTES = 500_000_000
SCHEMA = 2
KIND = "sightbench baseline"


@dataclass(frozen=True)
class Baseline:
    """A recording: of what, with what, and its rows by key."""

    suite: str
    suite_digest: str
    pipeline: str
    noise: int
    environment: dict[str, Any]
    rows: dict[str, CaseRow] = field(repr=False)

    def belongs_to(self, suite: Suite, path: Path) -> None:
        """Refuse a suite that the recording isn't of.

        Raises
        ------
        RunError
            Names both.
        """
        if self.suite_digest != suite.digest:
            raise RunError(
                f"{path}: recorded on suite '{self.suite}' ({self.suite_digest}), not on "
                f"'{suite.name}' ({suite.digest}) as it is now; record again, or give --suite"
            )


def header_of(suite: Suite, pipeline: str, noise: int, environment: dict[str, Any]) -> str:
    """Return a recording's first line."""
    content = {
        "kind": KIND,
        "schema": SCHEMA,
        "suite": suite.name,
        "suite_digest": suite.digest,
        "pipeline": pipeline,
        "noise": noise,
        "columns": list(NAMES),
        "environment": environment,
    }
    return _line(content)


def _line(content: Any) -> str:
    return json.dumps(content, ensure_ascii=False, separators=(",", ":")) + "\n"


def row_line(row: CaseRow) -> str:
    """Return a case's line."""
    return _line([row.key, row.outcome, *map(_written, row.values)])


def _written(value: float) -> float | int | None:
    if not math.isfinite(value):
        return None
    return int(value) if value == int(value) and abs(value) < 1e15 else value


def write_baseline(path: Path, header: str, rows: Iterable[CaseRow]) -> None:
    """Write a whole recording; what was there stays until the new one is whole.

    Raises
    ------
    RunError
        The system refuses.
    """
    lines = [header, *map(row_line, rows)]
    body = "".join(lines).encode()
    end = _line({"end": len(lines) - 1, "digest": _digest(body)})
    write_atomically(path, body + end.encode())


def read_baseline(path: Path) -> Baseline:
    """Return a whole recording.

    Raises
    ------
    RunError
        There is none, it was cut short, damaged, or written by a later version.
    """
    try:
        content = read_file(path, MAX_BYTES)
    except FileNotFoundError as error:
        raise RunError(
            f"{path}: {error.strerror}; `sightbench verify record` makes one"
        ) from error
    lines = content.splitlines(keepends=True)
    header = _header(path, lines[0] if lines else b"")
    end = _parsed(lines[-1]) if len(lines) > 1 else None
    if not (isinstance(end, dict) and "end" in end):
        raise RunError(
            f"{path}: cut short after {max(0, len(lines) - 1)} cases: its last line is missing; "
            "record again, or take the file from where it is whole"
        )
    body = b"".join(lines[:-1])
    if end["end"] != len(lines) - 2 or end.get("digest") != _digest(body):
        raise RunError(f"{path}: damaged: its lines aren't those that were written")
    rows = _rows(path, lines[1:-1], header.columns)
    return Baseline(
        header.suite,
        header.suite_digest,
        header.pipeline,
        header.noise,
        header.environment,
        rows={row.key: row for row in rows},
    )


class _Header(Section):
    """A recording's first line; what a later version adds is passed over."""

    model_config = Section.model_config | {"extra": "ignore"}

    schema_: int = Field(alias="schema")
    suite: str
    suite_digest: str
    pipeline: str
    noise: int
    columns: list[str]
    environment: dict[str, Any] = Field(default_factory=dict)


def _header(path: Path, line: bytes) -> _Header:
    content = _parsed(line)
    if not isinstance(content, dict) or content.get("kind") != KIND:
        raise RunError(f"{path}: isn't a baseline: its first line must be one's header")
    schema = content.get("schema")
    if not isinstance(schema, int) or schema > SCHEMA:
        raise RunError(
            f"{path}: written by a later version (schema {schema}); this one reads up to {SCHEMA}"
        )
    try:
        return _Header.model_validate(content)
    except ValidationError as error:
        raise RunError(
            f"{path}: its header is damaged: {problem_words(_Header, error)}"
        ) from error


def _parsed(line: bytes) -> Any:
    try:
        return json.loads(line)
    except (ValueError, RecursionError):  # UnicodeDecodeError is a ValueError
        return None


def _rows(path: Path, lines: Sequence[bytes], columns: Sequence[str]) -> list[CaseRow]:
    places = [columns.index(name) if name in columns else -1 for name in NAMES]
    rows = []
    for number, line in enumerate(lines, 2):
        row = _row(_parsed(line), places, len(columns))
        if row is None:
            raise RunError(
                f"{path}: line {number} isn't a case: {line[:60].decode(errors='replace')!r}"
            )
        rows.append(row)
    return rows


def _row(found: Any, places: Sequence[int], width: int) -> CaseRow | None:
    if not isinstance(found, list) or len(found) != width + 2 or found[1] not in OUTCOMES:
        return None
    numbers = found[2:]
    if not all(v is None or isinstance(v, int | float) for v in numbers):
        return None
    try:
        values = [math.nan if p < 0 or numbers[p] is None else float(numbers[p]) for p in places]
    except OverflowError:
        return None
    if any(map(math.isinf, values)):
        return None
    row = CaseRow(str(found[0]), str(found[1]), tuple(values))
    # what recordings from before there was `NO_ANSWER` say of it: a pose needs points
    old = row.outcome == Outcome.NOT_FINITE and row["points"] == 0.0
    return replace(row, outcome=NO_ANSWER) if old else row


def _digest(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=8).hexdigest()


class Journal:
    """The cases that an unfinished recording has, kept as they come."""

    def __init__(self, path: Path, header: str) -> None:
        self.path = path.with_name(path.name + ".partial")
        self.header = header

    def resume(self) -> dict[str, CaseRow]:
        """Return what an earlier start of the same recording finished; make the file ready.

        Raises
        ------
        RunError
            The file is that of another recording, or can't be written.
        """
        found: list[CaseRow] = []
        if self.path.exists():
            lines = self._whole_lines()
            if lines:
                self._check(lines[0])
                for line in lines[1:]:
                    row = _row(_parsed(line), range(len(NAMES)), len(NAMES))
                    if row is None:  # what a full disk or a power cut left
                        break
                    found.append(row)
        content = self.header + "".join(map(row_line, found))
        write_atomically(self.path, content.encode())
        return {row.key: row for row in found}

    def _whole_lines(self) -> list[bytes]:
        lines = read_file(self.path, MAX_BYTES).splitlines(keepends=True)
        return [line for line in lines if line.endswith(b"\n")]

    def _check(self, line: bytes) -> None:
        there, here = _header(self.path, line), _header(self.path, self.header.encode())
        for name in _Header.model_fields:
            if getattr(there, name) != getattr(here, name):
                raise RunError(
                    f"{self.path}: an unfinished recording with another {name.rstrip('_')}; "
                    "finish it with what it was begun with, or remove it"
                )

    def append(self, rows: Sequence[CaseRow]) -> None:
        """Keep finished cases.

        Raises
        ------
        RunError
            They can't be written; all before them are kept.
        """
        content = "".join(map(row_line, rows)).encode()
        try:
            with self.path.open("ab") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise RunError(
                f"{self.path}: can't be written: {error.strerror}; what was finished is kept, the "
                "same command goes on from there"
            ) from error

    def remove(self) -> None:
        """Remove the file: the recording is whole elsewhere."""
        self.path.unlink(missing_ok=True)
