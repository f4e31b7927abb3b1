"""`sightbench targets`: what it writes, what it says, what it refuses."""

from xml.etree import ElementTree

import pypdfium2
import pytest

from bench.cli.main import main
from bench.cli.targets import parse_ids, parse_plate
from bench.defaults import TargetKind
from bench.errors import ConfigError
from bench.scene.load import load_bay
from bench.targets.dictionary import dictionaries


@pytest.fixture
def targets(tmp_path, capsys):
    """Run the command; return exit code, output, error line and the files written."""

    def run(*arguments):
        out = tmp_path / "out"
        code = main(["targets", *arguments, "--out", str(out)])
        said = capsys.readouterr()
        return code, said.out, said.err, sorted(p.name for p in out.glob("*"))

    return run


def test_bare_it_prints_the_target_of_the_shipped_bay(targets):
    code, out, err, files = targets()
    assert (code, err) == (0, "")
    assert load_bay().target.name in out
    assert {name.rsplit(".", 1)[1] for name in files} == {"pdf", "svg"}


def test_several_ids_give_a_pdf_and_an_svg_each(targets, tmp_path):
    code, out, _, files = targets("--id", "0-1", "--id", "7", "--size", "4 in")
    assert code == 0
    assert files == [
        f"marker-36h11-{i}-101.6-mm.{kind}" for i in (0, 1, 7) for kind in ("pdf", "svg")
    ]
    assert "marker 36h11-7, 101.6 mm: A4" in out
    for name in files:
        if name.endswith("pdf"):
            assert len(pypdfium2.PdfDocument(tmp_path / "out" / name)) == 1
        else:
            ElementTree.parse(tmp_path / "out" / name)


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (("--kind", "grid", "--gap", "10 mm", "--id", "4"), "grid 36h11 3 x 2, 80 mm"),
        (
            ("--kind", "charuco", "--square", "1.5 in", "--size", "1 in"),
            "ChArUco 4x4_50 7 x 5, 38.1 mm squares",
        ),
        (
            ("--kind", "circles", "--symmetric", "--columns", "7", "--rows", "6"),
            "symmetric circles 7 x 6, 20 mm",
        ),
        (("--kind", "chessboard", "--columns", "9"), "chessboard 9 x 6, 25 mm squares"),
        (("--dictionary", "4x4_50", "--plate", "300 x 280 mm"), "marker 4x4_50-0, 200 mm"),
    ],
)
def test_every_kind_is_printed_with_its_own_options(arguments, name, targets):
    code, out, _, files = targets(*arguments)
    assert code == 0
    assert out.startswith(f"{name}: ")
    assert len(files) >= 2


def test_the_same_command_writes_the_same_bytes(targets, tmp_path):
    targets("--id", "3")
    first = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    targets("--id", "3")
    assert first == {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}


def test_list_shows_every_dictionary_with_its_size_and_writes_nothing(targets):
    code, out, _, files = targets("--list")
    assert (code, files) == (0, [])
    for book in dictionaries():
        (line,) = [text for text in out.splitlines() if text.split()[0] == book.name]
        assert line.split()[1] == str(book.size)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--id", "587"), "marker id 587: DICT_APRILTAG_36h11 has ids 0 to 586"),
        (("--id", "3-1"), "--id '3-1' must be an id such as 7, or a range such as 0-3"),
        (("--dictionary", "tag36h1"), "'tag36h1'; did you mean DICT_APRILTAG_36h11"),
        (("--size", "8"), "'8' lacks a unit"),
        (("--plate", "220 x 300 mm"), "plate of 220 x 300 mm is smaller than the pattern"),
        (("--plate", "2 m"), "--plate '2 m' must be a width and a height"),
        (("--plate", "3 x 4"), "--plate: "),
        (("--kind", "circles", "--id", "3"), "--id means nothing for --kind circles"),
        (("--kind", "grid", "--id", "0-3"), "--kind grid takes one --id"),
        (("--page", "a9"), "no page size is called 'a9'; known are auto, fit, a4"),
        (("--size", "30 cm", "--page", "a4"), "doesn't fit A4; take a larger page, or 'fit'"),
        (("some.toml", "--id", "3"), "some.toml: a bay file has its own target"),
        (("missing.toml",), "missing.toml"),
    ],
)
def test_bad_input_is_one_line_and_writes_nothing(arguments, says, targets):
    code, out, err, files = targets(*arguments)
    assert (code, out, files) == (2, "", [])
    assert says in err
    assert err.startswith("sightbench: ")
    assert err.count("\n") == 1


def test_one_bad_id_among_several_writes_nothing(targets):
    code, _, err, files = targets("--id", "585-587")
    assert (code, files) == (2, [])
    assert "587" in err


def test_a_directory_that_cannot_be_made_is_bad_input(tmp_path, capsys):
    blocked = tmp_path / "file"
    blocked.write_text("")
    assert main(["targets", "--id", "1", "--out", str(blocked / "sub")]) == 2
    assert f"{blocked / 'sub'}: can't be made" in capsys.readouterr().err


def test_help_says_why_the_bar_is_measured_and_what_a_quiet_zone_is(capsys):
    assert main(["targets", "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "measure the scale bar" in text
    assert "keeps a white margin, the quiet zone" in text
    assert all(kind.value in text for kind in TargetKind)


def test_ids_are_read_as_ranges_lists_and_repeats_each_once():
    assert parse_ids(["0-3", "7,9", "2"]) == (0, 1, 2, 3, 7, 9)
    for bad in ("", "-1", "1-", "a", "3-1", "1.5"):
        with pytest.raises(ConfigError):
            parse_ids([bad])


def test_a_plate_is_two_lengths_that_may_share_their_unit():
    assert parse_plate("300 x 250 mm") == pytest.approx((0.3, 0.25))
    assert parse_plate("12 in x 0.2 m") == pytest.approx((0.3048, 0.2))
