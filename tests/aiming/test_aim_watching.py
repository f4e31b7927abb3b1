"""What the page shows of the newest picture."""

import json
import math

import numpy as np
import pytest
from fixtures.tower_pictures import binned_bay, off, tower_picture

from bench.aiming.advice import STOP
from bench.aiming.source import Shot
from bench.aiming.watching import STALE, Watch, small_jpeg, state_of
from bench.errors import PictureError
from bench.imaging.picture import Picture


class Given:
    """A source of what it is given: pictures, errors, or nothing."""

    def __init__(self, *what):
        self.what = list(what)

    def newest(self):
        one = self.what.pop(0) if self.what else None
        if isinstance(one, Exception):
            raise one
        return None if one is None else Shot("a.png", one)

    def close(self):
        self.what = ["closed"]


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    return binned_bay(tmp_path_factory.mktemp("bay"))


def watching(bay, *what):
    return Watch(bay, Given(*what), None, None, None, STOP)


def now(watch, age=0.0):
    return state_of(watch.seen, watch.seen.came + age)


def test_the_page_follows_pictures_from_waiting_to_inside(bay):
    left = bay.towers[0]
    pictures = tower_picture(bay, off(left, 2.0)), tower_picture(bay, left)
    watch = watching(bay, *pictures)
    assert now(watch)["state"] == "waiting"
    assert watch.look()
    state = now(watch)
    assert (state["state"], state["number"]) == ("turn", 1)
    assert state["moves"] == [{"arrow": "→", "words": "turn it 2.0 deg to its right"}]
    assert {plate["wheel"]: plate["id"] for plate in state["plates"]} == {
        "front left": 30,
        "rear left": 32,
    }
    assert watch.look()
    assert (now(watch)["state"], now(watch)["moves"]) == ("inside", [])
    json.dumps(now(watch), allow_nan=False)


def test_a_picture_that_cannot_be_used_leaves_the_one_before(bay):
    watch = watching(bay, tower_picture(bay, bay.towers[0]), PictureError("half.png: isn't whole"))
    assert (watch.look(), watch.look()) == (True, False)
    assert (now(watch)["state"], now(watch)["trouble"]) == ("inside", "half.png: isn't whole")


def test_an_old_picture_no_longer_says_inside(bay):
    watch = watching(bay, tower_picture(bay, bay.towers[0]))
    watch.look()
    state = now(watch, STALE + 5.0)
    assert state["state"] == "stale"
    assert state["headline"].startswith(f"This picture is {STALE + 5.0:.0f} s old: take another.")


def test_an_empty_picture_and_a_missing_target_are_said(bay):
    camera = bay.towers[0].camera
    dark = Picture(np.zeros((camera.height, camera.width), np.uint8))
    watch = watching(bay, dark, tower_picture(bay, bay.towers[0], hidden=("rear left",)))
    watch.look()
    assert (now(watch)["state"], "dark" in now(watch)["headline"]) == ("nothing", True)
    watch.look()
    kinds = {plate["wheel"]: plate["kind"] for plate in now(watch)["plates"]}
    assert kinds == {"front left": "found", "rear left": "missing"}


def test_a_deep_picture_is_shown_whole_and_small():
    deep = np.full((1000, 2560), 4095, np.uint16)
    jpeg = small_jpeg(deep, 4095)
    assert len(jpeg) < deep.nbytes // 100
    assert math.isclose(STOP, math.radians(0.1))
