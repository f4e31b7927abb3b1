"""The cards and sheets of the teaching pictures."""

import dataclasses
import io
import json

import numpy as np
import pytest
from PIL import Image

from bench.draw import style
from bench.registration.plan import default_sequence
from bench.scene.load import load_bay
from bench.teaching import words as illustrate_words
from bench.teaching.captions import read_captions
from bench.teaching.card import (
    DPI,
    HEIGHT,
    PANEL_PX,
    PANEL_Y,
    PANELS_X,
    WIDTH,
    card_figure,
    fitted,
)
from bench.teaching.files import save_illustration
from bench.teaching.illustration import illustrate
from bench.teaching.scenes import REFERENCES, SCENES, SETS, sweep
from bench.teaching.sheet import SHAPES, save_pages, save_sweep, sheets


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
    left = round(PANELS_X[index] * DPI)
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


@pytest.mark.slow
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


def test_a_slide_is_full_hd():
    slide = SHAPES["slide"]
    assert (round(slide.width * DPI), round(slide.height * DPI)) == (1920, 1080)


def test_a_views_files_depend_on_it_alone(tmp_path, bay, shown, captions):
    one = shown["range.double"]
    kinds = ("png", "svg", "pdf")
    files = save_illustration(one, bay, captions, "say this", tmp_path / "a", "view", kinds)
    again = save_illustration(one, bay, captions, "say this", tmp_path / "b", "view", kinds)
    assert [f.name for f in files] == ["view.png", "view.svg", "view.pdf", "view.json"]
    assert [f.read_bytes() for f in files] == [f.read_bytes() for f in again]
    sidecar = json.loads(files[-1].read_text(encoding="utf-8"))
    assert sidecar["command"] == "say this"
    assert sidecar["picture_of"] == one.cases[0]["key"]


def every_outcome(scene):
    """Return each class of outcome that a scene can have."""
    if scene.set == "mirror":
        return ("clear", "doubt", "none", *(() if scene.name == "near-turned" else ("anyway",)))
    if scene.slip_deg:
        return ("alarm", "quiet", "few", "none", "anyway")
    if scene.slip_deg is not None:
        return ("inside", "outside", "unsure", "false", "few", "none")
    if REFERENCES[scene.set] == scene.name:
        return ("inside", "outside", "unsure", "few", "none")
    along = () if scene.lean_deg is not None else ("along",)
    return ("better", "same", "worse", "few", "none", "anyway", "unsure", "outside", *along)


@pytest.fixture(scope="module")
def T_bay_bar(bay):
    return default_sequence(bay)[0].T_bay_bar


def kind_of(one, scene, bay, T_bay_bar):
    """Return a picture of a scene with numbers as long as they come."""
    longest = {
        "n": 1000, "usable": 987, "missed": 100, "mirrored": 100, "unsure": 100, "alarms": 987,
        "rms_along_mm": 0.123, "rms_toe_deg": 0.0123, "mean_camber_deg": 0.0123, "steps": 12,
        "step_shown": 10, "rms_rot_deg": 0.0123, "rmse_px": 0.0123, "runner_up_rmse_px": 0.0234,
        "rms_camber_deg": 0.0123, "slipped_px": 0.077, "roll_spread_deg": 15.0,
    }  # fmt: skip
    errors = {f"err_{name}_deg": 0.0123 for name in ("rot", "camber", "toe")}
    rows = tuple(
        {"key": f"r=1|trial={i}", "outcome": "ok", "err_along_mm": 0.123 + 0.001 * i}
        | {name: value + 1e-4 * i for name, value in errors.items()}
        for i in range(40)
    )
    bar = {"T_before": one.T_camera_target, "T_bay_bar": T_bay_bar}
    if scene.slip_deg is None:
        del longest["alarms"]
    shown = dataclasses.replace(
        one, scene=scene, numbers=longest, cases=rows, tower=bay.towers[0].name, **bar
    )
    name = REFERENCES[scene.set]
    if name == scene.name:
        return shown
    other = next(s for s in SCENES if s.key == f"{scene.set}.{name}")
    return dataclasses.replace(shown, reference=dataclasses.replace(shown, scene=other))


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "de"])
def test_every_text_fits_its_card_whatever_came(bay, language, shown, T_bay_bar, monkeypatch):
    words, one = read_captions(language), shown["tilt.good"]
    for scene in SCENES:
        kind = kind_of(one, scene, bay, T_bay_bar)
        for outcome in every_outcome(scene):
            monkeypatch.setattr(illustrate_words, "outcome_of", lambda *_, is_=outcome: is_)
            text = illustrate_words.said(kind, bay, words)
            # 8 pt is what a page held in hand is read at
            assert fitted(text)[0] >= 8.0, (scene.key, outcome)
            assert "–" not in f"{text.title}{text.result}{text.why}{text.verdict}", scene.key


def test_no_line_ends_between_a_number_and_its_unit(bay, shown, captions):
    texts = illustrate_words.said(shown["range.double"], bay, captions)
    long = dataclasses.replace(texts, why="x " * 40 + "about 0.031 deg and 95 % of 12 px " * 8)
    for line in fitted(long)[2]:
        assert line.split()[0] not in ("deg", "%", "px")


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "de"])
def test_every_card_keeps_within_its_figure(bay, language, shown, T_bay_bar):
    words, one = read_captions(language), shown["tilt.good"]
    for scene in (next(s for s in SCENES[::-1] if s.set == name) for name in SETS):
        with style.applied():
            figure = card_figure(kind_of(one, scene, bay, T_bay_bar), bay, words)
            figure.draw_without_rendering()
            for text in (t for axes in figure.axes for t in axes.texts):
                assert is_within(text.get_window_extent(), figure), (scene.key, text.get_text())


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_two_texts_of_a_schematic_lie_over_each_other(bay, language):
    words = read_captions(language)
    # a little farther than the near axle, so that words come closest to each other
    for scene in (dataclasses.replace(s, times=1.3) for s in SCENES if s.set == "aim"):
        figure = drawn(illustrate(bay, scene, "apriltag/ippe-lm", 1, 1), bay, words)
        boxes = [text.get_window_extent() for text in figure.axes[-1].texts if text.get_text()]
        for i, box in enumerate(boxes):
            assert not any(box.overlaps(other) for other in boxes[:i]), scene.key


@pytest.mark.parametrize("first", [0, 1])
def test_no_text_lies_on_a_leaning_tower_on_either_side(bay, captions, first):
    scene = next(s for s in SCENES if s.key == "plumb.leaning")
    towers = (bay.towers[first], bay.towers[1 - first])
    bay = dataclasses.replace(bay, towers=towers)
    diagram = drawn(illustrate(bay, scene, "apriltag/ippe-lm", 1, 1), bay, captions).axes[-1]
    # the tower is the thickest line
    tower = max(diagram.lines, key=lambda line: line.get_linewidth())
    ends = diagram.transData.transform(tower.get_xydata())
    along = ends[0] + np.linspace(0.0, 1.0, 50)[:, None] * (ends[1] - ends[0])
    for text in diagram.texts:
        box = text.get_window_extent()
        assert not any(box.contains(*point) for point in along), text.get_text()


def drawn(one, bay, captions):
    with style.applied():
        figure = card_figure(one, bay, captions)
        figure.draw_without_rendering()
    return figure
