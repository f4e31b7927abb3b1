import json
import sys
from pathlib import Path

import pytest

from bench.cli.main import main

ADAPTER = (
    Path(__file__).resolve().parents[2] / "assets" / "examples" / "external" / "aruco_adapter.py"
)
# A busy machine may take seconds to load OpenCV; nobody waits for it otherwise.
PATIENT = ["--quiet", "--timeout", "120"]


def adapter(path: Path = ADAPTER) -> str:
    return f"{sys.executable} '{path}'"


def test_conform_runs_bare(capsys):
    assert main(["conform", "--quiet"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("aruco-subpix/ippe-lm with marker 36h11-7, 160 mm\n")
    assert said.rstrip().endswith("conforms")


def test_the_example_in_the_documentation_conforms(tmp_path, capsys):
    code = main(["conform", "--command", adapter(), "--out", str(tmp_path / "o"), *PATIENT])
    said = capsys.readouterr().out
    assert code == 0, said
    report = json.loads((tmp_path / "o" / "conformance.json").read_text())["value"]
    assert report["verdict"] == "pass"
    assert {check["name"] for check in report["checks"]} >= {"pixel origin", "corner order"}
    assert report["cases"][0] == {"picture": "plain 1", "shows_target": True, "answer": "found"}
    assert {"picture": "a blank plate", "shows_target": False, "answer": "missed"} in report[
        "cases"
    ]


def test_an_adapter_with_another_origin_is_told_what_to_change(tmp_path, capsys):
    wrong = tmp_path / "wrong.py"
    wrong.write_text(ADAPTER.read_text().replace("float(u), float(v)", "float(u+.5), float(v+.5)"))
    assert main(["conform", "--command", adapter(wrong), *PATIENT]) == 1
    said = capsys.readouterr().out
    assert "pixel origin: fail, corners are (+0.50, +0.50) px off, limit 0.25" in said
    assert "your origin is the corner of the top-left pixel; subtract 0.5" in said
    assert said.count(": fail,") == 1
    assert "doesn't conform" in said


def test_an_adapter_that_finds_nothing_can_not_be_judged(tmp_path, capsys):
    blind = tmp_path / "blind.py"
    blind.write_text(
        "import json, sys\n"
        "for line in sys.stdin:\n"
        "    answer = {'id': json.loads(line)['id'], 'missed': True}\n"
        "    print(json.dumps(answer), flush=True)\n"
    )
    assert main(["conform", "--command", adapter(blind), *PATIENT]) == 3
    assert "could not be judged in all" in capsys.readouterr().out


def test_an_adapter_that_dies_does_not_conform(capsys):
    dying = f"{sys.executable} -S -c 'raise SystemExit(4)'"
    assert main(["conform", "--command", dying, *PATIENT]) == 1
    said = capsys.readouterr().out
    assert "the first that can't: died: exited with code 4" in said
    assert "  picture plain 1, 2, 3: died: exited with code 4\n" in said
    assert "  picture plain 4, 5, 6, 7, 8, lens 1, 2, another id alone, both ids, " in said
    assert said.count(": fail,") == 1  # nothing is judged that had no answer
    assert ": pass," not in said


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--command", "no-such-program-here"], "no program 'no-such-program-here'"),
        (["--command", "cat", "--pipeline", "a/b"], "--command or --pipeline, not both"),
        (["--pipeline", "apriltag/ippe-ml"], "ippe-ml"),
        (["--pipeline", "circles/ippe-lm"], "can't look for a marker"),
        (["--target", "marker:36h11"], "must have the form"),
        (["--command", "cat", "--timeout", "0"], "time-out must be above 0 s"),
    ],
)
def test_bad_input_is_one_line(arguments, message, capsys):
    assert main(["conform", *arguments]) == 2
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1
