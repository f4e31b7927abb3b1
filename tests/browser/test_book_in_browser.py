"""A bay book's page, opened from disk in a browser: asks for nothing, fits, is read by all."""

import pytest

from bench.assets import asset
from bench.cli.main import main
from bench.scene.load import SHIPPED_BAY

SECTIONS = ("summary", "rules", "cautions", "signatures", "provenance")


@pytest.fixture(scope="module")
def page_of_book(tmp_path_factory):
    folder = tmp_path_factory.mktemp("book")
    (folder / "bay.toml").write_bytes(asset(SHIPPED_BAY).read_bytes())
    for command in (
        ("bay", str(folder / "bay.toml"), "--out", str(folder / "bay")),
        ("report", str(folder), "--no-pdf", "--quiet"),
    ):
        assert main(command) == 0
    return folder / "report.html"


def test_the_page_opens_from_disk_and_asks_for_nothing(page_of_book, visit, screenshot):
    made = visit(page_of_book.as_uri())
    screenshot(made.page, "book")
    assert made.outside(page_of_book.as_uri()) == []
    for name in SECTIONS:
        assert made.page.locator(f"section#{name} h2").is_visible()


def test_nothing_is_wider_than_a_phone(page_of_book, visit, phone_size, sticking_out):
    made = visit(page_of_book.as_uri(), size=phone_size)
    assert sticking_out(made.page) == []


def test_access_has_no_grave_fault(page_of_book, visit, grave_faults, screenshot):
    for scheme in ("light", "dark"):
        made = visit(page_of_book.as_uri(), color_scheme=scheme)
        assert grave_faults(made.page) == []
    screenshot(made.page, "book-dark")
