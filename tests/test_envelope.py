"""The envelope of results: what is written is read back, and nothing else is taken for it."""

import json

import pytest

from bench.envelope import (
    BayMark,
    Kind,
    Origin,
    read_result,
    refuse_other,
    write_result,
)
from bench.errors import ConfigError
from bench.strict import Section


class Length(Section):
    metres: float
    words: list[str]


LENGTH = Kind("length", "length.json", "proof length", Length)
OTHER = Kind("level", "level.json", "level solve", Length)
VALUE = {"metres": 1.9, "words": ["measured", "größer als 1 m"]}
BAY = BayMark(name="Workshop", file="my-bay.toml", digest="ab12")
ORIGIN = Origin("sightbench proof length", "2026-01-01T00:00:00+00:00", BAY, {"bar": "12"}, 7)


@pytest.fixture
def path(tmp_path):
    return write_result(tmp_path, LENGTH, VALUE, ORIGIN)


def changed(path, change):
    content = json.loads(path.read_text())
    change(content)
    path.write_text(json.dumps(content))


def test_a_result_is_read_back_with_what_it_is(path, tmp_path):
    result = read_result(tmp_path, LENGTH)
    assert result.value == Length(**VALUE)
    assert (result.bay, result.parts, result.command) == (BAY, {"bar": "12"}, ORIGIN.command)
    assert result.path == path
    head = json.loads(path.read_text())["sightbench"]
    assert (head["kind"], head["schema"], head["seed"]) == ("length", 1, 7)


def test_the_digest_is_of_the_value_alone(tmp_path, path):
    first = read_result(path, LENGTH).digest
    later = Origin("sightbench proof", "2027-01-01T00:00:00+00:00", None)
    write_result(path, LENGTH, VALUE, later)
    assert read_result(path, LENGTH).digest == first


def test_a_value_that_isn_t_one_of_the_kind_is_not_written(tmp_path):
    with pytest.raises(ConfigError, match="words is missing"):
        write_result(tmp_path, LENGTH, {"metres": 1.0}, ORIGIN)
    assert list(tmp_path.iterdir()) == []


REFUSED = {
    "another kind": (OTHER, lambda c: None, "holds a length, not a level; 'sightbench level"),
    "a later schema": (
        LENGTH,
        lambda c: c["sightbench"].update(schema=2),
        "length of schema 2, this sightbench .* reads up to 1",
    ),
    "a changed value": (
        LENGTH,
        lambda c: c["value"].update(metres=2.0),
        "was changed or damaged after it was written; 'sightbench proof length' writes it",
    ),
    "a value that is gone": (LENGTH, lambda c: c.pop("value"), "value must be a table"),
    "a header that is none": (LENGTH, lambda c: c.update(sightbench=3), "must be a table"),
    "a header with less": (
        LENGTH,
        lambda c: c["sightbench"].pop("kind"),
        "kind is missing",
    ),
    "no envelope": (
        LENGTH,
        lambda c: (c.clear(), c.update(VALUE)),
        "doesn't say what it is: not a length of this version; make it again",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_something_else_is_refused_in_one_line(path, name):
    kind, change, message = REFUSED[name]
    changed(path, change)
    with pytest.raises(ConfigError, match=message) as refused:
        read_result(path, kind)
    assert "\n" not in str(refused.value)
    assert str(path) in str(refused.value)


DAMAGED = {
    "empty": b"",
    "cut": b'{"sightbench": {"kind": "len',
    "another text": b"metres,words\n1.9,measured\n",
    "a list": b"[1, 2]",
    "not a number": b'{"sightbench": {}, "value": {"metres": NaN}}',
    "nested": b"[" * 100_000,
    "not text": bytes(range(256)),
}


@pytest.mark.parametrize("name", DAMAGED)
def test_a_damaged_file_is_refused_in_one_line(path, name):
    path.write_bytes(DAMAGED[name])
    with pytest.raises(ConfigError) as refused:
        read_result(path, LENGTH)
    line = str(refused.value)
    assert line.startswith(f"{path}: ")
    assert "\n" not in line
    assert len(line) < len(str(path)) + 200


def test_a_missing_file_names_the_command_that_writes_it(tmp_path):
    with pytest.raises(ConfigError, match=r"no such file; 'sightbench proof length' writes it"):
        read_result(tmp_path / "length.json", LENGTH)


def test_parts_that_differ_are_named_and_others_don_t_count(path):
    result = read_result(path, LENGTH)
    refuse_other(result, {"bar": "12", "target": "7"}, "bay.toml")
    refuse_other(result, {"target": "7"}, "bay.toml")
    with pytest.raises(ConfigError, match=r"another bar of my-bay\.toml than bay\.toml has"):
        refuse_other(result, {"bar": "13"}, "bay.toml")
