"""The report of a map, opened from disk in a browser: pointed at, tapped, typed at, printed."""

import re

import polars as pl
import pypdfium2
import pytest

from bench.cli.main import main

pytestmark = pytest.mark.slow

# Common practice, no source: A4 is 210 mm wide, and a browser leaves 10 mm on either side of it;
# CSS has 96 pixels an inch.
PAPER = (round(190.0 / 25.4 * 96.0), 1000)
SECTIONS = ("summary", "limits", "maps", "cells", "bound", "method", "provenance")
DESK, TALL_PHONE = (1280, 900), (390, 844)
MOST_TABS = 60  # far more stops than there are before the first cell


@pytest.fixture(scope="module")
def report(small_map, tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    assert main(["report", str(small_map), "--out", str(folder), "--no-pdf", "--quiet"]) == 0
    return folder / "report.html"


@pytest.fixture(scope="module")
def cells(small_map):
    return pl.read_parquet(small_map / "cells.parquet")


@pytest.fixture
def opened(report, visit):
    """Return a function that opens the report and waits for its maps."""

    def open_report(**options):
        made = visit(report.as_uri(), **options)
        made.page.locator("html[data-ready=true]").wait_for(state="attached")
        return made

    return open_report


def panel_of(page, pipeline):
    return page.locator("section.panel").filter(has=page.get_by_role("heading", name=pipeline))


def table_cell(page, row):
    """Return the cell of a panel's table that a row of the table of cells stands in."""
    panel = panel_of(page, row["pipeline"])
    column = panel.locator("thead th").all_inner_texts().index(f"{row['range_m']:g} m")
    line = panel.locator("tbody tr").filter(
        has=page.get_by_role("rowheader", name=f"{row['turn_deg']:g}", exact=True)
    )
    return line.locator("th, td").nth(column)


def details_of(page):
    """Return the numbers of the cell that the details show: heading, and value by name."""
    box = page.locator(".details")
    names = box.locator("dt").all_text_contents()
    values = box.locator("dd").all_text_contents()
    return box.locator("h3").text_content(), dict(zip(names, values, strict=True))


def assert_details_are(page, row):
    """Compare what a person reads with the table of cells; two digits are shown."""
    heading, facts = details_of(page)
    assert row["pipeline"] in heading
    assert f"{row['range_m']:g} m" in heading
    assert f"{row['turn_deg']:g} deg" in heading

    def first(name):
        return float(re.search(r"[0-9.]+(e[-−]?\d+)?", facts[name].replace("−", "-"))[0])

    # a number of two digits is within half a unit of its last, a twentieth of it at the most
    near = {"rel": 0.05}
    assert first("rotation error, RMS") == pytest.approx(row["rms_rot_deg"], **near)
    assert first("rotation error, 95th percentile") == pytest.approx(row["p95_rot_deg"], **near)
    assert first("position along the line of sight") == pytest.approx(row["rms_along_mm"], **near)
    assert first("usable rate") == pytest.approx(100.0 * row["usable_rate"], **near)
    bound = first("bound on the rotation, all pixels")
    small = "arcsec" in facts["bound on the rotation, all pixels"]
    assert bound / (3600.0 if small else 1.0) == pytest.approx(row["bound_rot_deg"], **near)
    assert first("cases") == row["n"]
    assert f"{row['n_ok']} ok" in facts["outcomes"]


def assert_pictures_are_shown(page):
    shots = page.locator(".details .shot")
    titles = shots.locator("strong").all_text_contents()
    assert titles == ["Typical case", "Worst case"]
    for picture in shots.locator("svg image").all():
        link = picture.get_attribute("href")
        assert link.startswith("data:image/")
        size = picture.evaluate(
            """async (element) => {
                const image = new Image();
                image.src = element.getAttribute('href');
                await image.decode();
                return [image.naturalWidth, image.naturalHeight];
            }"""
        )
        assert min(size) > 8
    assert shots.locator("svg image").count() == 2


def row_of(cells, pipeline, range_m, turn_deg):
    found = cells.filter(pipeline=pipeline, range_m=range_m, turn_deg=turn_deg)
    return found.row(0, named=True)


def test_the_report_opens_from_disk_and_asks_for_nothing(report, opened, screenshot):
    # ten million bytes are the project's own limit, for a map many times this one's size
    assert report.stat().st_size < 10_000_000
    made = opened()
    made.page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    made.page.wait_for_timeout(200)
    assert made.outside(report.as_uri()) == []
    for name in SECTIONS:
        assert made.page.locator(f"section#{name}").is_visible()
    broken = "() => [...document.images].filter((i) => !i.naturalWidth).map((i) => i.alt)"
    assert made.page.evaluate(broken) == []
    screenshot(made.page, "report")


def test_pointing_at_a_cell_of_the_table_shows_its_numbers_and_pictures(opened, cells):
    made = opened()
    for row in cells.iter_rows(named=True):
        table_cell(made.page, row).hover()
        assert_details_are(made.page, row)
        assert_pictures_are_shown(made.page)


def test_what_was_chosen_comes_back_when_the_pointer_leaves(opened, cells):
    made = opened()
    pipeline = cells["pipeline"][0]
    chosen = row_of(cells, pipeline, 2.5, 50.0)
    table_cell(made.page, chosen).click()
    table_cell(made.page, row_of(cells, pipeline, 9.0, 0.0)).hover()
    made.page.get_by_role("heading", name="Limits").hover()
    assert_details_are(made.page, chosen)


def test_maps_show_another_quantity_with_its_own_key_and_colours(opened, cells):
    page = opened().page
    row = cells.row(0, named=True)
    cell = table_cell(page, row)
    colour = "(cell) => getComputedStyle(cell).backgroundColor"
    before = page.locator(".colours:visible").inner_text(), cell.evaluate(colour)
    page.get_by_role("combobox").select_option(label="position error along the line of sight, RMS")
    assert page.locator(".colours:visible").count() == 1
    after = page.locator(".colours:visible").inner_text(), cell.evaluate(colour)
    assert ("deg" in before[0], "mm" in after[0]) == (True, True)
    assert before[1] != after[1]
    shown = float(cell.locator(".error").inner_text())
    # two digits: half a unit of the second is at most 5 % of the number
    assert shown == pytest.approx(row["rms_along_mm"], rel=0.05)
    assert "mm" in page.locator(".what").inner_text()


def test_the_first_screen_answers_and_holds_nothing_else(opened, screenshot):
    for size in (DESK, TALL_PHONE):
        page = opened(size=size).page
        assert page.locator("#summary .first").count() == 3
        box = page.locator("#summary .reach").bounding_box()
        assert box["y"] + box["height"] <= size[1]
        assert page.locator("#limits").bounding_box()["y"] > box["y"] + box["height"]
        screenshot(page, f"report-first-{size[0]}", full_page=False)


def test_beside_the_maps_the_column_is_never_empty(opened):
    page = opened(size=DESK).page
    heading, facts = details_of(page)
    assert heading
    assert len(facts) > 10
    page.locator(".panel").last.scroll_into_view_if_needed()
    assert page.locator(".details h3").bounding_box()["y"] >= 0.0


def test_on_a_phone_maps_stack_without_scrolling_and_a_sheet_leaves_them_in_sight(opened, cells):
    page = opened(size=TALL_PHONE, has_touch=True, is_mobile=True).page
    lefts = {round(panel.bounding_box()["x"]) for panel in page.locator(".panel").all()}
    assert len(lefts) == 1
    fits = "() => [...document.querySelectorAll('table')].every(t => t.scrollWidth <= innerWidth)"
    assert page.evaluate(fits)
    sheet = page.locator(".details")
    assert not sheet.is_visible()
    cell = table_cell(page, row_of(cells, cells["pipeline"][0], 9.0, 0.0))
    cell.tap()
    top, place = sheet.bounding_box()["y"], cell.bounding_box()
    assert top >= 0.5 * TALL_PHONE[1]
    assert place["y"] + place["height"] <= top
    page.get_by_role("button", name="Close").tap()
    assert not sheet.is_visible()


def test_the_page_is_dark_where_asked_and_light_on_paper(opened):
    page = opened(color_scheme="dark").page
    lightness = """() => getComputedStyle(document.body).backgroundColor
        .match(/[0-9]+/g).map(Number).reduce((a, b) => a + b) / 3"""
    assert page.evaluate(lightness) < 64
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate(lightness) == 255


def test_by_keyboard_alone_cells_are_reached_and_walked_through(opened, cells, screenshot):
    made = opened()
    page = made.page
    at_cell = "() => document.activeElement.matches('td[data-cell]')"
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if page.evaluate(at_cell):
            break
    assert page.evaluate(at_cell)
    pipeline = page.evaluate(
        "() => document.activeElement.closest('.panel').querySelector('h3').textContent"
    )
    # the first is the nearest and steepest
    walk = [("Home", 2.5, 50.0), ("ArrowRight", 9.0, 50.0), ("ArrowDown", 9.0, 0.0)]
    walk += [("ArrowDown", 9.0, 0.0), ("ArrowLeft", 2.5, 0.0), ("ArrowUp", 2.5, 50.0)]
    for key, range_m, turn_deg in walk:
        page.keyboard.press(key)
        assert_details_are(page, row_of(cells, pipeline, range_m, turn_deg))
    assert_pictures_are_shown(page)
    outline = "() => getComputedStyle(document.activeElement).outlineStyle"
    assert page.evaluate(outline) != "none"
    screenshot(page, "report-keyboard", full_page=False)
    # and out again: a grid is one stop
    page.keyboard.press("Tab")
    assert (
        not page.evaluate(at_cell)
        or page.evaluate(
            "() => document.activeElement.closest('.panel').querySelector('h3').textContent"
        )
        != pipeline
    )


@pytest.mark.parametrize("size", [(360, 640), (1280, 640)], ids=["phone", "desktop"])
def test_cell_and_details_are_in_view_together(opened, cells, screenshot, size):
    page = opened(size=size).page
    # as tall as a table of many views
    page.evaluate(
        "() => document.querySelectorAll('table.grid td').forEach(td => td.style.height = '200px')"
    )
    for row in cells.iter_rows(named=True):
        cell = table_cell(page, row)
        cell.focus()
        heading = page.locator(".details h3")
        box = heading.bounding_box()
        assert box["y"] >= 0.0
        assert box["y"] + box["height"] <= size[1]
        on_top = """(cell) => {
            const box = cell.getBoundingClientRect();
            const x = (box.left + box.right) / 2, y = (box.top + box.bottom) / 2;
            return cell.contains(document.elementFromPoint(x, y));
        }"""
        assert cell.evaluate(on_top)
    screenshot(page, f"report-together-{size[0]}", full_page=False)


@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desktop"])
def test_nothing_is_wider_than_the_window(
    opened, cells, sticking_out, screenshot, phone_size, phone
):
    size = phone_size if phone else (1280, 900)
    made = opened(size=size, has_touch=phone, is_mobile=phone)
    assert sticking_out(made.page) == []
    cell = table_cell(made.page, row_of(cells, cells["pipeline"][0], 9.0, 0.0))
    cell.tap() if phone else cell.click()
    assert_details_are(made.page, row_of(cells, cells["pipeline"][0], 9.0, 0.0))
    assert sticking_out(made.page) == []
    screenshot(made.page, f"report-{'phone' if phone else 'desktop'}-cell", full_page=False)
    for summary in made.page.locator("details > summary").all():
        summary.click()
    assert sticking_out(made.page) == []
    screenshot(made.page, f"report-{'phone' if phone else 'desktop'}")


def test_what_is_folded_on_the_screen_is_unfolded_on_paper(opened, tmp_path):
    made = opened()
    folded = made.page.locator("details:not([open])")
    # not its caption, which the summary that is always in sight says too
    rows = folded.locator("tbody th").all_text_contents()
    count = folded.count()
    assert rows
    path = tmp_path / "printed.pdf"
    made.page.pdf(path=path, format="A4")
    text = text_of(path)
    for row in rows:
        assert " ".join(row.split()) in text
    assert folded.count() == count  # and is folded again


def text_of(path):
    with pypdfium2.PdfDocument(path) as document:
        pages = [page.get_textpage().get_text_bounded() for page in document]
    return " ".join(" ".join(pages).split())


def test_on_paper_every_section_stands_with_its_numbers(
    opened, cells, sticking_out, screenshot, tmp_path
):
    made = opened(size=PAPER)
    made.page.emulate_media(media="print")
    assert sticking_out(made.page) == []
    for name in SECTIONS:
        assert made.page.locator(f"section#{name}").is_visible()
    assert made.page.locator(".maps-still img").first.is_visible()
    assert not made.page.locator(".interactive").first.is_visible()
    screenshot(made.page, "report-print")
    path = tmp_path / "printed.pdf"
    made.page.pdf(path=path, format="A4")
    text = text_of(path)
    assert "Provenance" in text
    for line in made.page.locator("table.grid td .error").all_text_contents():
        assert line in text
    for pipeline in cells["pipeline"].unique():
        assert pipeline in text


@pytest.mark.parametrize("phone", [True, False], ids=["phone in the dark", "desktop"])
def test_access_has_no_grave_fault(opened, cells, grave_faults, phone_size, phone):
    size = phone_size if phone else (1280, 900)
    made = opened(size=size, color_scheme="dark" if phone else "light")
    assert grave_faults(made.page) == []
    table_cell(made.page, row_of(cells, cells["pipeline"][0], 9.0, 0.0)).click()
    for summary in made.page.locator("details > summary").all():
        summary.click()
    assert grave_faults(made.page) == []


def test_nothing_moves_for_people_who_asked_for_less_motion(opened):
    made = opened(reduced_motion="reduce")
    scrolls = "() => getComputedStyle(document.documentElement).scrollBehavior"
    assert made.page.evaluate(scrolls) == "auto"
    made.page.locator("td[data-cell]").first.click()
    assert made.page.evaluate("() => document.getAnimations().length") == 0


def test_without_scripts_the_same_numbers_can_be_read(report, visit, cells):
    made = visit(report.as_uri(), java_script_enabled=False)
    assert made.page.locator("table.grid td .error").count() == len(cells)
