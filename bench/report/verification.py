"""The section made from what `sightbench verify compare` wrote."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

from bench.errors import RunError
from bench.report.section import Section, Table

JUNIT_FILE = "junit.xml"
# Tests that came to these words first.
ORDER = ("failure", "error", "system-out")


def verification_section(place: Path) -> Section:
    """Return the verdict on a change, and the tests behind it.

    Parameters
    ----------
    place : Path
        The directory of a comparison, or its junit.xml.

    Raises
    ------
    RunError
        There is no junit.xml, or one that isn't from that command.
    """
    path = place if place.is_file() else place / JUNIT_FILE
    try:
        root = ElementTree.fromstring(path.read_bytes())
    except FileNotFoundError as error:
        raise RunError(
            f"{place}: there is no {JUNIT_FILE}; `sightbench verify compare` writes it"
        ) from error
    except (OSError, ElementTree.ParseError) as error:
        raise RunError(f"{path}: can't be read as XML: {error}") from error
    facts = {p.get("name"): p.get("value") or "" for p in root.iter("property")}
    verdict = facts.get("verdict")
    if not verdict:
        raise RunError(f"{path}: isn't what `sightbench verify compare` writes: it has no verdict")
    named = [f"Named: {said}" for name, said in facts.items() if name and name.startswith("named")]
    tests = [case for case in root.iter("testcase") if case.get("classname") != "verdict"]
    rows = sorted(map(_row, tests), key=lambda row: row[0])
    suite = root.find("testsuite")
    # junit's suite is called "sightbench verify NAME", which is no command
    name = "" if suite is None else (suite.get("name") or "").rpartition(" ")[2]
    suite_words = f" on the suite {name}" if name else ""
    return Section(
        "verification",
        "Verification of a change",
        (f"{verdict[0].upper()}{verdict[1:]}.", *named, facts.get("environment", "")),
        (
            Table(
                "Tests, worst first",
                ("group", "test", "comes to"),
                tuple(row[1:] for row in rows),
            ),
        ),
        (),
        f"From {place}, made by sightbench verify compare{suite_words}",
    )


def _row(case: ElementTree.Element) -> tuple[int, str, str, str]:
    said, rank = "", len(ORDER)
    for i, tag in enumerate(ORDER):
        found = case.find(tag)
        if found is not None:
            said, rank = found.get("message") or found.text or "", i
            break
    return rank, case.get("classname") or "", case.get("name") or "", said
