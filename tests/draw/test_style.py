import colorsys

import matplotlib
import numpy as np
import pytest

from bench.draw import style
from bench.errors import RunError


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0312, "0.031"),
        (0.0995, "0.10"),
        (0.996, "1.0"),
        (9.96, "10"),
        (123.4, "120"),
        (0.0009, "0.00090"),
        (0.00009, "9e-5"),
        (0.00099999, "0.0010"),
        (23456.0, "2e4"),
    ],
)
def test_numbers_have_two_significant_digits(value, text):
    assert style.number(value) == text


def test_one_digit_is_for_where_room_is_short():
    assert style.number(0.0085, digits=1) == "0.009"
    assert style.number(0.96, digits=1) == "1"


@pytest.mark.parametrize(
    ("rate", "text"),
    [(1.0, "100"), (0.99999, "99.9"), (0.9967, "99.7"), (0.42, "42"), (1e-5, "0.1"), (0.0, "0")],
)
def test_a_rate_short_of_all_never_reads_100_and_one_above_none_never_0(rate, text):
    assert style.percent(rate) == text


def test_negative_numbers_carry_a_true_minus_sign():
    assert style.plain(-20.0) == "−20"


def test_error_scale_spans_all_finite_values_and_ends_on_round_numbers():
    norm = style.error_norm(np.array([np.nan, 0.0123, 0.9, 0.0, np.inf]))
    assert (norm.vmin, norm.vmax) == (0.01, 1.0)


def test_error_scale_exists_without_any_value_and_for_a_single_one():
    assert style.error_norm(np.array([np.nan])).vmin > 0.0
    norm = style.error_norm(np.array([0.05]))
    assert norm.vmin <= 0.05 <= norm.vmax
    assert norm.vmin < norm.vmax


@pytest.mark.parametrize("cmap", [style.ERROR_MAP, style.RATE_MAP, style.FAILURE_MAP.reversed()])
def test_colour_maps_change_luminance_one_way(cmap):
    rgb = cmap(np.linspace(0.0, 1.0, 64))[:, :3]
    # the Y of CIE XYZ, so that they also read in grey print
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    assert np.all(np.diff(luminance) > 0.0)


def test_text_on_every_colour_of_the_maps_has_contrast_4_5_to_1():
    # WCAG 2.1, success criterion 1.4.3: at least 4.5 : 1
    for cmap in (style.ERROR_MAP, style.RATE_MAP, style.FAILURE_MAP):
        for x in np.linspace(0.0, 1.0, 101):
            colour = cmap(x)
            linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
            y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
            ratio = (y + 0.05) / 0.05 if style.ink_on(colour) == "black" else 1.05 / (y + 0.05)
            assert ratio >= 4.5


def test_white_is_kept_for_a_share_of_none():
    assert style.FAILURE_MAP(np.ma.masked) == (1.0, 1.0, 1.0, 1.0)
    assert min(style.FAILURE_MAP(0.0)[:3]) < 0.9


def test_pipelines_differ_by_more_than_colour():
    styles = list(style.pipeline_styles([f"d{i}/s" for i in range(11)]).values())
    assert len({s.marker for s in styles}) == 11
    assert len({(s.colour, s.marker) for s in styles}) == 11


def test_okabe_ito_colours_are_dark_enough_for_lines_on_white():
    for colour in style.OKABE_ITO:
        rgb = matplotlib.colors.to_rgb(colour)
        assert colorsys.rgb_to_hls(*rgb)[1] < 0.75


def test_a_users_own_settings_neither_change_pictures_nor_are_changed():
    with matplotlib.rc_context({"font.size": 30.0}):
        with style.applied():
            assert matplotlib.rcParams["font.size"] == style.NORMAL
        assert matplotlib.rcParams["font.size"] == 30.0


def test_the_same_figure_gives_the_same_bytes(tmp_path):
    paths = []
    for name in ("a.png", "b.png"):
        with style.applied():
            figure = style.new_figure(2.0, 1.0)
            figure.text(0.1, 0.5, "range (m)")
        paths.append(style.save(figure, tmp_path / name))
    first, second = (path.read_bytes() for path in paths)
    assert first == second
    assert not list(tmp_path.glob(".*.tmp"))


def test_a_picture_that_cannot_be_written_is_one_line_and_leaves_the_old_one(
    tmp_path, monkeypatch
):
    target = tmp_path / "map.png"
    target.write_bytes(b"earlier")

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with style.applied():
        figure = style.new_figure(1.0, 1.0)
    with pytest.raises(RunError, match=r"map\.png: can't be written: No space left") as e:
        style.save(figure, target)
    assert "\n" not in str(e.value)
    assert target.read_bytes() == b"earlier"
