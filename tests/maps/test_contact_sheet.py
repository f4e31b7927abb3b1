from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from matplotlib.image import AxesImage

from bench.draw import style
from bench.draw.map_info import MapInfo
from bench.imaging.picture import Picture
from bench.maps.contact_sheet import (
    Shot,
    contact_figure,
    contact_shots,
    magnified,
    outcome_words,
    write_contact_sheet,
    zoom,
)

PIPELINES = ("aruco-subpix/ippe-lm", "apriltag/iterative-with-a-very-long-name")


def _picture(height, width, seed=0, full_scale=255):
    dtype = np.uint8 if full_scale == 255 else np.uint16
    rng = np.random.default_rng(seed)
    return Picture(
        rng.integers(0, full_scale + 1, (height, width)).astype(dtype), 5, 9, full_scale
    )


def _shot(range_m=2.0, turn=0.0, pitch=0.0, picture=None, outcomes=("ok", "ok")):
    outcomes = dict(zip(PIPELINES, outcomes, strict=False))
    picture = _picture(40, 60) if picture is None else picture
    return Shot(range_m, turn, pitch, 120.0, picture, outcomes)


def test_pixels_are_repeated_whole_and_keep_their_grey():
    picture = _picture(3, 4)
    dots = magnified(picture, Fraction(2))
    assert dots.shape == (6, 8)
    np.testing.assert_array_equal(dots[::2, ::2] * 255, picture.grey)
    np.testing.assert_array_equal(dots[1::2, 1::2] * 255, picture.grey)


def test_shrinking_averages_blocks_and_keeps_the_mean():
    picture = _picture(6, 9, full_scale=4095)
    dots = magnified(picture, Fraction(1, 3))
    assert dots.shape == (2, 3)
    # 54 values in 0 to 1 summed in float64
    assert dots.mean() == pytest.approx(picture.grey.mean() / 4095, abs=1e-12)


@pytest.mark.parametrize(("size", "scale"), [(50, 6), (300, 1), (301, Fraction(1, 2)), (299, 1)])
def test_the_largest_whole_magnification_that_fits_is_taken(size, scale):
    assert zoom([_picture(size, 10), _picture(5, 5)], 2.0) == scale


def test_pictures_are_shown_dot_for_dot_on_one_grey_scale():
    shots = [
        _shot(r, t, picture=_picture(41, 57, seed=int(r + t)))
        for r in (2.0, 3.0)
        for t in (0.0, 30.0)
    ]
    with style.applied():
        figure = contact_figure(shots, _info())
        figure.canvas.draw()
        canvas = np.asarray(figure.canvas.buffer_rgba())[..., 0]
    images = figure.findobj(AxesImage)
    assert len(images) == 4
    shown = []
    for image in images:
        assert image.get_clim() == (0.0, 1.0)
        box = image.axes.get_window_extent()
        rows = slice(round(canvas.shape[0] - box.y1), round(canvas.shape[0] - box.y0))
        shown.append(canvas[rows, round(box.x0) : round(box.x1)])
    n = int(zoom([s.picture for s in shots], 2.6))
    for shot in shots:
        wanted = np.kron(shot.picture.grey, np.ones((n, n)))
        # the map from grey to colour has 256 steps, so at most one level is lost
        assert any(s.shape == wanted.shape and np.max(abs(s - wanted)) <= 1 for s in shown)


@pytest.mark.parametrize(
    ("outcomes", "words"),
    [
        (("ok", "ok"), "all ok"),
        (("ok", "mirrored"), "1 ok; 2 mirrored"),
        (("wrong_id", "wrong_id"), "all wrong id"),
    ],
)
def test_outcomes_are_told_in_words(outcomes, words):
    assert outcome_words(_shot(outcomes=outcomes), PIPELINES) == words


def test_a_single_pipelines_outcome_needs_no_number():
    shot = _shot(outcomes=("missed",))
    assert outcome_words(shot, PIPELINES[:1]) == "missed"


def _info():
    return MapInfo("training workshop", "marker", "f = 3000 px", 7, 60, "0.1.0")


@pytest.mark.parametrize(
    "shots",
    [
        [_shot(r, t) for r in (1.5, 2.0, 3.0, 4.0, 6.0) for t in (0.0, 20.0, 60.0)],
        [_shot(3.0, 10.0, picture=_picture(900, 1200))],
        [_shot(2.0, -30.0, 15.0, outcomes=("mirrored", "not_finite")), _shot(2.0, 0.0, -15.0)],
        [_shot(2.0, 0.0, picture=_picture(3, 2))],
    ],
    ids=["grid", "full frame", "pitched", "tiny"],
)
def test_no_text_on_the_sheet_overlaps_or_leaves_it(shots, text_faults):
    with style.applied():
        assert text_faults(contact_figure(shots, _info())) == []


def test_range_size_and_magnification_are_stated(drawn_texts):
    with style.applied():
        words = [text for text, _ in drawn_texts(contact_figure([_shot(3.0)], _info()))]
    assert "3 m" in words
    assert "120 px, × 6" in words


def test_shots_are_the_first_pictures_of_cells_spread_over_the_grid(make_tables):
    turns = tuple(float(t) for t in range(0, 80, 8))
    cases, cells = make_tables(ranges=tuple(np.arange(1.0, 8.0)), turns=turns, trials=2)
    asked = []

    def picture_of(row):
        asked.append(row)
        return _picture(10, 10)

    shots = contact_shots(cases.sample(fraction=1.0, shuffle=True, seed=1), cells, picture_of)
    assert len(shots) == len(asked) == 5 * 7
    assert all(row["trial"] == 0 for row in asked)
    assert {s.range_m for s in shots} >= {1.0, 7.0}
    assert {s.turn_deg for s in shots} >= {0.0, 72.0}
    for shot, row in zip(shots, asked, strict=True):
        rows = cases.filter(pl.col("key") == row["key"]).sort("pipeline")
        assert shot.outcomes == dict(zip(rows["pipeline"], rows["outcome"], strict=True))


def test_the_sheet_is_written(tmp_path, map_info):
    path = write_contact_sheet(tmp_path, [_shot()], map_info)
    assert path.name == "contact_sheet.png"
    assert path.stat().st_size > 1000
