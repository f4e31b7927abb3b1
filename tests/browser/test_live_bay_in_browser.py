"""The live bay, as a person with a mouse, a keyboard or a phone meets it."""

import json
from urllib.parse import parse_qsl

import pytest

from bench.scene.load import load_bay

pytestmark = pytest.mark.slow

EXACT = '#answer[data-exact="true"]'


@pytest.fixture
def bay(server, visit):
    """Return a function that opens the live bay and waits for its exact numbers."""

    def open_bay(query="", **options):
        made = visit(f"{server.url}bay{query}", **options)
        made.page.locator(EXACT).wait_for()
        return made

    return open_bay


def state_of(page):
    """Return the state that the page shows, as it notes it."""
    return dict(parse_qsl(page.locator("#answer").get_attribute("data-state")))


def until(page, key, text):
    """Wait until the page shows a value of the bay file; return how long that took, ms."""
    page.wait_for_function(
        """([key, text]) => {
            const state = document.getElementById('answer').dataset.state;
            return new URLSearchParams(state).get(key) === text;
        }""",
        arg=[key, text],
    )
    return float(page.locator("#answer").get_attribute("data-latency-ms"))


def typed(page, key, text):
    """Type a value and leave the field."""
    field = page.locator(f'[id="{key}"]')
    field.fill(text)
    field.press("Enter")


def test_towers_are_dragged_and_everything_follows(server, bay, record_property, screenshot):
    made = bay("?vehicle=van")
    page = made.page
    grip = page.locator('[id="plan-tower.0.offset"] .grip')
    box = grip.bounding_box()
    x, y = box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(1, 6):
        page.mouse.move(x, y + 4.0 * step)
    page.mouse.up()
    page.wait_for_function(
        "() => (document.getElementById('answer').dataset.state ?? '').includes('tower.0.offset')"
    )
    page.locator(EXACT).wait_for()
    state = state_of(page)
    left = float(state["tower.0.offset"].split()[0])
    assert left < 1.6
    assert state["tower.1.offset"] == f"-{state['tower.0.offset']}"  # both towers alike
    assert page.locator('[id="tower.0.offset"]').input_value() == state["tower.0.offset"]
    times_ms = []
    for value in ("1.5", "1.55", "1.6", "1.65"):
        typed(page, "tower.0.offset", value)  # a bare number is meant in the field's unit
        times_ms.append(until(page, "tower.1.offset", f"-{value} m") if value != "1.6" else 0.0)
    assert made.outside(server.url) == []
    assert made.refused == []
    said = ", ".join(f"{ms:.0f}" for ms in times_ms if ms)
    record_property("from_a_change_to_the_new_bay", f"{said} ms")
    screenshot(page, "bay")


def test_by_keyboard_handles_and_fields_move_and_feet_are_read(bay):
    page = bay().page
    page.locator('[id="side-tower.0.height"]').focus()
    page.keyboard.press("ArrowUp")
    until(page, "tower.0.height", "1.11 m")
    page.keyboard.press("Shift+ArrowUp")
    until(page, "tower.1.height", "1.21 m")
    grip = page.locator('[id="side-tower.0.height"]')
    assert grip.get_attribute("aria-valuetext") == "1.21 m"
    assert grip.evaluate("(element) => element === document.activeElement")
    page.locator('[id="mount.turn"]').press("ArrowDown")
    until(page, "mount.turn", "20 deg")  # what the holder can be set to
    typed(page, "standoff", "8 ft 6 1/2 in")
    until(page, "standoff", "8 ft 6 1/2 in")
    page.locator("#unit").select_option("ft")
    assert page.locator('[id="standoff"]').input_value() == "8 ft 6 1/2 in"
    assert "3 ft 11 5/8 in" in page.locator('[id="tower.0.height"]').input_value()


def test_a_bad_value_is_refused_at_its_field_and_the_last_good_state_stays(bay):
    page = bay().page
    before = page.locator("#towers").inner_text()
    typed(page, "tower.0.height", "tall")
    problem = page.locator('[id="tower.0.height-problem"]:not(:empty)')
    problem.wait_for()
    assert "tall" in problem.inner_text()
    assert page.locator('[id="tower.0.height"]').get_attribute("aria-invalid") == "true"
    assert page.locator("#towers").inner_text() == before
    typed(page, "tower.0.height", "1.2 m")
    until(page, "tower.0.height", "1.2 m")
    assert page.locator(".problem:not(:empty)").count() == 0


def test_what_an_address_has_wrong_is_said_until_something_is_moved(bay):
    page = bay("?vehicle=tank&mount.turn=33 deg").page  # exact numbers have come too
    assert "no vehicle 'tank'" in page.locator("#general-problem").inner_text()
    typed(page, "tower.0.offset", "\N{MINUS SIGN}1.7 m")  # as it is pasted from elsewhere
    until(page, "tower.0.offset", "-1.7 m")
    assert state_of(page)["tower.1.offset"] == "1.7 m"
    assert page.locator("#general-problem").inner_text() == ""


def test_numbers_shown_are_the_benchs_and_the_address_brings_them_back(server, bay):
    page = bay("?vehicle=van&tower.0.offset=1.7 m&station=low lift").page
    status, text = server.ask("/api/bay?vehicle=van&tower.0.offset=1.7+m&station=low+lift&exact=1")
    assert status == 200
    told = json.loads(text)
    assert page.locator("#verdict-words").inner_text() == told["verdict"]["words"]
    rows = page.locator("#towers tbody tr").all()
    for row, target in zip(rows, told["targets"], strict=True):
        assert float(row.locator("td").last.inner_text()) == pytest.approx(
            target["share"],
            rel=0.05,  # two digits: half a unit of the second
        )
    link = page.locator("#permalink").evaluate("(element) => element.href")
    again = bay(link.removeprefix(f"{server.url}bay")).page
    assert state_of(again) == state_of(page)
    assert not again.locator("#mirror").is_checked()  # the address moved one tower alone
    assert again.locator("#towers").inner_text() == page.locator("#towers").inner_text()


def test_collisions_are_drawn_and_named_and_the_saved_file_equals_the_state(bay, tmp_path):
    page = bay("?vehicle=van&tower.0.offset=3.5 m&tower.0.yaw=30 deg").page
    assert "collision" in page.locator("#verdict-words").inner_text()
    assert page.locator("#plan .collision").count() > 0
    assert "wall" in page.locator("#misfits").inner_text()
    typed(page, "tower.0.offset", "1.75 m")
    until(page, "tower.0.offset", "1.75 m")
    with page.expect_download() as coming:
        page.locator("#save").click()
    path = tmp_path / coming.value.suggested_filename
    coming.value.save_as(path)
    changes = {k: v for k, v in state_of(page).items() if k not in ("vehicle", "station")}
    assert load_bay(path).digest == load_bay(None, changes).digest
    assert "# The training workshop" in path.read_text()


def test_a_search_shows_how_far_it_is_and_can_be_cancelled(bay):
    page = bay().page
    page.locator("#search").focus()
    page.keyboard.press("Enter")
    page.locator("#keep-words", has_text="of 16 starts").wait_for()
    page.locator("#cancel").click()
    page.locator("#keep-words", has_text="nothing was moved").wait_for()
    assert set(state_of(page)) == {"vehicle", "station"}


@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desktop"])
def test_the_live_bay_fits_its_window_and_has_no_grave_fault_of_access(
    bay, sticking_out, grave_faults, screenshot, phone_size, phone
):
    scheme, size = ("dark", phone_size) if phone else ("light", (1280, 900))
    query = "?vehicle=van&tower.0.offset=1.2 m&standoff=1.5 m"
    page = bay(query, size=size, color_scheme=scheme, has_touch=phone, is_mobile=phone).page
    assert sticking_out(page) == []
    assert grave_faults(page) == []
    typed(page, "tower.0.height", "")
    page.locator('[id="tower.0.height-problem"]:not(:empty)').wait_for()
    assert sticking_out(page) == []
    assert grave_faults(page) == []
    screenshot(page, f"bay-{'phone' if phone else 'desktop'}")
