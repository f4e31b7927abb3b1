"""Ids by wheel in a bay file."""

import pytest

from bench.assets import asset
from bench.errors import ConfigError
from bench.scene.load import SHIPPED_BAY, load_bay, starter
from bench.scene.wheel_ids import cannot_tell, id_words, labelled, swap_words, whose
from bench.scene.wheel_ids import marker_id as id_of


@pytest.fixture
def with_ids(tmp_path):
    """Write the shipped bay with the given [wheel_ids], and read it."""

    def read(table, old="marker_id = 7", new="marker_id = 7"):
        path = tmp_path / "bay.toml"
        text = asset(SHIPPED_BAY).read_text(encoding="utf-8").replace(old, new)
        path.write_text(f"{text}\n[wheel_ids]\n{table}\n", encoding="utf-8")
        return load_bay(path)

    return read


FOUR = '"front left" = 1\n"front right" = 2\n"rear left" = 3\n"rear right" = 4'


def test_the_starter_file_gives_every_wheel_its_own_id(tmp_path):
    path = tmp_path / "bay.toml"
    path.write_text(starter(), encoding="utf-8")
    bay = load_bay(path)
    ids = {name: sorted(target.markers) for name, target in bay.wheel_targets}
    assert len({one for (one,) in ids.values()}) == 4 == len(ids)
    assert {t.drawing.width for _, t in bay.wheel_targets} == {bay.target.drawing.width}
    assert cannot_tell(bay) == ""


def test_a_file_without_ids_says_that_targets_cannot_be_told_apart():
    bay = load_bay()
    assert bay.target_of("front left") is bay.target
    assert id_of(bay, "front left") is None
    assert "can't be told apart" in id_words(bay)
    assert labelled(bay) == (bay.target,)


def test_a_wheel_carries_its_own_target(with_ids):
    bay = with_ids(FOUR)
    assert sorted(bay.target_of("rear left").markers) == [3]
    assert (id_of(bay, "rear right"), whose(bay, 2), whose(bay, 7)) == (4, "front right", None)
    assert [t.name.partition(":")[0] for t in labelled(bay)][:2] == ["front left", "front right"]


def test_swapped_targets_are_named_by_whose_they_are(with_ids):
    bay = with_ids(FOUR)
    assert swap_words(bay, {"front left": 1, "rear left": 3}) == []
    assert swap_words(bay, {"front left": 3, "rear left": 1}) == [
        "front left carries rear left's target, marker 3; its own is 1.",
        "rear left carries front left's target, marker 1; its own is 3.",
    ]
    assert swap_words(bay, {"front left": 9}) == [
        "front left carries marker 9, which is no wheel's."
    ]


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (FOUR.replace("rear right", "rear rihgt"), "no vehicle has a wheel 'rear rihgt'; did you"),
        (FOUR.replace('"rear right" = 4', ""), "rear right has no id; every wheel needs one"),
        (FOUR.replace("= 4", "= 1"), "both carry marker 1; the first free id is 0"),
        (FOUR.replace("= 4", "= 21"), "rear right and end B of the bar both carry marker 21"),
        (FOUR.replace("= 4", "= 100000"), "100000"),
        (FOUR.replace("= 4", '= "4"'), "wheel_ids"),
        ('"front left" = 1', "wheel_ids"),
    ],
)
def test_ids_that_tell_nothing_are_refused(with_ids, table, message):
    with pytest.raises(ConfigError, match=message):
        with_ids(table)


def test_boards_that_share_markers_are_refused(with_ids):
    board = 'kind = "grid"\ncolumns = 2\nrows = 2\nsize = "80 mm"\ngap = "20 mm"\n#'
    shipped = 'kind = "marker"\ndictionary = "DICT_APRILTAG_36h11"\nmarker_id = 7\nsize'
    apart = FOUR.replace("= 2", "= 5").replace("= 3", "= 9").replace("= 4", "= 13")
    assert sorted(with_ids(apart, shipped, board).target_of("rear left").markers) == [
        9,
        10,
        11,
        12,
    ]
    with pytest.raises(ConfigError, match="front right and front left both carry marker 2"):
        with_ids(FOUR, shipped, board)


def test_circles_have_no_ids(with_ids):
    circles = 'kind = "circles"\ncolumns = 4\nrows = 5\npitch = "30 mm"\ndiameter = "20 mm"\n#'
    shipped = 'kind = "marker"\ndictionary = "DICT_APRILTAG_36h11"\nmarker_id = 7\nsize'
    with pytest.raises(ConfigError, match="wheel_ids: a target without markers has no ids"):
        with_ids(FOUR, shipped, circles)
