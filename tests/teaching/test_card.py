"""Slides, cards and handouts of the teaching pictures."""

import dataclasses
import io
import json

import numpy as np
import pytest
from PIL import Image

from bench.draw import style
from bench.draw.prints import FORMATS
from bench.files import write_atomically
from bench.registration.plan import default_sequence
from bench.scene.load import load_bay
from bench.teaching import files
from bench.teaching import words as teaching_words
from bench.teaching.captions import OUTCOMES, read_captions
from bench.teaching.files import (
    SHAPES,
    Job,
    illustration_bytes,
    save_sweep,
    stored_cases,
    write_handout,
    write_notes,
    write_picture,
)
from bench.teaching.illustration import Making, illustrate
from bench.teaching.scenes import SCENES, good_of, sweep
from bench.teaching.sets import SETS
from bench.teaching.slide import CARD, DPI, card_figure, slide_figure, wrapped
from bench.teaching.steepest import advice_figure

MAKING = Making("apriltag/ippe-lm", 1, 1)


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


@pytest.fixture(scope="module")
def shown(bay):
    return illustrate(bay, next(one for one in SCENES if one.key == "range.too-far"), MAKING)


@pytest.fixture(scope="module")
def captions():
    return read_captions("en")


@pytest.fixture
def job(tmp_path, bay, captions):
    return Job(tmp_path, None, bay, MAKING, "en", captions)


@pytest.fixture
def undrawn(monkeypatch):
    """Files whose content is no matter here: drawing them takes most of the time."""

    def save(figure, directory, stem):
        paths = [directory / f"{stem}.{kind}" for kind in FORMATS]
        for path in paths:
            write_atomically(path, stem.encode())
        return paths

    monkeypatch.setattr(files, "save_print", save)
    monkeypatch.setattr(files, "slide_figure", lambda *_: None)


def dots(figure):
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=figure.dpi)
    return np.asarray(Image.open(buffer).convert("L"))


def drawn(figure):
    figure.draw_without_rendering()
    return [text for axes in figure.axes for text in axes.texts if text.get_text()]


def test_a_slide_is_full_hd_and_shows_each_pixel_as_whole_dots(bay, shown, captions):
    with style.applied():
        image = dots(slide_figure(shown, bay, captions))
    assert image.shape == (1080, 1920)
    factor = 396 // max(shown.picture.grey.shape)
    assert factor >= 3
    patch = np.kron(shown.picture.grey8[3:9, 3:9], np.ones((factor, factor), dtype=np.uint8))
    windows = np.lib.stride_tricks.sliding_window_view(image[:, 960:1400], patch.shape)
    assert np.any(np.all(windows == patch, axis=(2, 3)))


def test_what_is_enlarged_lies_in_the_picture(bay, shown, captions):
    with style.applied():
        figure = slide_figure(shown, bay, captions)
    for axes in figure.axes:
        if axes.images:
            left, right, low, high = axes.images[0].get_extent()
            assert left <= axes.get_xlim()[0] < axes.get_xlim()[1] <= right
            assert high <= axes.get_ylim()[1] < axes.get_ylim()[0] <= low


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "de"])
def test_no_text_of_a_slide_leaves_it_or_lies_over_another(bay, language, shown, monkeypatch):
    words = read_captions(language)
    for scene in SCENES:
        if good_of(scene) is None:
            continue
        pair = kind_of(shown, scene, bay)
        monkeypatch.setattr(teaching_words, "outcome_of", lambda *_: max(OUTCOMES, key=len))
        with style.applied():
            figure = slide_figure(pair, bay, words)
            texts = drawn(figure)
            boxes = [text.get_window_extent() for text in texts]
            for i, (text, box) in enumerate(zip(texts, boxes, strict=True)):
                inside = box.x0 >= 0 and box.y0 >= 0 and box.x1 <= 1920 and box.y1 <= 1080
                assert inside, (scene.key, text.get_text())
                assert text.get_fontsize() >= 7.5, (scene.key, text.get_text())
                for other, over in zip(texts[:i], boxes[:i], strict=True):
                    # a hair of bounding boxes, which are taller than letters
                    across = min(box.x1, over.x1) - max(box.x0, over.x0)
                    down = min(box.y1, over.y1) - max(box.y0, over.y0)
                    both = (scene.key, text.get_text(), other.get_text())
                    assert across < 4 or down < 6, both


def kind_of(shown, scene, bay):
    """Return a pair of a scene with numbers as long as they come."""
    rows = tuple(
        {"key": f"{i}", "outcome": "ok", "err_along_mm": 0.123 + 0.001 * i}
        | {f"err_{name}_deg": 0.123 + 1e-3 * i for name in ("rot", "camber", "toe")}
        for i in range(40)
    )
    numbers = shown.numbers | {
        "n": 1000, "usable": 987, "missed": 100, "wrong_id": 100, "mirrored": 100, "unsure": 100,
        "rms_along_mm": 0.123, "rms_toe_deg": 0.0123, "rms_camber_deg": 0.0123, "steps": 12,
        "step_shown": 10, "slipped_px": 0.77, "as_built": True,
    }  # fmt: skip
    T = default_sequence(bay)[0].T_bay_bar if scene.slip is not None else None
    like = dataclasses.replace(shown, scene=scene, numbers=numbers, cases=rows, T_bay_bar=T)
    if scene.slip is not None:
        like = dataclasses.replace(
            like, numbers=numbers | {"alarms": 987}, T_before=shown.T_camera_target
        )
    good = good_of(scene).model_copy(update={"astray": scene.astray})
    return dataclasses.replace(
        like, reference=dataclasses.replace(like, scene=good, reference=None)
    )


def test_the_lesson_is_the_largest_text_and_numbers_the_smallest(bay, shown, captions):
    with style.applied():
        texts = drawn(slide_figure(shown, bay, captions))
    size = {" ".join(text.get_text().split()): text.get_fontsize() for text in texts}
    said = teaching_words.said(shown, bay, captions)
    assert size[said.lesson] == max(size.values())
    assert size[said.numbers] == min(size.values())


def test_an_empty_bar_says_how_many_pictures_were_usable(bay, shown, captions):
    with style.applied():
        texts = {text.get_text() for text in drawn(slide_figure(shown, bay, captions))}
    usable = {one.numbers["usable"] for one in (shown, shown.reference)}
    assert usable == {0, 1}  # of one picture each
    assert {f"{n} usable: too few" for n in usable} <= texts


@pytest.mark.parametrize("text", ["Turn it", "Turn it.", "Turn it!", ""])
def test_what_a_trainer_says_ends_where_it_should(text):
    assert teaching_words.sentence(text) == {"Turn it": "Turn it."}.get(text, text)


def test_no_line_ends_between_a_number_and_its_unit():
    for line in wrapped("x " * 40 + "about 0.031 deg and 95 % of 12 px " * 8, 4.0, 9.0):
        assert line.split()[0] not in ("deg", "%", "px")


@pytest.mark.slow
def test_a_handout_has_the_papers_size_and_its_slides_and_notes_as_text(job, shown):
    import pypdfium2

    for shape, (width, height) in SHAPES.items():
        path = write_handout([shown] * 3, shape, job)
        pdf = pypdfium2.PdfDocument(path)
        assert len(pdf) == 2
        page = pdf[0]
        np.testing.assert_allclose(page.get_size(), (72 * width, 72 * height), atol=0.5)
        text = page.get_textpage().get_text_bounded()
        assert "Few pixels, poor angle" in text.replace("\r\n", " ")
        assert "The same error of a corner" in text.replace("\r\n", " ")
        first = path.read_bytes()
        assert write_handout([shown] * 3, shape, job).read_bytes() == first


def test_notes_say_what_to_show_to_ask_and_to_say(job, shown):
    text = write_notes([shown], job).read_text(encoding="utf-8")
    for part in ("Ask first", "Show, good:", "Show, bad:", "Say: Few pixels", "Numbers, bad:"):
        assert part in text


def test_a_finished_slide_is_not_drawn_again_and_its_cases_are_known(job, shown, undrawn):
    made = write_picture(shown, job)
    assert [f.suffix for f in made] == [".png", ".svg", ".pdf", ".json"]
    times = [f.stat().st_mtime_ns for f in made]
    assert write_picture(shown, job) == made
    assert [f.stat().st_mtime_ns for f in made] == times
    known = stored_cases(job.out)
    assert {shown.made_of, shown.reference.made_of} == set(known)
    assert tuple(known[shown.made_of]) == shown.cases
    (job.out / "other.json").write_text("{ damaged")
    assert set(stored_cases(job.out)) == set(known)
    made[0].unlink()
    write_picture(shown, job)
    assert made[0].exists()


@pytest.mark.slow
def test_a_card_of_ones_own_view_depends_on_it_alone(bay, shown, captions):
    alone = dataclasses.replace(shown, reference=None)
    first = illustration_bytes(alone, bay, captions)
    assert first == illustration_bytes(alone, bay, captions)
    with Image.open(io.BytesIO(first)) as card:
        assert card.size == (round(CARD[0] * DPI), round(CARD[1] * DPI))


@pytest.mark.slow
def test_the_sweep_moves_there_and_back_with_its_words_in_place(job, bay, captions):
    frames = [illustrate(bay, s, MAKING) for s in sweep()[::5]]
    frames = [dataclasses.replace(one, reference=None) for one in frames]
    with Image.open(save_sweep(frames, job)) as film:
        assert film.n_frames == 2 * len(frames) - 2
        assert film.info["loop"] == 0
    places = []
    for one in frames:
        with style.applied():
            figure = card_figure(one, bay, captions, "tilt.sweep")
            lesson = captions.texts["scene.tilt.sweep.lesson"]
            text = next(t for t in drawn(figure) if t.get_text().replace("\n", " ") == lesson)
            places.append(tuple(text.get_window_extent().bounds))
    assert len(set(places)) == 1
    with style.applied():
        texts = [t.get_text() for t in drawn(advice_figure(frames, bay, captions))]
        assert captions.texts["words.steepest"] in texts


def test_sidecars_are_json_whatever_is_not_a_number(job, shown, undrawn):
    path = write_picture(dataclasses.replace(shown, turn_deg=float("nan")), job)[-1]
    content = json.loads(path.read_text(encoding="utf-8"))
    assert content["pictures"][1]["view"]["turn_deg"] is None
    assert set(SETS) >= {content["pictures"][0]["set"]}
