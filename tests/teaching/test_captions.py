"""The catalogues of captions: complete, strict, and named where they're wrong."""

import pytest

from bench.assets import asset
from bench.errors import ConfigError
from bench.teaching.captions import KEYS, languages, read_captions


@pytest.fixture
def english():
    return asset("captions/en.toml").read_text(encoding="utf-8")


def test_two_languages_ship_and_are_complete():
    assert languages() == ("de", "en")
    for language in languages():
        assert set(read_captions(language).texts) == set(KEYS)


def test_numbers_have_the_languages_decimal_mark():
    assert read_captions("en").number(0.0312, "deg") == "0.031 deg"
    # SI Brochure, 9th edition, 5.4.3: a space before each unit but ° of a plane angle
    assert read_captions("de").number(0.0312, "deg") == "0,031°"
    assert read_captions("de").number(8.0, "%") == "8 %"
    assert read_captions("en").number(None, "deg") == read_captions("en").number(float("nan"))
    assert read_captions("en").number(-81.0, "px") == "−81 px"


def test_both_languages_use_the_same_placeholders():
    def used(text):
        return {part.partition("}")[0] for part in text.split("{")[1:]}

    en, de = read_captions("en").texts, read_captions("de").texts
    assert {key for key in KEYS if used(en[key]) != used(de[key])} == set()


def test_a_rewording_replaces_what_it_has(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text('[scene.tilt.face-on]\ntitle = "Straight at you, {tilt}"\n')
    captions = read_captions("en", own)
    assert captions.say("scene.tilt.face-on.title", {"tilt": "0 deg"}) == "Straight at you, 0 deg"
    assert (
        captions.texts["scene.tilt.good.title"]
        == read_captions("en").texts["scene.tilt.good.title"]
    )


def test_a_number_that_is_not_there_is_a_dash():
    assert read_captions("en").say("words.inside") == "inside tolerance: – of –"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('inside = "', 'insode = "', r"unknown key words\.insode; did you mean words\.inside\?"),
        ("[set.mirror]\ntitle", "[set.mirror]\n#", r"set\.mirror\.title is missing"),
        ("inside tolerance: {rms}", "inside {rmse}", r"words\.inside: \{rmse\} is no placeholder"),
        ("inside tolerance: {rms}", "inside {rms", r"words\.inside: braces don't match"),
        (
            "inside tolerance: {rms}",
            "inside {rms:.9}",
            r"words\.inside: \{rms\} is no placeholder",
        ),
        ("inside tolerance: {rms}", "{rms.__class__}", r"is no placeholder"),
        ('decimal = "."', 'decimal = ";"', "decimal: ';' must be"),
        ('decimal = "."', "decimal = 3", "decimal: 3 must be a text"),
        ('frame = "whole picture"', 'frame = " "', "frame: must have 1 to"),
        ("[words]", "[words", "not valid TOML"),
    ],
)
def test_what_is_wrong_with_a_catalogue_is_named(tmp_path, english, old, new, message):
    assert old in english
    own = tmp_path / "own.toml"
    own.write_text(english.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ConfigError, match=message) as caught:
        read_captions("en", own)
    assert "\n" not in str(caught.value)
    assert "own.toml" in str(caught.value)


def test_an_unknown_language_is_named():
    with pytest.raises(ConfigError, match="--language: 'xx' must be one of de, en"):
        read_captions("xx")
