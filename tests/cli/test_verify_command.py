import re

import pytest

from bench.cli.main import main

SUITE = """
name = "small"

[camera]
width = 640
height = 480
focal_length = "900 px"

[target]
kind = "marker"
size = "200 mm"

[[group]]
name = "plain"
cases = 40
range = ["1 m", "1.5 m"]
tilt = ["10 deg", "40 deg"]
across = [0.4, 0.6]
down = [0.4, 0.6]
"""


@pytest.fixture
def suite(tmp_path):
    path = tmp_path / "small.toml"
    path.write_text(SUITE)
    return path


@pytest.fixture
def recorded(suite, tmp_path, capsys):
    path = tmp_path / "old.baseline"
    arguments = ["--suite", str(suite), "--pipeline", "apriltag/ippe-lm", "--out", str(path)]
    assert main(["verify", "record", *arguments]) == 0
    assert "apriltag/ippe-lm on small, 40 cases: 40 ok" in capsys.readouterr().out
    return path


def compare(recorded, suite, tmp_path, *more):
    out = tmp_path / "out"
    return main(
        ["verify", "compare", str(recorded), "--suite", str(suite), "--out", str(out), *more]
    )


def test_an_unchanged_pipeline_is_as_good(recorded, suite, tmp_path, capsys):
    # 40 cases can't show a rate to be kept within 0.7 points
    assert compare(recorded, suite, tmp_path, "--rate-margin", "8") == 0
    said = capsys.readouterr().out
    assert said.startswith("as good: no answer differs")
    assert "The environment is the same." in said
    assert (tmp_path / "out" / "junit.xml").is_file()


def test_a_worse_pipeline_exits_with_one(recorded, suite, tmp_path, capsys):
    assert compare(recorded, suite, tmp_path, "--pipeline", "aruco-none/ippe-lm") == 1
    assert capsys.readouterr().out.startswith("worse in ")


def test_too_few_cases_for_the_margin_exit_with_three(recorded, suite, tmp_path, capsys):
    assert compare(recorded, suite, tmp_path, "--fresh-noise", "--margin", "1") == 3
    assert capsys.readouterr().out.startswith("could not judge: ")


def test_two_recordings_are_compared_without_running_anything(recorded, suite, tmp_path, capsys):
    assert compare(recorded, suite, tmp_path, str(recorded), "--rate-margin", "8") == 0


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["compare", "nowhere.baseline"], "nowhere.baseline: No such file or directory"),
        (["record", "--suite", "quikc"], "suite quikc: neither a file nor one that ships"),
        (["record", "--pipeline", "aruco-subpx/ippe"], "did you mean aruco-subpix"),
        (["record", "--pipeline", "a/b", "--command", "x"], "not both"),
        (["compare", "--margin", "-3"], "margin"),
        (["recrod"], "recrod"),
    ],
)
def test_bad_input_is_one_line_and_exit_two(arguments, problem, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["verify", *arguments]) == 2
    said = capsys.readouterr().err
    assert problem in said
    assert said.count("\n") == 1


def test_a_baseline_of_another_suite_exits_with_two(recorded, tmp_path, capsys):
    assert main(["verify", "compare", str(recorded), "--suite", "quick"]) == 2
    assert "recorded on suite 'small'" in capsys.readouterr().err


def test_a_baseline_of_an_own_suite_asks_for_its_file(recorded, capsys):
    assert main(["verify", "compare", str(recorded)]) == 2
    assert "give its file by --suite" in capsys.readouterr().err


def test_suites_are_listed_and_described(capsys):
    assert main(["verify", "suites"]) == 0
    said = capsys.readouterr().out
    assert re.search(r"quick +2240 cases", said)
    assert main(["verify", "suites", "hard"]) == 0
    assert "partly hidden" in capsys.readouterr().out


def test_help_teaches_every_subcommand(capsys):
    for arguments in ([], ["record"], ["compare"], ["suites"]):
        assert main(["verify", *arguments, "--help"]) == 0
        assert len(capsys.readouterr().out.splitlines()) > 5
