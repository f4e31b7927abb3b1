import json

import polars as pl
import pytest

from bench.cli.main import main
from bench.survey.columns import CASE_COLUMNS, schema


def refused(capsys, *arguments):
    assert main(["report", "--quiet", *map(str, arguments)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    return said


def test_without_a_run_the_command_that_makes_one_is_named(tmp_path, capsys):
    said = refused(capsys, tmp_path / "nowhere")
    assert "there is no run at" in said
    assert "sightbench map --out" in said


def test_an_empty_directory_holds_no_run(tmp_path, capsys):
    assert "holds no run" in refused(capsys, tmp_path)


def test_an_unfinished_run_is_named_so(tmp_path, capsys):
    (tmp_path / "plan.json").write_text("{}")
    assert "holds an unfinished run" in refused(capsys, tmp_path)


def test_a_run_without_its_tables_says_which_is_missing(tmp_path, capsys):
    row = {c.name: None for c in CASE_COLUMNS}
    pl.DataFrame([row], schema=schema(CASE_COLUMNS)).write_parquet(tmp_path / "cases.parquet")
    assert "no cells.parquet" in refused(capsys, tmp_path)


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("contour.json", "{}", "contour"),
        ("plan.json", json.dumps({"rule": {}}), "contour"),
        ("choice.csv", "a\n", "choose"),
    ],
)
def test_runs_of_other_commands_are_known(tmp_path, capsys, name, content, word):
    (tmp_path / name).write_text(content)
    assert f"sightbench {word}" in refused(capsys, tmp_path)


def test_a_file_is_no_run(tmp_path, capsys):
    (tmp_path / "a.txt").write_text("")
    assert "is a file" in refused(capsys, tmp_path / "a.txt")


def test_help_teaches_with_examples(capsys):
    assert main(["report", "--help"]) == 0
    said = capsys.readouterr().out
    assert "  sightbench map && sightbench report\n" in said
    for option in ("--siting", "--budget", "--verification", "--no-pdf", "--bay", "--out"):
        assert option in said
