"""The cards and sheets of the teaching pictures."""

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

from bench.guide.illustrate_captions import read_captions
from bench.guide.illustrate import illustrate
from bench.guide.illustrate_scenes import SCENES, sweep
from bench.present import style
from bench.present.illustration import DPI, HEIGHT, LEFT, PANEL_PX, PANEL_Y, WIDTH, card_figure
from bench.present.illustration_sheet import SHAPES, save_pages, save_sweep, sheets
from bench.scene.load import load_bay


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


@pytest.fixture(scope="module")
def shown(bay):
    keys = ("tilt.face-on", "tilt.good", "tilt.steep", "tilt.edge-on", "range.double")
    scenes = [scene for scene in SCENES if scene.key in keys]
    return {s.key: illustrate(bay, s, "apriltag/ippe-lm", 1, 1) for s in scenes}


@pytest.fixture(scope="module")
def captions():
    return read_captions("en")


def dots(figure):
    buffer = io.BytesIO()
    with style.applied():
        figure.savefig(buffer, format="png", dpi=figure.dpi)
    return np.asarray(Image.open(buffer).convert("L"))


def is_within(box, figure):
    low = min(box.x0, box.y0)
    return low >= 0 and box.x1 <= figure.bbox.x1 and box.y1 <= figure.bbox.y1


def panel(image, index):
    """Return a panel's dots."""
    gap = 0.5 * (WIDTH - 3 * 1.8 - 0.3)
    left = round((LEFT + index * (1.8 + gap)) * DPI)
    low = round(PANEL_Y * DPI)
    return image[image.shape[0] - low - PANEL_PX : image.shape[0] - low, left : left + PANEL_PX]


def contains(image, patch):
    """Tell whether a patch (H, W) is somewhere in an image, dot for dot."""
    windows = np.lib.stride_tricks.sliding_window_view(image, patch.shape)
    return bool(np.any(np.all(windows == patch, axis=(2, 3))))


def test_the_first_panel_is_the_picture_dot_for_dot(bay, shown, captions):
    one = shown["range.double"]
    with style.applied():
        image = dots(card_figure(one, bay, captions))
    assert image.shape == (round(HEIGHT * DPI), round(WIDTH * DPI))
    middle = one.picture.grey8[20:60, 20:60]
    assert contains(panel(image, 0), middle)


def test_the_second_panel_repeats_each_pixel(bay, shown, captions):
    one = shown["range.double"]
    with style.applied():
        image = dots(card_figure(one, bay, captions))
    factor = PANEL_PX // max(one.picture.grey.shape)
    patch = np.kron(one.picture.grey8[30:40, 30:40], np.ones((factor, factor), dtype=np.uint8))
    assert factor >= 3
    assert contains(panel(image, 1), patch)


@pytest.mark.parametrize("name", SHAPES)
def test_a_sheet_has_the_pages_size_and_keeps_within_it(bay, shown, captions, name):
    shape = SHAPES[name]
    of_set = [one for key, one in shown.items() if key.startswith("tilt.")]
    with style.applied():
        figures = sheets(of_set, shape, bay, captions, {"bay": bay.name})
        assert len(figures) == -(-4 // (shape.across * shape.down))
        for figure in figures:
            assert tuple(figure.get_size_inches()) == (shape.width, shape.height)
            figure.draw_without_rendering()
            for text in (*figure.texts, *(t for axes in figure.axes for t in axes.texts)):
                assert is_within(text.get_window_extent(), figure), text.get_text()


def test_pages_become_one_pdf_and_numbered_pictures(tmp_path, bay, shown, captions):
    of_set = [one for key, one in shown.items() if key.startswith("tilt.")]
    with style.applied():
        figures = sheets(of_set, SHAPES["a4"], bay, captions, {})
    files = save_pages(figures, tmp_path, "tilt-a4")
    names = {"tilt-a4-1.png", "tilt-a4-1.svg", "tilt-a4-2.png", "tilt-a4-2.svg", "tilt-a4.pdf"}
    assert {file.name for file in files} == names == {file.name for file in tmp_path.iterdir()}
    first = (tmp_path / "tilt-a4.pdf").read_bytes()
    with style.applied():
        figures = sheets(of_set, SHAPES["a4"], bay, captions, {})
    save_pages(figures, tmp_path, "tilt-a4")
    assert (tmp_path / "tilt-a4.pdf").read_bytes() == first


def test_the_sweep_moves_there_and_back(tmp_path, bay, captions):
    frames = [illustrate(bay, s, "apriltag/ippe-lm", 1, 1) for s in sweep()[:12:4]]
    with Image.open(save_sweep(frames, bay, captions, tmp_path / "sweep.gif")) as film:
        assert film.n_frames == 2 * len(frames) - 2
        assert film.size == (round(WIDTH * DPI), round(HEIGHT * DPI))
        assert film.info["loop"] == 0


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_caption_fits_its_card(bay, language, shown):
    words = read_captions(language)
    one = shown["tilt.good"]
    for scene in SCENES:
        numbers = dict(one.numbers) | {"rms_toe_deg": 0.0123, "alarms": 40}
        numbers |= {"mean_camber_deg": 0.0123, "rms_camber_deg": 0.0123, "slipped_px": 0.77}
        kind = dataclasses.replace(one, scene=scene, numbers=numbers, tower=bay.towers[0].name)
        with style.applied():
            figure = card_figure(kind, bay, words)
            figure.draw_without_rendering()
            for text in (t for axes in figure.axes for t in axes.texts):
                assert is_within(text.get_window_extent(), figure), (scene.key, text.get_text())
