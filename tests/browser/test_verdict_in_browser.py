"""The verdict on a change, opened from disk in a browser: fits a phone, dark where asked."""

import numpy as np
import pytest

from bench.verify.baseline import Baseline
from bench.verify.compare import compare, pair
from bench.verify.page import html
from bench.verify.rows import NAMES, CaseRow
from bench.verify.verdict import report_of

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def verdict(tmp_path_factory):
    """A page on invented recordings: in one of two groups a fifth is missed."""
    rng = np.random.default_rng(1)
    old = {
        f"{group}|{i:05d}": CaseRow(f"{group}|{i:05d}", "ok", tuple(rng.normal(size=len(NAMES))))
        for group in ("face-on", "a group of a long name, dirty plates")
        for i in range(100)
    }
    lost = {key: CaseRow(key, "missed", (np.nan,) * len(NAMES)) for key in list(old)[100:120]}
    sides = (Baseline("s", "0", "detector/solver", 0, {}, rows) for rows in (old, old | lost))
    path = tmp_path_factory.mktemp("verdict") / "verdict.html"
    path.write_text(html(report_of(compare(pair(old, old | lost, [])), *sides), []))
    return path


@pytest.mark.parametrize("dark", [True, False], ids=["phone in the dark", "desktop"])
def test_nothing_is_wider_than_the_window_and_access_has_no_grave_fault(
    verdict, visit, sticking_out, grave_faults, screenshot, phone_size, dark
):
    size = phone_size if dark else (1280, 900)
    made = visit(verdict.as_uri(), size=size, color_scheme="dark" if dark else "light")
    for summary in made.page.locator("summary").all():
        summary.click()
    assert sticking_out(made.page) == []
    clipped = """() => [...document.querySelectorAll('.scroll')]
        .filter((box) => box.scrollWidth > box.clientWidth).length"""
    assert made.page.evaluate(clipped) == 0
    assert grave_faults(made.page) == []
    screenshot(made.page, f"verdict-{'dark' if dark else 'desktop'}")
