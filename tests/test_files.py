"""Files that appear whole or not at all."""

import os
import re
from pathlib import Path

import pytest

from bench.errors import ConfigError, RunError
from bench.files import make_directory, new_directory, write_atomically
from bench.places import is_local, place


def test_a_file_is_replaced_whole(tmp_path):
    path = tmp_path / "a.csv"
    write_atomically(path, b"earlier")
    write_atomically(path, b"later")
    assert path.read_bytes() == b"later"
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_what_the_system_refuses_leaves_the_earlier_file(tmp_path, monkeypatch, call):
    path = tmp_path / "a.csv"
    path.write_bytes(b"earlier")

    def refuse(*arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, call, refuse)
    words = f"{re.escape(str(path))}: can't be written: No space left on device; .* kept"
    with pytest.raises(RunError, match=words):
        write_atomically(path, b"later")
    assert path.read_bytes() == b"earlier"
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


def fill(directory, names, error=None):
    with new_directory(directory) as write:
        for name in names:
            write(name, name.encode())
        if error is not None:
            raise error


@pytest.mark.parametrize("earlier", ["nothing", "a file", "a directory"])
def test_a_directory_is_replaced_whole(tmp_path, earlier):
    path = tmp_path / "set"
    if earlier == "a file":
        path.write_bytes(b"earlier")
    elif earlier == "a directory":
        fill(path, ["stale"])
    fill(path, ["one", "two"])
    assert sorted(p.read_text() for p in path.iterdir()) == ["one", "two"]
    assert [p.name for p in tmp_path.iterdir()] == ["set"]


def test_a_directory_that_isnt_finished_leaves_the_earlier_one(tmp_path):
    path = tmp_path / "set"
    fill(path, ["earlier"])
    with pytest.raises(KeyboardInterrupt):
        fill(path, ["half"], KeyboardInterrupt())
    assert [p.name for p in path.iterdir()] == ["earlier"]
    assert [p.name for p in tmp_path.iterdir()] == ["set"]


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_directory_that_the_system_refuses_is_one_line(tmp_path, monkeypatch, call):
    def refuse(*arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, call, refuse)
    with pytest.raises(RunError, match=r"set.*: can't be written: No space left on device"):
        fill(tmp_path / "set", ["half"])
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_place_of_the_file_is_one_line(tmp_path):
    (tmp_path / "a.csv").mkdir()
    with pytest.raises(RunError, match=r"a\.csv: can't be written: Is a directory"):
        write_atomically(tmp_path / "a.csv", b"x")


def test_a_directory_is_made_with_those_above_it(tmp_path):
    make_directory(tmp_path / "a" / "b")
    make_directory(tmp_path / "a" / "b")
    assert (tmp_path / "a" / "b").is_dir()


@pytest.mark.parametrize("below", ["file", "file/sub"])
def test_a_file_in_the_way_of_a_directory_is_one_line(tmp_path, below):
    (tmp_path / "file").write_bytes(b"earlier")
    with pytest.raises(RunError, match=r"file.*: can't be made: "):
        make_directory(tmp_path / below)
    assert (tmp_path / "file").read_bytes() == b"earlier"


def test_what_a_killed_process_of_the_same_number_left_is_not_taken_over(tmp_path):
    path = tmp_path / "set"
    stale = tmp_path / f".set.{os.getpid()}.tmp"
    stale.mkdir()
    (stale / "9").write_bytes(b"stale")
    fill(path, ["one"])
    assert [p.read_text() for p in path.iterdir()] == ["one"]


def test_a_files_address_is_a_path_of_this_machine():
    # RFC 8089: an empty authority or localhost, percent-encoded octets
    for address in ("file:///data/a%20run/", "file://localhost/data/a%20run"):
        assert place(address) == Path("/data/a run")
        assert is_local(place(address))
    with pytest.raises(ConfigError, match="names a file of the machine 'elsewhere'"):
        place("file://elsewhere/run")
