"""The live bay: the numbers of `aim` and `site --evaluate`, what can't stand shown, files kept."""

import json
import math
import tomllib

import pytest

from bench.errors import ConfigError
from bench.explore.bay_result import compute_bay
from bench.explore.bay_saving import bay_files, moved_bay
from bench.explore.bay_search import Search, state_of
from bench.explore.bay_state import MovableBay, read_bay_state
from bench.explore.state import StateError
from bench.scene.load import load_bay, starter
from bench.siting.aim import aim_table, judge_aim
from bench.siting.search import evaluate, site
from bench.siting.tower_layout import layout_of

MOVED = {
    "vehicle": "van",
    "station": "low lift",
    "tower.0.offset": "5 ft 6 in",
    "tower.0.yaw": "14.5 deg",
    "standoff": "2.6 m",
    "station.1.lift": "0.5 m",
    "mount.turn": "20 deg",
    "vehicle.1.axle.1.mount.turn": "35 deg",
    "camera.focal_length": "8 mm",
}


@pytest.fixture(scope="module")
def movable(tmp_path_factory):
    """The starter's bay with pipelines of corners alone, whose predictions are quick."""
    path = tmp_path_factory.mktemp("bay") / "bay.toml"
    path.write_text(starter().replace('"apriltag/photometric", ', ""))
    return MovableBay(load_bay(path))


def test_a_target_without_an_image_is_told_in_words_and_numbers_are_finite(movable):
    shown = compute_bay(read_bay_state({"tower.0.pitch": "80 deg"}, movable), movable)
    words = [*shown["lines"], *(c["words"] for c in shown["constraints"])]
    words += [b["words"] for b in shown["breaks"]]
    assert not [text for text in words if "inf" in text.split() or "-inf" in text.split()]
    assert shown["breaks"][0]["words"] == "has no image: it is beside or behind the camera's view"
    assert any(": none, limit 1.00 plate widths" in text for text in words)


def test_only_the_shown_vehicles_collisions_are_named_the_others_are_counted(movable):
    shown = compute_bay(read_bay_state({"standoff": "30 m"}, movable), movable)
    assert len(shown["misfits"]) == 5  # the body, and the target at each of four wheels
    assert all("small car" in m["words"] for m in shown["misfits"])
    assert {(o["vehicle"], o["station"]) for o in shown["elsewhere"]} >= {("van", "floor")}


def test_numbers_are_those_of_aim_and_of_site_evaluate_on_the_saved_file(movable, tmp_path):
    state = read_bay_state(MOVED, movable)
    shown = compute_bay(state, movable)
    json.dumps(shown, allow_nan=False)
    saved = tmp_path / "elsewhere.toml"
    saved.write_text(moved_bay(state, movable))
    bay = load_bay(saved)
    aim = judge_aim(bay, movable.predictor)
    siting = evaluate(bay, movable.predictor)
    assert shown["exact"]
    assert shown["worst"] == pytest.approx(siting.share, rel=1e-12)
    told = sorted(c["words"] for c in shown["constraints"])
    assert told == sorted(c.words() for c in siting.constraints)
    rows = [
        row
        for row in aim_table(aim).to_dicts()
        if (row["vehicle"], row["station"]) == ("van", "low lift")
    ]
    for told, row in zip(shown["targets"], rows, strict=True):
        assert (told["tower"], told["wheel"]) == (row["tower"], row["wheel"])
        assert told["share"] == pytest.approx(row["over_tolerance"], rel=1e-12)
        assert told["margin"] == pytest.approx(row["margin_widths"], rel=1e-12)
        assert told["visible"] == row["visible"]


def test_the_saved_file_says_the_state_and_keeps_every_comment(movable):
    state = read_bay_state(MOVED, movable)
    before, after = movable.own.path.read_text(), moved_bay(state, movable)
    kept = [line.partition("#")[2] for line in after.splitlines() if "#" in line]
    assert kept == [line.partition("#")[2] for line in before.splitlines() if "#" in line]
    document = tomllib.loads(after)
    assert document["tower"][0]["offset"] == "5 ft 6 in"
    assert document["vehicle"][1]["axle"][1]["mount"] == {"turn": "35 deg"}
    # the axle had no holder of its own; everything else is changed in its place
    assert len(after.splitlines()) == len(before.splitlines()) + 1


def test_an_address_holds_only_what_differs_and_gives_the_same_state_again(movable):
    state = read_bay_state(MOVED | {"tower.1.height": "110 cm"}, movable)
    assert "tower.1.height" not in dict(state.changes)  # the file's 1.1 m
    from urllib.parse import parse_qsl

    assert read_bay_state(dict(parse_qsl(state.permalink())), movable) == state


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("tower.0.offset", "1.7", "lacks a unit"),
        ("tower.0.offset", "300 m", "limits"),
        ("tower.0.pitch", "near", "can't be read"),
        ("mount.turn", "31 deg", "presets"),
        ("tower.0.offset", "1" * 50, "at most"),
        ("vehicle", "bus", "small car"),
    ],
)
def test_a_value_that_the_file_would_refuse_is_refused_at_its_control(movable, field, value, told):
    with pytest.raises(StateError) as refused:
        read_bay_state({field: value}, movable)
    (problem,) = refused.value.problems
    assert problem.control == field
    assert told in problem.message


def test_an_unknown_control_is_refused(movable):
    for key in ("tower.7.offset", "name", "__class__", "tower.0.name"):
        with pytest.raises(StateError):
            read_bay_state({key: "1 m"}, movable)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"tower.0.offset": "3.5 m"}, "inside the left wall"),
        ({"tower.0.forward": "-2.5 m", "tower.0.offset": "0.9 m"}, "runs into"),
        ({"tower.0.forward": "-3.7 m", "tower.0.offset": "1.8 m"}, "left lift post"),
        ({"station.1.lift": "3 m"}, "beyond the room's"),
    ],
)
def test_what_cannot_stand_is_shown_where_it_collides_and_never_refused(movable, change, what):
    vehicle = {"vehicle": "van", "station": "low lift"}
    shown = compute_bay(read_bay_state(vehicle | change, movable), movable)
    assert what in " ".join(misfit["words"] for misfit in shown["misfits"])
    assert shown["scene"]["collisions"]["plan"]
    assert shown["verdict"]["state"] == "outside"
    json.dumps(shown, allow_nan=False)
    with pytest.raises(ConfigError):  # elsewhere it is refused
        load_bay(movable.own.path, change)


def test_targets_beside_or_behind_a_camera_are_said_to_have_no_image(movable):
    shown = compute_bay(read_bay_state({"tower.0.yaw": "180 deg"}, movable), movable)
    json.dumps(shown, allow_nan=False)
    without = [b for b in shown["breaks"] if "no image" in b["words"]]
    assert {(b["tower"], b["wheel"]) for b in without} == {
        ("left", "front left"),
        ("left", "rear left"),
    }


def test_handles_move_the_values_that_they_name_the_way_that_they_say(movable):
    state = movable.default
    before = {h["id"]: h for h in compute_bay(state, movable)["handles"]}
    for key, text, step in (
        ("tower.0.offset", "1.7 m", 0.1),
        ("tower.1.height", "1.2 m", 0.1),
        ("standoff", "2.55 m", 0.1),
        ("station.0.lift", "0.1 m", 0.1),
        ("tower.0.yaw", "13 deg", 1.0),
        ("tower.1.pitch", "-12.5 deg", 1.0),
        ("mount.turn", "20 deg", -15.0),
    ):
        after = compute_bay(read_bay_state({key: text}, movable), movable)["handles"]
        (moved,) = (h for h in after if h["key"] == key)
        old = before[moved["id"]]
        way = [b - a for a, b in zip(old["at"], moved["at"], strict=True)]
        if "axis" in old:
            told = sum(w * a for w, a in zip(way, old["axis"], strict=True))
        else:  # drawn from above or the side: the angle is a turn's share in the plane
            (x0, y0), (x1, y1) = (
                (h["at"][0] - h["pivot"][0], h["at"][1] - h["pivot"][1]) for h in (old, moved)
            )
            told = math.degrees(math.atan2(x0 * y1 - y0 * x1, x0 * x1 + y0 * y1))
        # a pitch is seen foreshortened by the yaw of 12 deg, which stretches its angle by 2 %;
        # and places are told to a tenth of a millimetre, of 0.55 m and more from a pivot
        assert old["gain"] * told == pytest.approx(step, rel=0.03, abs=0.03)


def test_the_page_and_its_answers_are_for_this_machine_alone(client):
    assert "live bay" in client.get("/bay").text
    assert client.get("/bay", headers={"host": "bay.example:8000"}).status_code == 403
    other = {"origin": "http://bay.example"}
    for path in ("/api/bay/searches", "/api/bay/file", "/api/bay/pictures"):
        assert client.post(path, headers=other).status_code == 403
    assert client.get("/api/bay", headers=other).status_code == 403
    refused = client.get("/api/bay?tower.0.offset=far")
    assert refused.status_code == 422
    assert refused.json()["problems"][0]["control"] == "tower.0.offset"
    assert client.get("/api/bay/searches/none").status_code == 404
    assert "lacks a unit" in client.get("/bay?tower.0.offset=7").text


@pytest.mark.slow
def test_rough_numbers_say_so_and_exact_ones_are_those_of_site_evaluate(place):
    movable = MovableBay(place.bay)
    state = read_bay_state({"tower.0.offset": "1.65 m"}, movable)
    bay = movable.bay(state)
    assert movable.quick(bay, wait=True) is not movable.predictor
    rough, exact = (compute_bay(state, movable, exact=e) for e in (False, True))
    assert (rough["exact"], exact["exact"]) == (False, True)
    assert exact["worst"] == evaluate(bay, movable.predictor).share
    # of a table in range and tilt; tests/siting judges how fine that is
    assert rough["worst"] == pytest.approx(exact["worst"], rel=0.2)


@pytest.mark.slow
def test_the_layout_found_is_the_optimisers_and_a_cancelled_search_moves_nothing(movable):
    state = read_bay_state({"tower.0.offset": "1.4 m", "tower.1.offset": "-1.4 m"}, movable)
    bay = movable.bay(state)
    siting = site(bay, movable.predictor, 1, 1, None, (layout_of(bay).focal_length,), False)
    found = movable.bay(state_of(siting, state, movable))
    for name in ("spacing", "height", "standoff", "yaw", "pitch"):
        # a saved file has a hundredth of a millimetre, or a hundred-thousandth of a degree
        wanted = getattr(siting.layout, name)
        assert getattr(layout_of(found), name) == pytest.approx(wanted, abs=2e-5)
    search = Search("one", state, movable, False, False, starts=64)
    thread = search.start()
    search.cancel()
    thread.join(60.0)
    assert not thread.is_alive()
    assert search.report()["status"] == "cancelled"
    assert search.report()["changes"] is None


@pytest.mark.slow
def test_pictures_are_written_in_three_kinds_with_captions_and_the_bay_file(tmp_path):
    trimesh = pytest.importorskip("trimesh")
    mesh = '[[obstacle]]\nkind = "mesh"\nname = "crate"\nfile = "crate.stl"\n'
    position = 'position = ["2 m", "-3 m", "0.1 m"]\n'
    path = tmp_path / "bay.toml"
    path.write_text(starter().replace("[[lamp]]", f"{mesh}{position}\n[[lamp]]", 1))
    trimesh.creation.box((0.2, 0.2, 0.2)).export(tmp_path / "crate.stl")
    movable = MovableBay(load_bay(path))
    state = read_bay_state({"vehicle": "van", "tower.0.offset": "1.2 m"}, movable)
    files = bay_files(state, movable, movable.own.path)
    stems = ("bay", "aim-left", "aim-right")
    wanted = {f"{stem}.{kind}" for stem in stems for kind in ("png", "svg", "pdf")}
    assert set(files) == wanted | {"bay-moved.toml"}
    svg = files["bay.svg"].decode()
    assert "collision" in svg
    assert " ft " in svg
    # wherever it is saved, its mesh is found
    assert str(tmp_path / "crate.stl") in files["bay-moved.toml"].decode()
