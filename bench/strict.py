"""Tables of files read strictly: unknown keys refused, every error one line that names its key."""

from __future__ import annotations

import typing
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from bench.errors import ConfigError, RunError
from bench.files import read_text
from bench.parsing import parse_toml
from bench.units import shown

# Which file a key tells that was given in another's place.
FILES = {
    "pose": "bar poses, such as plan.toml",
    "uncertainty": "what was measured on site, such as measured.toml",
    "vehicle": "a bay",
}
FOREIGN = [(key,) for key in FILES]
MAX_BYTES = 1_000_000  # of a file that people write; anything larger was given by mistake


class Section(BaseModel):
    """A table of a file: frozen, unknown keys refused, no silent conversions."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        use_attribute_docstrings=True,
    )


Model = TypeVar("Model", bound=Section)


def toml_text(path: Path) -> str:
    """Return a TOML file's text; raises ConfigError where it can't be read."""
    try:
        return read_text(path, MAX_BYTES)
    except FileNotFoundError as error:
        raise ConfigError(f"{path}: {error.strerror}") from error
    except RunError as error:
        raise ConfigError(str(error).replace("file of this kind", "TOML file")) from error


def read_toml(path: Path) -> dict[str, Any]:
    """Return a TOML file's content.

    Raises
    ------
    ConfigError
        The file can't be read or isn't TOML.
    """
    try:
        return parse_toml(toml_text(path))
    except ValueError as error:
        other = path.suffix.lower() not in (".toml", "")
        given = f"; a {path.suffix} file was given for one of TOML" if other else ""
        raise ConfigError(f"{path}: not valid TOML: {error}{given}") from error


def validate(model: type[Model], content: dict[str, Any], path: Path) -> Model:
    """Return the content as a validated model.

    Raises
    ------
    ConfigError
        One line with the file, the first key that is wrong, its value and what is allowed.
    """
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise ConfigError(f"{path}: {problem_words(model, error)}") from error


def problem_words(model: type[Section], error: ValidationError) -> str:
    """Return what is wrong with a model's content in one line: key, value and what is allowed."""
    problems = error.errors(include_url=False)
    # a misspelt key is also a missing one; its own message helps more, that of another kind of
    # file most
    problems.sort(
        key=lambda one: (one["type"] != "extra_forbidden", one["loc"][-1:] not in FOREIGN)
    )
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return _problem(model, problems[0]) + more


def _problem(model: type[Section], problem: Any) -> str:
    keys, section = _walk(model, problem["loc"])
    kind, value, context = problem["type"], problem["input"], problem.get("ctx", {})
    key = ".".join(str(k) for k in keys)
    place = f"{key}: " if key else ""
    match kind:
        case "extra_forbidden":
            return f"unknown key {key}{_suggestion(str(keys[-1]), section)}"
        case "missing":
            return f"{key} is missing"
        case "union_tag_not_found":
            return f"{key}.kind is missing; it must be one of {_kinds(keys, section)}"
        case "union_tag_invalid":
            return f"{key}.kind: {shown(context['tag'])} must be one of {_kinds(keys, section)}"
        case "value_error":
            return f"{place}{context['error']}"
        case "int_type" | "int_from_float":
            return f"{place}{shown(value)} must be a whole number"
        case "float_type":
            return f"{place}{shown(value)} must be a number"
        case "list_type":
            return f"{place}{shown(value)} must be a list"
        case "model_type" | "model_attributes_type" | "dict_type":
            return f"{place}{shown(value)} must be a table"
        case "string_pattern_mismatch" if "\\x00" in context["pattern"]:
            return f"{place}{shown(value)} must be one line without control characters"
        case "too_short":
            return f"{place}needs at least {context['min_length']}, got {context['actual_length']}"
    message = problem["msg"].removeprefix("Input ")
    return f"{place}{shown(value)} {message}"


def _walk(
    model: type[Section], location: Sequence[int | str]
) -> tuple[list[int | str], type[Section] | None]:
    """Return the keys as the file has them and the section that the last one is in.

    pydantic's location also has the tags of unions, which aren't keys.
    """
    keys: list[int | str] = []
    section: type[Section] | None = model
    candidates: list[type[Section]] = [model]
    for step in location:
        tagged = [c for c in candidates if len(candidates) > 1 and _tag(c) == step]
        if tagged:
            candidates = tagged
            continue
        keys.append(step)
        if isinstance(step, int):
            continue
        section = candidates[0] if len(candidates) == 1 else None
        field = None if section is None else _fields(section).get(step)
        candidates = [] if field is None else _sections(field)
    return keys, section


def _fields(section: type[Section]) -> dict[str, Any]:
    return {f.alias or name: f.annotation for name, f in section.model_fields.items()}


def _tag(section: type[Section]) -> str | None:
    kind = section.model_fields.get("kind")
    return None if kind is None else str(typing.get_args(kind.annotation)[0])


def _kinds(keys: list[int | str], section: type[Section] | None) -> str:
    key = next(k for k in reversed(keys) if isinstance(k, str))  # of a list's entry, the list's
    field = None if section is None else _fields(section).get(key)
    return ", ".join(str(_tag(s)) for s in _sections(field))


def _sections(annotation: Any) -> list[type[Section]]:
    """Return the sections that a field's type mentions."""
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return [annotation]
    return [s for part in typing.get_args(annotation) for s in _sections(part)]


def _suggestion(key: str, section: type[Section] | None) -> str:
    if section is None:
        return ""
    known = list(_fields(section))
    close = get_close_matches(key, known, n=1)
    if not close and key in FILES:
        return f"; it belongs to a file of {FILES[key]}"
    return f"; did you mean {close[0]}?" if close else f"; known are {', '.join(sorted(known))}"
