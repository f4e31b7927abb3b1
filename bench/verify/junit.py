"""The verdict as JUnit XML, which continuous integration shows: a test case each of ours."""

from __future__ import annotations

from xml.etree import ElementTree

from bench.verify.summary import lead_lines
from bench.verify.verdict import (
    STATE_WORDS,
    ComparisonVerdict,
    Report,
    environment_words,
    judged_words,
)


def junit_xml(report: Report, started: str = "", seconds: float = 0.0) -> bytes:
    """Return a report's JUnit XML: worse is a failure, what couldn't be judged an error.

    Parameters
    ----------
    report : Report
        What is said.
    started : str
        When the comparison began, ISO 8601; left out when empty.
    seconds : float
        What it took. All of it goes to the verdict's case, whose pictures they are: the tests
        themselves are computed together, in milliseconds.
    """
    judged = report.comparison.judged
    needed = report.comparison.unjudged if report.verdict is ComparisonVerdict.UNJUDGED else ()
    suite = ElementTree.Element(
        "testsuite",
        name=f"sightbench verify {report.old.suite}",
        tests=str(len(judged) + 1),
        failures=str(len(report.comparison.with_state("worse"))),
        errors=str(len(needed) + (report.verdict is ComparisonVerdict.UNJUDGED)),
        skipped=str(sum(not j.measured.n for j in judged if j not in needed)),
        time=f"{seconds:.3f}",
    )
    if started:
        suite.set("timestamp", started)
    properties = ElementTree.SubElement(suite, "properties")
    for name, value in (
        ("verdict", report.headline),
        ("environment", environment_words(report)),
        *((f"named {i}", line) for i, line in enumerate(report.named, 1)),
    ):
        ElementTree.SubElement(properties, "property", name=name, value=value)
    whole = ElementTree.SubElement(
        suite, "testcase", classname="verdict", name="verdict", time=f"{seconds:.3f}"
    )
    if report.verdict is ComparisonVerdict.UNJUDGED:
        ElementTree.SubElement(whole, "error", message=report.headline, type="unjudged")
    ElementTree.SubElement(whole, "system-out").text = "\n".join(
        (report.headline, *lead_lines(report))
    )
    for j in judged:
        case = ElementTree.SubElement(
            suite, "testcase", classname=j.group, name=j.measured.test, time="0.000"
        )
        line = f"{STATE_WORDS[j.state]}: {judged_words(j)}"
        if j.state == "worse":
            ElementTree.SubElement(case, "failure", message=line, type="worse")
        elif j in needed:
            ElementTree.SubElement(case, "error", message=line, type="unjudged")
        elif not j.measured.n:
            ElementTree.SubElement(case, "skipped", message="nothing to compare")
        else:
            ElementTree.SubElement(case, "system-out").text = line
    root = ElementTree.Element("testsuites")
    root.append(suite)
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"
