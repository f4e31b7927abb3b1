import polars as pl
import pytest
from matplotlib.collections import QuadMesh

from bench.draw import style
from bench.draw.map_info import MapInfo
from bench.maps.ambiguity import ambiguity_figure

INFO = MapInfo("no bay", "a marker", "a camera", seed=3, pictures=50, version="0")


def table(shares, predicted):
    return pl.DataFrame(
        [
            {
                "pipeline": name,
                "range_m": range_m,
                "turn_deg": turn,
                "pitch_deg": 0.0,
                "n": 50,
                "n_wrong": shares[name],
                "predicted": predicted[name],
            }
            for name in shares
            for range_m in (10.0, 20.0, 30.0)
            for turn in (10.0, 20.0, 30.0, 40.0)
        ]
    )


@pytest.fixture
def figure():
    cells = table(
        {"one/ippe-lm": 10, "one/photometric": 0}, {"one/ippe-lm": 0.25, "one/photometric": 1e-9}
    )
    with style.applied():
        return ambiguity_figure(cells, INFO)


def panels(figure):
    return [
        a
        for a in figure.axes
        if any(isinstance(c, QuadMesh) for c in a.collections) and a.get_title(loc="left")
    ]


def test_each_solver_has_a_counted_and_a_predicted_panel(figure):
    titles = [axes.get_title(loc="left") for axes in panels(figure)]
    assert titles == ["one/ippe-lm", "one/photometric"] * 2


def test_cells_carry_their_share_in_per_cent_and_none_is_left_blank(figure):
    counted, none, predicted, nothing = (
        {text.get_text() for text in axes.texts if text.get_text()} for axes in panels(figure)
    )
    assert counted == {"20"}
    assert predicted == {"25"}
    assert none == nothing == set()


def test_all_panels_share_one_scale(figure):
    scales = {
        (mesh.norm.vmin, mesh.norm.vmax)
        for axes in panels(figure)
        for mesh in axes.collections
        if isinstance(mesh, QuadMesh)
    }
    assert scales == {(0.01, 0.5)}


def test_caption_says_seed_and_number(figure):
    words = " ".join(text.get_text().replace("\u00a0", " ") for text in figure.texts)
    assert "seed 3" in words
    assert "n = 50" in words
    assert "Q(d/2)" in words


def test_cells_without_a_second_pose_are_hatched():
    cells = table({"one/ippe-lm": 0}, {"one/ippe-lm": float("nan")})
    with style.applied():
        figure = ambiguity_figure(cells, INFO)
    _, predicted = panels(figure)
    assert len(predicted.patches) == 12
