"""Whatever stands in a bay file, it is a bay or one line of refusal."""

import copy
import datetime
import tomllib

import pytest

import bench.scene.load as load
from bench.assets import asset
from bench.errors import ConfigError

NONSENSE = (
    "", "a\nb", "x" * 500, "nan m", "0 m", "-5 m", "1e300 m", "1e-300 mm", "5 px", "1e30 deg",
    -1, 0, 2**70, 1.5, float("nan"), float("inf"), True, datetime.date(2020, 2, 29),
    [], [[]], [1, 2], ["1 m", "2 m"], ["1 px", "2 px"], [{}], {}, {"a": {}}, {"kind": "marker"},
)  # fmt: skip


def places(content, above=()):
    """Yield the path of every key and list entry."""
    entries = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in entries:
        yield (*above, key)
        if isinstance(value, dict | list):
            yield from places(value, (*above, key))


def holder(content, place):
    for key in place[:-1]:
        content = content[key]
    return content


SHIPPED = tomllib.loads(asset(load.SHIPPED_BAY).read_text(encoding="utf-8"))
# one of each kind is enough
SHIPPED["vehicle"] = SHIPPED["vehicle"][:1]
SHIPPED["lamp"] = SHIPPED["lamp"][:1]
SHIPPED["obstacle"] = [o for o in SHIPPED["obstacle"] if o["name"] != "right lift post"]


PLACES = list(places(SHIPPED))
every_place = pytest.mark.parametrize("place", PLACES, ids=lambda p: ".".join(map(str, p)))


def count_refusals(monkeypatch, place, nonsense):
    """Return how many of these are refused at a place; the rest make a bay."""
    refusals = 0
    for value in nonsense:
        content = copy.deepcopy(SHIPPED)
        holder(content, place)[place[-1]] = value
        monkeypatch.setattr(load, "read_toml", lambda path, content=content: content)
        try:
            load.load_bay()
        except ConfigError as refusal:
            refusals += 1
            line = str(refusal).removeprefix(f"{asset(load.SHIPPED_BAY)}: ")
            assert "\n" not in line and len(line) < 400, line  # noqa: PT018
    return refusals


@pytest.mark.slow
@every_place
def test_a_third_of_the_nonsense_in_any_place_is_refused_in_one_short_line(monkeypatch, place):
    # neighbours get different thirds, so that every kind is tried in a third of the places
    assert count_refusals(monkeypatch, place, NONSENSE[PLACES.index(place) % 3 :: 3])


@pytest.mark.slow
@every_place
def test_nonsense_in_any_place_is_refused_in_one_short_line(monkeypatch, place):
    assert count_refusals(monkeypatch, place, NONSENSE) > len(NONSENSE) // 2


@every_place
def test_without_any_one_key_it_is_a_bay_or_a_refusal(monkeypatch, place):
    content = copy.deepcopy(SHIPPED)
    del holder(content, place)[place[-1]]
    monkeypatch.setattr(load, "read_toml", lambda path: content)
    try:
        load.load_bay()
    except ConfigError as refusal:
        assert "\n" not in str(refusal)  # noqa: PT017
