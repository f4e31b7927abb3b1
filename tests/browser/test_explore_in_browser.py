"""The live bench, as a person in front of a browser meets it."""

import io
import json
import re
import zipfile
from urllib.parse import parse_qsl

import pytest
from PIL import Image

pytestmark = pytest.mark.slow

MOST_TABS = 120  # far more stops than the page has


@pytest.fixture
def bench(server, visit):
    """Return a function that opens the live bench and waits for its first picture."""

    def open_bench(query="", **options):
        made = visit(server.url + query, **options)
        made.page.locator("#picture[data-state]").wait_for()
        return made

    return open_bench


def shown_state(page):
    """Return the state of the picture that is shown, as the page notes it."""
    state = page.locator("#picture").get_attribute("data-state")
    return dict(parse_qsl(state))


def change(page, name, value):
    """Type a number and wait until its picture is shown; return how long that took."""
    page.locator(f"#{name}").fill(f"{value:g}")
    page.wait_for_function(
        """([name, value]) => {
            const state = new URLSearchParams(document.getElementById('picture').dataset.state);
            return Number(state.get(name)) === value;
        }""",
        arg=[name, value],
    )
    return float(page.locator("#picture").get_attribute("data-latency-ms"))


def numbers_of(page):
    """Return the text of every number that the page shows of a picture."""
    names = ("#verdict-words", "#bound-words", "#outcome", "#case-key", "#errors", "#poses")
    return {name: page.locator(name).inner_text() for name in names}


def true_pose(page):
    """Return range, turn and pitch of the true pose's row."""
    row = page.locator("#poses tbody tr").filter(has=page.get_by_role("rowheader", name="True"))
    texts = row.locator("td").all_inner_texts()
    return [float(text.replace("−", "-")) for text in texts[1:4]]


def test_the_live_bench_opens_without_errors_and_asks_no_one_else(server, bench, screenshot):
    made = bench()
    assert made.page.locator("#errors tbody tr").count() == 6
    assert made.page.locator("#poses tbody tr").count() == 3
    assert made.outside(server.url) == []
    assert made.refused == []
    screenshot(made.page, "explore")


def test_a_change_of_range_or_turn_shows_at_once(server, bench, record_property):
    made = bench()
    page = made.page
    times_ms = []
    # middle ranges of the bay, one after another as a hand would
    for name, value in (
        ("range_m", 5.5),
        ("turn_deg", 35.0),
        ("range_m", 6.0),
        ("turn_deg", 40.0),
    ):
        before = page.locator("#picture").get_attribute("src"), numbers_of(page)
        times_ms.append(change(page, name, value))
        assert page.locator("#picture").get_attribute("src") != before[0]
        assert numbers_of(page)["#errors"] != before[1]["#errors"]
    range_m, turn_deg, _ = true_pose(page)
    # the spread of the place within a pixel changes neither by more than this
    assert range_m == pytest.approx(6.0, abs=0.01)
    assert turn_deg == pytest.approx(40.0, abs=0.1)
    said = ", ".join(f"{ms:.0f}" for ms in times_ms)
    record_property("from_a_change_to_the_new_picture", f"{said} ms")


def test_a_slider_moves_its_number_by_keyboard(bench):
    page = bench().page
    slider = page.locator("#turn_deg-slider")
    step = float(slider.get_attribute("step"))
    start = float(page.locator("#turn_deg").input_value())
    slider.focus()
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    wanted = start + 4.0 * step
    assert float(page.locator("#turn_deg").input_value()) == pytest.approx(wanted)
    page.wait_for_function(
        "(wanted) => document.getElementById('picture').dataset.state.includes(wanted)",
        arg=f"turn_deg={wanted:g}",
    )


def test_the_numbers_shown_are_those_that_the_bench_computes(server, bench):
    page = bench("?range_m=7.5&turn_deg=35&pitch_deg=-10").page
    status, text = server.ask("/api/view?range_m=7.5&turn_deg=35&pitch_deg=-10")
    assert status == 200
    view = json.loads(text)
    for row, told in zip(page.locator("#errors tbody tr").all(), view["errors"], strict=True):
        shown = [t.replace("−", "-") for t in row.locator("td").all_inner_texts()]
        for cell, name in zip(shown, ("error", "bound", "claimed"), strict=True):
            # four decimals are shown
            assert float(cell) == pytest.approx(told[name], abs=0.51e-4)
    assert view["key"] in page.locator("#case-key").inner_text()
    solved = {one["role"]: one for one in view["solutions"]}
    for name, role in (("Chosen", "chosen"), ("Runner-up", "runner-up")):
        row = page.locator("#poses tbody tr").filter(has=page.get_by_role("rowheader", name=name))
        texts = [t.replace("−", "-") for t in row.locator("td").all_inner_texts()]
        told = [solved[role][key] for key in ("range_m", "turn_deg", "pitch_deg", "roll_deg")]
        # a metre has four decimals, a degree three
        assert [float(t) for t in texts[1:]] == pytest.approx(told, abs=0.51e-3)


@pytest.mark.parametrize("bad", ["-3", "", "1e9"])
def test_a_bad_number_is_refused_beside_its_control_and_then_taken_back(bench, screenshot, bad):
    made = bench()
    page = made.page
    good = numbers_of(page)
    page.locator("#range_m").fill(bad)
    problem = page.locator("#range_m-problem:not(:empty)")
    problem.wait_for()
    assert "Range" in problem.inner_text()
    assert "from 0.1 to 40 m" in problem.inner_text()
    assert page.locator("#range_m").get_attribute("aria-invalid") == "true"
    assert "range_m-problem" in page.locator("#range_m").get_attribute("aria-describedby")
    assert numbers_of(page) == good
    screenshot(page, f"explore-refused-{bad or 'empty'}")
    change(page, "range_m", 5.5)
    assert page.locator(".problem:not(:empty)").count() == 0
    assert page.locator("[aria-invalid]").count() == 0
    assert true_pose(page)[0] == pytest.approx(5.5, abs=0.01)


def test_numbers_that_cannot_go_together_are_refused_and_the_bench_goes_on(bench):
    page = bench().page
    page.locator("#turn_deg").fill("80")
    page.locator("#pitch_deg").fill("80")
    page.locator("#pitch_deg-problem:not(:empty)").wait_for()
    assert "Turn and pitch together" in page.locator("#pitch_deg-problem").inner_text()
    page.locator("#pitch_deg").fill("0")
    change(page, "turn_deg", 10.0)
    assert page.locator(".problem:not(:empty)").count() == 0
    assert true_pose(page)[1] == pytest.approx(10.0, abs=0.1)


def test_an_address_with_a_bad_number_opens_and_says_what_it_left(bench):
    page = bench("?range_m=near&turn_deg=20").page
    page.locator("#general-problem:not(:empty)").wait_for()
    assert "near" in page.locator("#general-problem").inner_text()


def test_the_permalink_shows_the_same_numbers_in_a_new_page(server, bench):
    first = bench().page
    change(first, "range_m", 6.5)
    change(first, "turn_deg", -25.0)
    change(first, "blur_px", 0.9)
    first.locator("#pipeline").select_option("apriltag/ippe-lm")
    first.wait_for_function(
        "() => document.getElementById('picture').dataset.state.includes('apriltag%2Fippe-lm')"
    )
    link = first.locator("#permalink").evaluate("(element) => element.href")
    assert link == first.url
    second = bench(link.removeprefix(server.url)).page
    assert shown_state(second) == shown_state(first)
    assert numbers_of(second) == numbers_of(first)
    assert second.locator("#picture").get_attribute("src") == first.locator(
        "#picture"
    ).get_attribute("src")
    for name in ("range_m", "turn_deg", "blur_px", "pipeline"):
        assert second.locator(f"#{name}").input_value() == first.locator(f"#{name}").input_value()


def test_two_pipelines_stand_side_by_side_in_the_same_picture(server, bench):
    page = bench("?range_m=9&compare=pipeline:aruco-none/ippe").page
    rival = page.locator("#rival-picture[data-state]")
    rival.wait_for()
    assert rival.get_attribute("src") == page.locator("#picture").get_attribute("src")
    boxes = [page.locator(f"#{name}").bounding_box() for name in ("stage", "rival-stage")]
    assert boxes[0]["y"] == boxes[1]["y"]
    assert boxes[0]["width"] == boxes[1]["width"]
    _, text = server.ask("/api/view?range_m=9&pipeline=aruco-none/ippe")
    told = json.loads(text)["judgement"]["error_deg"]
    row = page.locator("#rivals tbody tr").filter(
        has=page.get_by_role("rowheader", name="Rotation error, deg")
    )
    assert float(row.locator("td").nth(1).inner_text()) == pytest.approx(told, rel=0.05)
    # a pipeline that can't look for the other target gives way in words
    page.locator("#compare").select_option("target:circles:5x5:symmetric")
    page.locator("#rival-problem:not(:empty)").wait_for()
    assert "doesn't look for this target: circles/" in page.locator("#rival-problem").inner_text()
    page.locator("#compare").select_option("none")
    page.locator("#rival").wait_for(state="hidden")


def test_error_along_a_control_is_drawn_and_a_click_goes_there(bench):
    page = bench("?bay=drawn&dark_noise_e=60").page
    page.locator("#along summary").click()
    page.locator("#curve[data-key]").wait_for()
    assert page.locator("#curve [class^=mark-]").count() == 27  # nine places, three pictures each
    assert "Within 0.1 deg from" in page.locator("#curve-words").inner_text()
    box = page.locator("#curve").bounding_box()
    page.locator("#curve").click(position={"x": 0.3 * box["width"], "y": 0.5 * box["height"]})
    page.wait_for_function("() => Number(document.getElementById('range_m').value) < 4.5")
    page.locator("#over").select_option("turn_deg")
    page.locator("#curve[aria-label*='over Turn, deg']").wait_for()


def test_what_an_address_folds_away_is_unfolded_and_dirt_is_of_bays_as_built(bench):
    page = bench("?reflection=0.4").page
    assert page.locator("#reflection").is_visible()
    assert page.locator("#dirt").is_enabled()
    page.locator("#bay").select_option("drawn")
    assert page.locator("#dirt").is_disabled()


def test_a_predicted_map_as_surveyed_is_asked_for_anew_for_another_pipeline(bench):
    page = bench().page

    def as_surveyed(route):
        answer = route.fetch()
        route.fulfill(response=answer, json=answer.json() | {"surveyed": True})

    page.route("**/api/map?*", as_surveyed)
    with page.expect_response("**/api/map?*"):
        change(page, "blur_px", 0.7)
    page.locator(".whole:not(.old)").wait_for()
    with page.expect_response(re.compile(r"/api/map\?.*pipeline=apriltag%2Fepnp")):
        page.locator("#pipeline").select_option("apriltag/epnp")


def test_the_predicted_map_moves_along_while_one_drags(bench):
    page = bench().page
    page.locator(".whole:not(.old)").wait_for()
    # a hand that never rests as long as a question's patience, until a map has come
    moved = page.evaluate(
        """async () => {
            const canvas = document.getElementById("map");
            const before = canvas.dataset.latencyMs;
            const slider = document.getElementById("light-slider");
            const [low, high] = [Number(slider.min), Number(slider.max)];
            for (let n = 1; n < 400; n += 1) {
                slider.value = low + ((high - low) * ((n % 40) + 20)) / 80;
                slider.dispatchEvent(new Event("input", { bubbles: true }));
                await new Promise((wake) => setTimeout(wake, 60));
                if (canvas.dataset.latencyMs !== before) return n;
            }
            return 0;
        }"""
    )
    assert moved > 0


def test_a_run_fills_the_scatter_plot_and_says_what_it_found(bench, screenshot):
    made = bench("?range_m=6&turn_deg=40")
    page = made.page
    wanted = int(re.search(r"\d+", page.locator("#run").inner_text())[0])
    assert page.locator("#scatter .dot").count() == 0
    assert page.locator("#scatter .current").count() == 1  # the picture shown is in the plot
    page.locator("#run").focus()
    page.keyboard.press("Enter")
    page.locator("#run-words:not(:empty)").wait_for()
    summary = page.locator("#run-summary").inner_text()
    assert page.locator("#progress-words").inner_text() == f"{wanted} of {wanted}"
    assert f"{wanted} pictures" in summary
    usable = int(re.search(r"over (\d+) usable", summary)[1])
    marks = page.locator("#scatter .dot, #scatter .beyond, #scatter .cross").count()
    assert usable <= marks <= wanted
    assert summary in page.locator("#scatter").get_attribute("aria-label")
    screenshot(page, "explore-run")
    old = page.locator("#run-old")
    assert not old.is_visible()
    change(page, "range_m", 7.0)
    assert old.is_visible()
    change(page, "range_m", 6.0)
    assert not old.is_visible()


def test_a_run_can_be_cancelled(bench):
    page = bench("?range_m=3").page
    page.locator("#run").click()
    page.locator("#cancel:enabled").click()
    page.locator("#run-summary", has_text="Cancelled after").wait_for()
    assert page.locator("#cancel").is_disabled()


def test_save_brings_the_picture_and_where_its_numbers_come_from(bench, tmp_path):
    page = bench("?range_m=6&turn_deg=40").page
    with page.expect_download() as coming:
        page.locator("#save").click()
    path = tmp_path / coming.value.suggested_filename
    coming.value.save_as(path)
    with zipfile.ZipFile(path) as archive:
        (picture,) = (name for name in archive.namelist() if name.endswith(".png"))
        with Image.open(io.BytesIO(archive.read(picture))) as image:
            image.load()
            assert min(image.size) > 100
        (sidecar,) = (name for name in archive.namelist() if name.endswith(".json"))
        content = json.loads(archive.read(sidecar))
    assert "range_m=6" in json.dumps(content)
    assert page.locator("#keep-problem").inner_text() == ""


def test_by_keyboard_alone_every_control_is_reached_and_seen(bench):
    page = bench().page
    for folded in ("details.seldom", "#along"):
        page.locator(f"{folded} summary").click()
    page.evaluate("() => document.activeElement.blur()")
    reached, outlines = set(), set()
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        name, outline = page.evaluate(
            """() => [document.activeElement.id,
                getComputedStyle(document.activeElement).outlineStyle]"""
        )
        if name in reached:
            break
        if name:
            reached.add(name)
            outlines.add(outline)
    fields = page.locator("#controls [name]").evaluate_all("(all) => all.map((e) => e.id)")
    assert set(fields) <= reached
    assert {"over", "run", "permalink", "copy", "save", "reset"} <= reached
    assert "none" not in outlines


@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desktop"])
def test_the_live_bench_fits_its_window_and_has_no_grave_fault_of_access(
    bench, sticking_out, grave_faults, screenshot, phone_size, phone
):
    size = phone_size if phone else (1280, 900)
    light = "dark" if phone else "light"
    made = bench(
        size=size, has_touch=phone, is_mobile=phone, reduced_motion="reduce", color_scheme=light
    )
    page = made.page
    assert sticking_out(page) == []
    assert grave_faults(page) == []
    screenshot(page, f"explore-{'phone' if phone else 'desktop'}-first", full_page=False)
    page.locator("#light").fill("")
    page.locator("#range_m").fill("-1")
    page.locator("#range_m-problem:not(:empty)").wait_for()
    assert sticking_out(page) == []
    assert grave_faults(page) == []
    screenshot(page, f"explore-{'phone' if phone else 'desktop'}-refused")
    page.locator("#light").fill("0.7")
    change(page, "range_m", 12.0)
    assert sticking_out(page) == []
    assert page.evaluate("() => document.getAnimations().length") == 0
    page.locator("#compare").select_option("target:circles:5x5:symmetric")
    page.locator("#rivals tbody tr").first.wait_for()
    page.locator("details.seldom summary").click()
    page.locator("#along summary").click()
    page.locator("#curve path.series-1").wait_for(state="attached")
    assert sticking_out(page) == []
    assert grave_faults(page) == []
    screenshot(page, f"explore-{'phone' if phone else 'desktop'}")
