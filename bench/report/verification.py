"""The section made from what `sightbench verify compare` wrote."""

from __future__ import annotations

from pathlib import Path

from bench.envelope import read_result
from bench.report.section import Section, Table, source_words
from bench.verify.result import COMPARISON

# What a test came to, the worst first.
ORDER = ("worse", "open", "slight", "better", "same")


def verification_section(place: Path) -> Section:
    """Return the verdict on a change, and the tests behind it.

    Parameters
    ----------
    place : Path
        The directory of a comparison, or its comparison.json.

    Raises
    ------
    ConfigError
        There is no comparison.json, or one that isn't from that command.
    """
    result = read_result(place, COMPARISON)
    value = result.value
    tests = sorted(value.tests, key=lambda test: ORDER.index(test.state))
    return Section(
        "verification",
        "Verification of a change",
        (
            f"{value.headline[:1].upper()}{value.headline[1:]}.",
            *(f"Likely cause: {said}" for said in value.named),
            value.environment,
        ),
        (
            Table(
                "Tests, worst first",
                ("group", "test", "comes to"),
                tuple((test.group, test.test, test.words) for test in tests),
            ),
        ),
        (),
        source_words(place, result),
    )
