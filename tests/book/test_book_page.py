"""What a book's page says of each result, whole or lacking."""

import shutil

from bench.report.book_page import book_html
from bench.report.book_sections import book_sections


def aim(holds):
    row = {
        "tower": "left",
        "vehicle": "van",
        "wheel": "front left",
        "station": "floor",
        "range_m": 3.21,
        "tilt_deg": 30.0,
        "margin_widths": 1.25,
        "expanded_toe_deg": 0.02,
        "expanded_camber_deg": 0.01,
        "over_tolerance": 0.4,
        "verdict": "holds, 0.40 of tolerance",
    }
    failures = [] if holds else ["left tower, van front left at floor: is cut by the left edge"]
    return {
        "holds": holds,
        "failures": failures,
        "sightings": [row],
        "basis": "a bound",
        "decision_rule": "guard band of U, k = 2, as ISO 14253-1",
    }


def as_built(verdict):
    check = {"limit": "margin", "where": "left tower", "room": 0.5, "planned": 0.7, "u": None}
    off = {"tower": "left", "what": "yaw", "unit": "deg", "plan": 12.0, "as_built": 13.1}
    return {
        "verdict": verdict,
        "words": ["The bay as built breaks limits.", "Smallest single correction: yaw."],
        "towers": [off | {"off": 1.1}],
        "checks": [check | {"unit": "plate widths", "state": verdict}],
    }


def scatter(quantity):
    return {
        "quantity": quantity,
        "component": "gauge",
        "sigma_deg": 0.0057,
        "sigma_low_deg": 0.0047,
        "sigma_high_deg": 0.0144,
    }


def fill(book, holds=True):
    plan = book.path / "site" / "sited.toml"
    plan.parent.mkdir()
    shutil.copy(book.bay, plan)
    book.put("as-built/as_built.json", "bay as built", as_built("holds" if holds else "fails"))
    shutil.copy(plan, book.path / "as-built" / "as-built-bay.toml")
    book.put("aim/aim.json", "aim", aim(holds))
    rows = [{"place": 1, "readings": 3, "error_mm": 0.24, "expanded_mm": 2.1}]
    length = {"verdict": "holds", "words": ["The lengths hold."], "table": rows}
    book.put("proof/length-result.json", "length result", length)
    verdicts = {
        name: {"verdict": "inside", "words": f"{name}: inside, gauge 0.0113 deg of 0.050"}
        for name in ("toe", "camber")
    }
    table = {"table": [scatter("toe"), scatter("camber")]}
    book.put("proof/repeat-result.json", "repeat result", verdicts | table)
    moved = {
        "verdict": "not moved",
        "words": ["The left tower shows no move."],
        "table": [{"tower": "left", "moved": False, "p_value": 0.4}],
    }
    book.put("proof/moved-result.json", "moved result", moved)


def test_every_result_has_its_section_with_its_numbers(book):
    fill(book)
    page = book_html(book.read(), "sightbench report book")
    titles = [section.title for section in book_sections(book.read())]
    assert titles == [
        "As built",
        "Aim",
        "Proof: a known length",
        "Proof: the same reading again",
        "Proof: has a tower moved?",
    ]
    for words in ("3.21 m", "+1.100 deg", "+0.240 mm", "0.0057 deg", "shows no move"):
        assert words in page
    assert "Can&#39;t be shown" not in page
    assert page.count("guard band of U") >= 2


def test_what_speaks_against_comes_first(book):
    fill(book, holds=False)
    page = book_html(book.read(), "sightbench report book")
    assert page.index("What speaks against it") < page.index("Stages of the bay")
    assert "is cut by the left edge" in page
    section = next(one for one in book_sections(book.read()) if one.title == "As built")
    assert section.lead[0].startswith("Attention, speaks against")


def test_a_result_that_cannot_be_shown_is_a_sentence(book):
    fill(book)
    book.put("aim-2/aim.json", "aim", {"holds": True})
    book.register()  # lacks what a registration must hold
    found = {one.title: one for one in book_sections(book.read())}
    assert any(words.startswith("Can't be shown") for words in found["Aim"].lead)
    assert any(words.startswith("Can't be shown") for words in found["Registration"].lead)


def test_a_page_is_the_same_wherever_the_book_lies(book, tmp_path):
    from bench.book.book import read_book

    fill(book)
    there = tmp_path / "copy"
    shutil.copytree(book.path, there)
    here = book_html(read_book(book.path, None, there.parent), "x")
    assert here == book_html(read_book(there, None, there.parent), "x")
