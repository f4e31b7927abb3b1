"""Tables that people and instruments write: what is read, and what is refused in one line."""

import codecs
from pathlib import Path

import pytest

from bench import tables
from bench.cli.main import main
from bench.errors import ConfigError
from bench.tables import numbers, read_table, texts
from bench.wheels.table import read_wheel_table

COLUMNS = (*texts("place"), *numbers("length_mm"), *texts("note", optional=True))
PLAIN = "place,length_mm,note\n1,1899.5,\n2,-0.25,late\n"


def read(path: Path, content: str | bytes, **how):
    path = path / "table.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_table(path, COLUMNS, **how)


def found(rows):
    return [(row.texts["place"], row.numbers["length_mm"], row.texts["note"]) for row in rows]


@pytest.mark.parametrize(
    "content",
    {
        "plain": PLAIN,
        "carriage returns": PLAIN.replace("\n", "\r\n"),
        "carriage returns alone": PLAIN.replace("\n", "\r"),
        "no last line end": PLAIN.rstrip("\n"),
        "empty lines at the end": PLAIN + "\n\n,,\n  \n",
        "UTF-8 with a byte order mark": codecs.BOM_UTF8 + PLAIN.encode(),
        "UTF-16, little end first": PLAIN.encode("utf-16"),
        "UTF-16, big end first": codecs.BOM_UTF16_BE + PLAIN.encode("utf-16-be"),
        "semicolons": PLAIN.replace(",", ";"),
        "semicolons and decimal commas": PLAIN.replace(",", ";").replace(".", ","),
        "tabs": PLAIN.replace(",", "\t"),
        "tabs and decimal commas": PLAIN.replace(",", "\t").replace(".", ","),
        "quoted": 'place,"length_mm",note\n"1"," 1899.5 ",\n2,"-2.5e-1",late\n',
        "spaces around": PLAIN.replace(",", " , "),
        "columns in another order": "note,length_mm,place\n,1899.5,1\nlate,-.25,2\n",
    }.items(),
    ids=lambda item: item[0],
)
def test_a_table_is_read_as_people_and_instruments_write_it(tmp_path, content):
    assert found(read(tmp_path, content[1])) == [("1", 1899.5, ""), ("2", -0.25, "late")]


def test_a_name_may_hold_a_quoted_separator(tmp_path):
    (row,) = read(tmp_path, 'place,length_mm,note\n"near, left",1,"say ""here"""\n')
    assert (row.texts["place"], row.texts["note"]) == ("near, left", 'say "here"')


HEAD = "place,length_mm\n"
SEMI = "place;length_mm\n"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "the table is empty"),
        (",,\n", "the table is empty"),
        (HEAD, "no rows below its header"),
        ("place,length_mm,place\n1,2,3\n", "column 'place' stands twice"),
        ("place,length_mm,\n1,2,3\n", "column 3 has no name"),
        ("place,lenght_mm\n1,2\n", "length_mm is missing; 'lenght_mm' is unknown, did you mean"),
        ("place,LENGTH_MM\n1,2\n", "length_mm is missing; 'LENGTH_MM' is unknown, did you mean"),
        ("place,note\n1,2\n", "column length_mm is missing; the header has place, note"),
        ("place|length_mm\n1|2\n", "separate columns by commas, semicolons, tabs"),
        (HEAD.replace("\n", ",spin\n") + "1,2,3\n", "unknown column 'spin'; delete it; known are"),
        ("place;length_mm,note\n1;2,\n", "its header has commas and semicolons"),
        (HEAD + "1\n", "line 2 has 1 cells, the header 2"),
        (HEAD + "1,1,5\n", "line 2 has 3 cells, the header 2: with decimal commas, separate by"),
        (HEAD + "1,\n", "line 2: length_mm is empty"),
        (HEAD + ",2\n", "line 2: place is empty"),
        (HEAD + '1,"1,5"\n', "'1,5' must be a number with a decimal point, or separate columns"),
        (HEAD + "1,far\n", "line 2: length_mm: 'far' must be a number"),
        (HEAD + "1,1_0\n", "'1_0' must be a number"),
        (HEAD + "1,0x10\n", "'0x10' must be a number"),
        (HEAD + "1,1 000\n", "'1 000' must be a number"),
        (HEAD + "1,2 mm\n", "'2 mm' must be a number such as -1.5, without unit"),
        (HEAD + "1,\N{FULLWIDTH DIGIT ONE}\n", "must be a number"),
        (HEAD + "1,\N{MINUS SIGN}1\n", "must be a number"),
        (HEAD + "1,True\n", "'True' must be a number"),
        (HEAD + "1,nan\n", "'nan' must be finite"),
        (HEAD + "1,-Infinity\n", "'-Infinity' must be finite"),
        (HEAD + "1,1e999\n", "'1e999' must be finite"),
        (HEAD + "1,1e7\n", "1e+07 must be within 1,000,000 either way"),
        (SEMI + "1;1.234,5\n", "'1.234,5' must be a number such as -1.5, without unit or thous"),
        (SEMI + "1;1,5\n\n2;2.5\n", "line 4: length_mm: '2.5' beside '1,5' in line 2: write all"),
        # 1,234 may be a thousand and more; beside 0,5 it can't
        (SEMI + "1;1,234\n2;3\n", "line 2: length_mm: '1,234' may be 1.234 or 1234"),
        (HEAD + "1,2\n1,2\n", "line 3: repeats line 2, number for number"),
        (HEAD + "1,2\n3,4\n1,2.0\n", "line 4: repeats line 2, number for number"),
        (HEAD + '1,"2\n', "line 2: its quotes or cells are broken: unexpected end"),
        (HEAD + '1,"2"x\n', "line 2: its quotes or cells are broken"),
        (HEAD + '1,"2\n2"\n', "line 2: a cell goes on in the next line: end its quote"),
        (HEAD + f"{'x' * 101},1\n", "is longer than 100 letters"),
        (HEAD + f"1,{'9' * 200_000}\n", "line 2: its quotes or cells are broken: field larger"),
        (
            HEAD.encode() + b"1,2\nr\xfcckw\xe4rts,3\n",
            "line 3: not in UTF-8: save the table as CSV",
        ),
        (HEAD.encode() + b"1,2\0\n", "a binary file, no text"),
        (PLAIN.encode("utf-16-le"), "a binary file, no text"),
        ((HEAD + "1,2\0\n").encode("utf-16"), "NUL characters"),
        (
            b"PK\x03\x04rest of a workbook",
            "a binary file, no text: save the table as CSV in UTF-8",
        ),
    ],
)
def test_what_is_ambiguous_or_broken_is_refused_in_one_line(tmp_path, content, words):
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, content)
    message = str(caught.value)
    assert words in message
    assert "table.csv" in message
    assert len(message) <= 200
    assert "\n" not in message


def test_a_decimal_comma_is_told_from_a_thousands_mark_by_the_rest_of_the_table(tmp_path):
    rows = read(tmp_path, SEMI.replace("\n", ";note\n") + "1;1,234;\n2;0,500;\n")
    assert [row.numbers["length_mm"] for row in rows] == [1.234, 0.5]


def test_a_key_may_not_come_twice_whatever_the_case(tmp_path):
    with pytest.raises(ConfigError, match="line 3: a second row for place 'b'; the first is line"):
        read(tmp_path, "place,length_mm,note\nB,2,\nb,3,\n", key=("place",))


def test_rounded_readings_repeat_honestly_where_the_reader_says_so(tmp_path):
    assert len(read(tmp_path, "place,length_mm,note\n1,2,\n1,2,\n", distinct=())) == 2


@pytest.mark.parametrize(
    ("limit", "value", "words"),
    [("MAX_BYTES", 30, "larger than"), ("MAX_ROWS", 1, "more than 1 lines")],
)
def test_size_is_bounded_before_a_cell_is_read(tmp_path, monkeypatch, limit, value, words):
    monkeypatch.setattr(tables, limit, value)
    with pytest.raises(ConfigError, match=words):
        read(tmp_path, PLAIN + '3,"broken\n')


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    for path, words in ((tmp_path / "none.csv", "No such file"), (tmp_path, "Is a directory")):
        with pytest.raises(ConfigError, match=words):
            read_table(path, COLUMNS)


def test_a_long_path_leaves_room_for_what_is_wrong(tmp_path):
    folder = tmp_path / ("deep" * 40)
    folder.mkdir()
    with pytest.raises(ConfigError) as caught:
        read(folder, HEAD + "1,far\n")
    assert str(caught.value).startswith("table.csv: line 2: length_mm: 'far' must be a number")


@pytest.mark.slow
def test_every_command_reads_a_table_from_a_spreadsheet_as_it_reads_a_plain_one(tmp_path):
    """Byte order mark, semicolons, decimal commas; wheels once called its first column missing."""
    assert main(["wheels", "--out", str(tmp_path)]) == 0
    assert (
        main(["level", "rehearse", "--trials", "2", "--quiet", "--out", str(tmp_path / "l")]) == 0
    )
    plain = tmp_path / "rehearsal.csv"
    foreign = tmp_path / "foreign.csv"
    foreign.write_bytes(codecs.BOM_UTF8 + _spreadsheet(plain.read_text(encoding="utf-8")))
    ours, theirs = read_wheel_table(plain), read_wheel_table(foreign)
    assert list(ours) == list(theirs)
    for name, rows in ours.items():
        assert [row.row.numbers for row in rows] == [row.row.numbers for row in theirs[name]]
    level = tmp_path / "l" / "rehearsal.csv"
    level.write_bytes(codecs.BOM_UTF8 + _spreadsheet(level.read_text(encoding="utf-8")))
    assert main(["level", "solve", str(level), "--out", str(tmp_path / "l")]) == 0


def _spreadsheet(text: str) -> bytes:
    return text.replace(",", ";").replace(".", ",").encode()


@pytest.mark.parametrize(
    "arguments",
    [
        ("wheels",),
        ("level", "solve"),
        ("register", "solve", "--table"),
        ("proof", "length", "evaluate"),
        ("proof", "repeat", "evaluate"),
        ("proof", "moved", "evaluate"),
    ],
    ids=" ".join,
)
def test_every_command_refuses_a_table_by_the_same_reader(tmp_path, capsys, arguments):
    path = tmp_path / "table.csv"
    path.write_bytes(b"PK\x03\x04 a workbook")
    assert main([*arguments, str(path), "--out", str(tmp_path / "out")]) == 2
    assert "a binary file, no text: save the table as CSV in UTF-8" in capsys.readouterr().err
