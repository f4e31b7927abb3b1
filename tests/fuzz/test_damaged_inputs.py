"""Random damage to every kind of file: an answer or one line, never a traceback or half a result.

Inputs are made anew from the bench's own outputs, so that they stay valid as the bench grows; each
damage depends on its case's key alone. A few of each kind run always, two thousand when asked for
(``-m slow``). Warnings of numpy and others are errors here, as in all tests: a number that
overflowed on its way to an answer is nonsense that nobody was told of.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest
from fixtures.damage import damaged, generator
from fixtures.valid_inputs import make_inputs

from bench.cli.main import MAX_LINE, main

# Inputs of each kind, always and when asked for; of kinds whose valid input takes seconds, fewer.
ALWAYS, SLOW, SLOW_DEAR = 1, 66, 15
DEAR = (
    "bay judged",
    "bar table",
    "level table",
    "measured bay",
    "bar poses",
    "bay aimed",
    "plan of a map",
)
# Of [MS-FSCC] 2.1.5, "Pathname": what no component of a path may have (from memory).
FORBIDDEN = set('<>:"/\\|?*')


@dataclass(frozen=True)
class Subject:
    """A kind of file and a command that reads it.

    Attributes
    ----------
    file : str
        Below the folder of inputs.
    arguments : sequence of str
        ``FILE`` stands for the damaged file, ``IN`` for the folder of inputs, ``OUT`` for where
        to write.
    """

    file: str
    arguments: Sequence[str]


def _subject(file: str, line: str) -> Subject:
    return Subject(file, line.split())


SUBJECTS = {
    "bay": _subject("bay.toml", "bay FILE --out OUT"),
    "bay aimed": _subject("bay.toml", "aim FILE --no-pictures --out OUT"),
    "bay judged": _subject(
        "bay.toml", "site FILE --evaluate --no-visibility --no-pictures --no-sheet --out OUT"
    ),
    "bay viewed": _subject("bay.toml", "view FILE --no-pictures --out OUT"),
    "bay planned": _subject("bay.toml", "proof moved plan FILE --out OUT"),
    "bay with a mesh": _subject("block.stl", "bay IN/meshed.toml --out OUT"),
    "places of the bar": _subject(
        "plan.toml", "proof length plan --places FILE --poses IN/plan.toml --out OUT"
    ),
    "bar poses": _subject(
        "plan.toml", "register rehearse --poses FILE --trials 1 --quiet --out OUT"
    ),
    "bar table": _subject("poses.csv", "register solve --table FILE --out OUT"),
    "level table": _subject("level.csv", "level solve FILE --out OUT"),
    "wheels": _subject("wheels.csv", "wheels FILE --registration IN/registration.json --out OUT"),
    "registration": _subject(
        "registration.json", "wheels IN/wheels.csv --registration FILE --out OUT"
    ),
    "registration in a plan": _subject(
        "registration.json", "proof length plan --registration FILE --out OUT"
    ),
    "bay of a book": _subject("bay.toml", "book IN --bay FILE --out OUT"),
    "registration in a book": _subject("registration.json", "book IN --bay IN/bay.toml --out OUT"),
    "level": _subject(
        "level.json",
        "wheels IN/wheels.csv --registration IN/registration.json --level FILE --out OUT",
    ),
    "calibration": _subject(
        "calibration.json", "proof moved plan --left-calibration FILE --out OUT"
    ),
    "lengths": _subject(
        "lengths.csv",
        "proof length evaluate FILE --places IN/plan.toml --poses IN/plan.toml --out OUT",
    ),
    "moved": _subject("moved.csv", "proof moved evaluate FILE --out OUT"),
    "repeated": _subject("repeated.csv", "proof repeat evaluate FILE --out OUT"),
    "camera": _subject(
        "camera.toml",
        "measure IN/picture.png --camera FILE --target IN/bay.toml --no-overlays --quiet "
        "--out OUT",
    ),
    **{
        f"camera of OpenCV, {kind}": _subject(
            f"camera.{kind}",
            "measure IN/picture.png --camera FILE --target IN/bay.toml --no-overlays --quiet "
            "--out OUT",
        )
        for kind in ("yml", "xml", "json")
    },
    **{
        f"picture, {kind}": _subject(
            f"picture.{kind}",
            "measure FILE --camera IN/camera.toml --target IN/bay.toml --no-overlays --quiet "
            "--out OUT",
        )
        for kind in ("png", "jpg", "tif", "pgm")
    },
    "marker dictionary": _subject(
        "book.yml", "targets --kind marker --dictionary FILE --page fit --out OUT"
    ),
    "suite": _subject("suite.toml", "verify suites FILE"),
    "baseline": _subject(
        "one.baseline", "verify compare FILE IN/two.baseline --suite IN/suite.toml --out OUT"
    ),
    "captions": _subject(
        "captions.toml",
        "illustrate --captions FILE --set range --case too-far --trials 1 --out OUT",
    ),
    "measured bay": _subject("measured.toml", "site --as-built FILE --no-visibility --out OUT"),
    "plan of a map": _subject(
        "run/plan.json", "report IN/run --no-pictures --no-pdf --quiet --out OUT"
    ),
    "limits of a map": _subject("run/limits.json", "limits IN/run --out OUT"),
    "limits of a report": _subject(
        "run/limits.json", "report IN/run --no-pictures --no-pdf --quiet --out OUT"
    ),
    "cells of a report": _subject(
        "run/cells.parquet", "report IN/run --no-pictures --no-pdf --quiet --out OUT"
    ),
    "cells of a map": _subject(
        "run/cells.parquet",
        "aim --map IN/run --pipeline apriltag/ippe-lm --no-pictures --no-visibility --out OUT",
    ),
    "facts of a map": _subject(
        "run/run.json",
        "aim --map IN/run --pipeline apriltag/ippe-lm --no-pictures --no-visibility --out OUT",
    ),
}


@pytest.fixture(scope="session")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a valid file of each kind."""
    return make_inputs(tmp_path_factory.mktemp("inputs"))


@pytest.fixture
def judged(
    inputs: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[[str, int], None]:
    """A function that runs a command on a damaged file and judges how it ends."""

    def judge(name: str, number: int) -> None:
        subject = SUBJECTS[name]
        folder, out = tmp_path / "in", tmp_path / "out"
        for place in (folder, out):
            shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(inputs, folder, copy_function=os.link)
        file = folder / subject.file
        whole = file.read_bytes()
        file.unlink()  # a link: the valid one stays as it is
        file.write_bytes(damaged(whole, generator(f"{name}|{number}")))
        places = {"FILE": str(file), "IN": str(folder), "OUT": str(out)}
        given = [_placed(one, places) for one in subject.arguments]
        code = main(given)
        _judge(code, capsys.readouterr().err, out)

    return judge


def _placed(argument: str, places: dict[str, str]) -> str:
    for name, path in places.items():
        if argument == name or argument.startswith(f"{name}/"):
            return path + argument[len(name) :]
    return argument


def _judge(code: int, said: str, out: Path) -> None:
    assert code in (0, 1, 2, 3)
    if code == 2:
        lines = said.splitlines()
        assert len(lines) == 1
        assert lines[0].startswith("sightbench: ")
        assert len(lines[0]) <= MAX_LINE
        assert not out.exists()
    assert not list(out.rglob("*.tmp"))


@pytest.mark.slow
def test_every_input_is_valid_before_it_is_damaged(inputs, tmp_path):
    for name, subject in SUBJECTS.items():
        places = {
            "FILE": str(inputs / subject.file),
            "IN": str(inputs),
            "OUT": str(tmp_path / name.replace(" ", "-")),
        }
        assert main([_placed(one, places) for one in subject.arguments]) in (0, 1, 3), name
    for written in tmp_path.rglob("*"):
        assert not FORBIDDEN & set(written.name), written


@pytest.mark.slow
@pytest.mark.parametrize("number", range(ALWAYS))
@pytest.mark.parametrize("name", SUBJECTS)
def test_a_damaged_file_gives_an_answer_or_one_line(judged, name, number):
    judged(name, number)


@pytest.mark.slow
@pytest.mark.parametrize("name", SUBJECTS)
def test_damaged_files_by_the_thousand_give_answers_or_one_line(judged, name):
    many = SLOW_DEAR if name in DEAR or name.endswith("of a report") else SLOW
    for number in range(ALWAYS, ALWAYS + many):
        try:
            judged(name, number)
        except BaseException as error:
            raise AssertionError(f"{name}, number {number}") from error
