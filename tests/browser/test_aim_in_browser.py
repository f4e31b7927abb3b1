"""The page that aims a tower, followed by somebody who turns the tower as it says."""

import math
import re
from dataclasses import replace

import cv2
import pytest
from fixtures.tower_pictures import binned_bay, off, tower_picture

from bench.setting_out.placements import replace_placement

LARGE_PX = 44  # CSS pixels: capitals of 8.5 mm, 15 minutes of arc at two metres


@pytest.fixture
def bench(tmp_path, start_server, visit):
    """Return a bay, a function that puts a picture into the watched folder, and the page."""
    bay = binned_bay(tmp_path)
    folder = tmp_path / "camera"
    folder.mkdir()
    server = start_server("aim", str(bay.path), "--watch", str(folder))
    made = visit(server.url)

    def take(tower, name, **how):
        picture = tower_picture(bay, tower, key=name, **how)
        # as camera programs do: under another name until it is whole
        part = folder / f"{name}.part.png"
        cv2.imwrite(str(part), picture.grey)
        part.rename(folder / f"{name}.png")
        made.page.wait_for_function(
            "name => document.getElementById('caption').textContent.startsWith(name)",
            arg=f"{name}.png",
        )

    return bay, folder, take, made


def asked(page):
    """Return the turn to the left and the tip up that the page asks for, degrees."""
    found = {"turn": 0.0, "tip": 0.0}
    for words in page.locator("#moves li span:not(.arrow)").all_inner_texts():
        verb, size, way = re.fullmatch(r"(turn|tip) it ([0-9.]+) deg (.+)", words).groups()
        found[verb] = float(size) * (1.0 if way in ("to its left", "up") else -1.0)
    return found["turn"], found["tip"]


@pytest.mark.slow
def test_a_tower_that_follows_the_page_is_inside_after_three_steps(
    bench, screenshot, grave_faults, sticking_out
):
    bay, folder, take, made = bench
    page, plan = made.page, bay.towers[0].placement
    assert page.locator("body").get_attribute("data-state") == "waiting"
    at = off(bay.towers[0], 4.8, -1.4)  # 5 deg off
    for step in range(3):
        take(at, f"step-{step}")
        if step == 0:
            screenshot(page, "aim-turn")
            size = page.evaluate("getComputedStyle(document.querySelector('#moves li')).fontSize")
            assert float(size.removesuffix("px")) >= LARGE_PX
            assert grave_faults(page) == []
            assert sticking_out(page) == []
        turn, tip = asked(page)
        place = at.placement
        at = replace_placement(
            at,
            replace(
                place, yaw=place.yaw + math.radians(turn), pitch=place.pitch + math.radians(tip)
            ),
        )
    left = max(abs(at.placement.yaw - plan.yaw), abs(at.placement.pitch - plan.pitch))
    assert math.degrees(left) < 0.1
    take(at, "step-3")
    page.locator("body[data-state=inside]").wait_for()
    assert page.locator("#mark").inner_text() == "✓"
    assert page.locator("#moves li").count() == 0
    assert page.locator("#headline").inner_text().startswith("Stop: the left tower is within")
    screenshot(page, "aim-inside")
    # half a picture leaves what was shown, and says so
    whole = cv2.imencode(".png", tower_picture(bay, at).grey)[1].tobytes()
    (folder / "torn.png").write_bytes(whole[: len(whole) // 2])
    page.locator("#trouble:not([hidden])").wait_for()
    assert "torn.png: isn't whole yet" in page.locator("#trouble").inner_text()
    (folder / "torn.png").unlink()
    take(at, "missing", hidden=("rear left",))
    page.locator("body[data-state=mend]").wait_for()
    assert "rear left is missing" in page.locator("#headline").inner_text()
    screenshot(page, "aim-missing")
    page.get_by_role("button", name="Sound: off").click()
    assert page.get_by_role("button", name="Sound: on").get_attribute("aria-pressed") == "true"
    page.set_viewport_size({"width": 360, "height": 740})
    assert sticking_out(page) == []
    screenshot(page, "aim-phone")
