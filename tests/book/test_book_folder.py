"""What may lie in a book's folder: nothing there makes it fail."""

import json
import os

import pytest

from bench.cli.main import main


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("foreign.json", b'{"a": 1}', "no result"),
        ("list.json", b"[1, 2]", "no result"),
        ("half.json", b'{"sightbench": {"kind"', "half written"),
        ("empty.json", b"", "half written"),
        ("binary.json", bytes(range(256)), "binary.json"),
        ("deep.json", b"[" * 50_000, "deep.json"),
        ("headless.json", b'{"sightbench": 3, "value": {}}', "damaged"),
        ("alien.json", b'{"sightbench": {"kind": "aim"}, "value": {}}', "alien.json"),
    ],
)
def test_what_is_no_result_gets_one_line(book, capsys, name, content, word):
    (book.path / name).write_bytes(content)
    found = book.read()
    assert len(found.shelf.odd) == 1
    assert name in found.shelf.odd[0]
    assert word in found.shelf.odd[0]
    assert "\n" not in found.shelf.odd[0]
    assert main(["book", str(book.path)]) == 0
    assert capsys.readouterr().out.count(name) == 1


def test_a_result_that_was_changed_by_hand_is_left_alone(book):
    path = book.register()
    content = json.loads(path.read_text())
    content["value"]["chi_square"] = 1.0
    path.write_text(json.dumps(content))
    assert book.stage("registered").state == "open"
    assert "changed or damaged" in book.read().shelf.odd[0]


def test_a_folder_that_links_to_itself_is_read_once(book):
    os.symlink(book.path, book.path / "again")
    book.register()
    assert len(book.read().shelf.leaves) == 1


def test_hidden_folders_are_passed_over(book):
    hidden = book.path / ".git"
    hidden.mkdir()
    (hidden / "index.json").write_text("{")
    assert book.read().shelf.odd == ()


def test_what_a_book_wrote_of_itself_is_no_result(book):
    for _ in range(2):
        assert main(["book", str(book.path), "--out", str(book.path)]) == 0
        assert book.read().shelf.leaves == ()


def test_a_book_is_started_once(tmp_path, capsys):
    folder = str(tmp_path / "new")
    assert main(["book", folder, "--new"]) == 0
    assert "sightbench bay" in capsys.readouterr().out
    assert main(["book", folder, "--new"]) == 2
    assert "never overwritten" in capsys.readouterr().err


def test_bare_it_starts_the_shipped_bay_s_book(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["book"]) == 0
    assert (tmp_path / "sightbench-book" / "bay.toml").is_file()
    assert main(["book"]) == 0


@pytest.mark.parametrize("kind", ["nothing", "a file", "no bay file", "two bay files"])
def test_what_is_no_book_is_refused_in_one_line(tmp_path, book, capsys, kind):
    place = tmp_path / "other"
    if kind == "a file":
        place.write_text("")
    elif kind != "nothing":
        place.mkdir()
    if kind == "two bay files":
        for name in ("a.toml", "b.toml"):
            (place / name).write_bytes(book.bay.read_bytes())
    assert main(["book", str(place)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert ("--bay" if kind == "two bay files" else "--new") in said


def test_a_bay_file_of_another_name_will_do(book):
    book.bay.rename(book.path / "north.toml")
    (book.path / "notes.toml").write_text("a = 1\n")
    assert book.read().name == "Training workshop"
