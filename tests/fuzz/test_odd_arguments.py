"""Odd values of every option of every command: an answer or one line."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from typing import Any

import pytest
import typer
from fixtures.damage import EXTREMES, generator

import bench.cli.numbers_given as entry
from bench.cli.main import COMMANDS, MAX_LINE, main

# Options are read before files are: with a file that isn't there no command does any work.
NO_FILE = "there-is-no-such-file"
# What a shell can't hand over.
ODD = [text for text in EXTREMES if "\x00" not in text]


def _commands(command: Any, words: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any]]:
    if hasattr(command, "commands"):
        for name, one in command.commands.items():
            yield from _commands(one, (*words, name))
    else:
        yield words, command


def _options() -> list[tuple[tuple[str, ...], str, bool]]:
    """Return each command's words, one of its options, and whether it takes an argument."""
    found = []
    for name, (module, _) in COMMANDS.items():
        loaded = importlib.import_module(f"bench.cli.{module}")
        group = getattr(loaded, "app", None)
        if group is None:
            group = typer.Typer(add_completion=False)
            group.command(name)(loaded.command)
        for words, command in _commands(typer.main.get_command(group), (name,)):
            argued = any(p.param_type_name == "argument" for p in command.params)
            found += [
                (words, parameter.opts[0], argued)
                for parameter in command.params
                if parameter.param_type_name == "option" and not parameter.is_flag
            ]
    return found


OPTIONS = _options()


def _ends_well(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> int:
    code = main(arguments)
    said = capsys.readouterr().err.splitlines()
    assert code in (0, 1, 2, 3), arguments
    if code == 2:
        assert len(said) == 1, arguments
        assert said[0].startswith("sightbench: "), arguments
        assert len(said[0]) <= MAX_LINE, arguments
    return code


@pytest.mark.slow
@pytest.mark.parametrize("share", range(8))
def test_odd_values_of_options_end_in_one_line(share, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    argued = [(words, option) for words, option, takes in OPTIONS if takes]
    for words, option in argued[share::8]:
        rng = generator(f"{words} {option}")
        for value in rng.choice(ODD, 3, replace=False):
            _ends_well([*words, NO_FILE, option, str(value)], capsys)
    assert not list(tmp_path.rglob("*.tmp"))


@pytest.mark.slow
@pytest.mark.parametrize("share", range(8))
def test_more_odd_values_of_options_end_in_one_line(share, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    argued = [(words, option) for words, option, takes in OPTIONS if takes]
    for words, option in argued[share::8]:
        rng = generator(f"more {words} {option}")
        for value in rng.choice(ODD, 4, replace=False):
            _ends_well([*words, NO_FILE, option, str(value)], capsys)


@pytest.mark.parametrize(
    ("line", "option", "value"),
    [
        ("proof moved plan", "--distance", "100 m"),
        ("proof moved plan", "--put-back", "-1 mm"),
        ("proof moved plan", "--power", "nan"),
        ("proof moved plan", "--pictures", "1_0"),
        ("proof moved plan", "--out", ""),
        ("proof moved plan", "--out", " "),
        ("proof repeat plan", "--repeats", "\u0663"),
        ("level rehearse", "--distance", "100 m"),
        ("level rehearse", "--bar-error", "0 deg"),
        ("level rehearse", "--plumb", "-1 deg"),
        ("wheels", "--bearing-play", "-0.1 deg"),
        ("wheels", "--outboard", "9 m"),
        ("wheels", "--rim", "0 mm"),
        ("site", "--lenses", "2000 mm"),
        ("site", "--spare", "inf"),
        ("register rehearse", "--scatter-angle", "-1 deg"),
        ("register rehearse", "--scatter-position", "9 m"),
        ("budget", "--confidence", "0.4"),
        ("budget", "--level-uncertainty", "9 deg"),
        ("limits", "--confidence", "0.4"),
        ("map", "--roll", "1e9 rad"),
        ("map", "--position", "1_0,0.5"),
        ("targets", "--size", "1e-9 mm"),
        ("targets", "--size", "100 m"),
        ("aim", "--corner-sigma", "-1 px"),
        ("view", "--seed", "+1_0"),
    ],
)
def test_nonsense_is_refused_by_name(tmp_path, monkeypatch, capsys, line, option, value):
    monkeypatch.chdir(tmp_path)
    # a map's position is looked at once the bay is known
    assert main([*line.split(), option, value]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert len(said) <= MAX_LINE + 1
    assert not list(tmp_path.iterdir())


def test_options_that_python_reads_as_numbers_are_all_known_as_such():
    """The look into typer's declarations finds what it is meant to find."""
    for name in ("verify", "proof", "map"):
        module = importlib.import_module(f"bench.cli.{COMMANDS[name][0]}")
        group = getattr(module, "app", None) or module.command
        names = {o for one in entry.callbacks(group) for o in entry.numeric_options(one)}
        assert {"--seed", "--trials", "--timeout", "--noise", "--power", "--runs"} & names
