import numpy as np
import pytest
from matplotlib.patches import Rectangle

from bench.cameras.calibration_figures import (
    coverage_figure,
    residual_figure,
    view_figure,
    write_calibration_figures,
)
from bench.cameras.intrinsics import BoardView, Calibration, LensModel
from bench.cameras.intrinsics_views import coverage_counts
from bench.draw import style
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose

CAMERA = Camera(640, 480, 536.0, 536.0, 342.0, 235.0)
LONG = "left-tower/2026-11-25/board held very near to the lower left corner 0001.png"


def _views(n=6, per=40, scale=0.2, seed=0):
    rng = np.random.default_rng(seed)
    pixels = [rng.uniform((150, 60), (600, 440), (per, 2)) for _ in range(n)]
    residuals = [rng.normal(0.0, scale * (6.0 if i == 1 else 1.0), (per, 2)) for i in range(n)]
    return pixels, residuals


def _calibration(n=6, camera=CAMERA):
    pixels, residuals = _views(n)
    views = [BoardView(f"view{i:02d}", uv, np.zeros((len(uv), 3))) for i, uv in enumerate(pixels)]
    poses = tuple(Pose.identity() for _ in range(n))
    rmse = np.array([np.sqrt(np.mean(np.sum(r**2, axis=1))) for r in residuals])
    return views, Calibration(
        camera, LensModel(), np.zeros((9, 9)), poses, tuple(residuals), 0.2, rmse
    )


def _drawn(function, *args):
    with style.applied():
        return function(*args)


def test_residuals_start_where_the_point_was_found_and_are_magnified_as_stated(drawn_texts):
    pixels, residuals = _views(3)
    figure = _drawn(residual_figure, pixels, residuals, np.array([False, True, False]), CAMERA, "")
    words = next(t for t, _ in drawn_texts(figure) if "×" in t)
    factor = float(words.split("×")[1].split()[0])
    lines = [c for c in figure.axes[0].collections if c.get_gid() == "residuals"]
    assert len(lines) == 3
    for collection, uv, r in zip(lines, pixels, residuals, strict=True):
        segments = np.array(collection.get_segments())
        np.testing.assert_allclose(segments[:, 0], uv)
        np.testing.assert_allclose(segments[:, 1] - uv, factor * r)
    colours = [tuple(c.get_color()[0]) for c in lines]
    assert colours[0] == colours[2] != colours[1]


def test_frame_and_scatter_are_drawn_to_one_scale_with_v_down():
    pixels, residuals = _views(3)
    figure = _drawn(residual_figure, pixels, residuals, np.zeros(3, dtype=bool), CAMERA, "")
    for axes in figure.axes:
        box = axes.get_window_extent()
        (u0, u1), (v0, v1) = axes.get_xlim(), axes.get_ylim()
        assert v0 > v1
        # axes lie on whole dots at best: half a dot of a few hundred
        assert box.width / (u1 - u0) == pytest.approx(box.height / (v0 - v1), rel=5e-3)
    everything = np.vstack(residuals)
    assert np.max(np.abs(everything)) < figure.axes[1].get_xlim()[1]


def test_parts_of_the_frame_without_a_point_are_hatched_and_counted(drawn_texts):
    pixels, _ = _views(2, per=20)
    views = [BoardView("v", uv, np.zeros((len(uv), 3))) for uv in pixels]
    counts = coverage_counts(views, (640, 480))
    figure = _drawn(coverage_figure, pixels, counts, CAMERA, 0.66, "")
    empty = int((counts == 0).sum())
    assert empty > 0
    hatched = [p for p in figure.axes[0].findobj(Rectangle) if p.get_hatch()]
    assert len(hatched) == empty
    words = " ".join(t for t, _ in drawn_texts(figure))
    assert f"{empty} of 48 parts hold no point" in words
    assert "66 %" in words
    numbers = [t.get_text().strip() for t in figure.axes[0].texts]
    assert sum(map(int, numbers)) == sum(len(uv) for uv in pixels)


def test_views_that_stand_out_are_hatched_and_named():
    rmse, scores = np.array([0.2, 1.2, 0.25]), np.array([0.0, 8.3, 0.7])
    figure = _drawn(view_figure, ["a", "b", "c"], rmse, scores, 0.7, "")
    bars = figure.axes[0].patches
    np.testing.assert_allclose([b.get_width() for b in bars], rmse)
    assert [bool(b.get_hatch()) for b in bars] == [False, True, False]
    words = [t.get_text() for t in figure.axes[0].texts]
    assert words[1] == "1.200 px, stands out (8.3)"
    assert any("Standing out: b" in t.get_text() for t in figure.texts)


def test_without_a_view_that_stands_out_the_caption_says_so():
    figure = _drawn(view_figure, ["a", "b"], np.ones(2), np.zeros(2), 1.0, "")
    assert any("No view stands out" in t.get_text() for t in figure.texts)


@pytest.mark.parametrize("size", [(640, 480), (2448, 2048), (480, 1280)])
def test_no_text_overlaps_or_leaves_the_page_in_frames_of_any_shape(size, text_faults):
    camera = Camera(*size, 900.0, 900.0, 0.5 * size[0], 0.5 * size[1])
    pixels, residuals = _views(4)
    pixels = [uv / (640, 480) * size for uv in pixels]
    counts = coverage_counts([BoardView("v", uv, np.zeros((40, 3))) for uv in pixels], size)
    striking = np.array([False, True, False, False])
    for figure in (
        _drawn(residual_figure, pixels, residuals, striking, camera, "note"),
        _drawn(coverage_figure, pixels, counts, camera, 0.5, "note"),
    ):
        assert text_faults(figure) == []


@pytest.mark.parametrize("n", [1, 3, 40])
def test_words_beside_bars_keep_apart_whatever_the_number_and_names_of_views(n, text_faults):
    names = [f"{LONG}{i}" for i in range(n)]
    rmse = np.linspace(0.1, 2.0, n)
    figure = _drawn(view_figure, names, rmse, np.linspace(0.0, 5.0, n), 0.7, "note " * 60)
    assert text_faults(figure) == []


def test_perfect_residuals_are_drawn_too():
    pixels, _ = _views(2)
    zero = [np.zeros_like(uv) for uv in pixels]
    _drawn(residual_figure, pixels, zero, np.zeros(2, dtype=bool), CAMERA, "").canvas.draw()
    _drawn(view_figure, ["a", "b"], np.zeros(2), np.zeros(2), 0.0, "").canvas.draw()


def test_all_three_pictures_are_written(tmp_path):
    paths = write_calibration_figures(tmp_path, *_calibration(), note="sightbench 0.1.0")
    assert [p.name for p in paths] == [
        "calibration_residuals.png",
        "calibration_coverage.png",
        "calibration_views.png",
    ]
    assert all(p.stat().st_size > 5000 for p in paths)
