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
    own.write_text('[scene.tilt.too-square]\ntitle = "Straight at you, {tilt}"\n')
    captions = read_captions("en", own)
    said = captions.say("scene.tilt.too-square.title", {"tilt": "0 deg"})
    assert said == "Straight at you, 0 deg"
    same = "scene.tilt.too-steep.title"
    assert captions.texts[same] == read_captions("en").texts[same]


@pytest.mark.parametrize("language", ["en", "de"])
def test_at_an_edge_stand_ten_words_at_most(language):
    texts = read_captions(language).texts
    for key, text in texts.items():
        assert not key.endswith(".mark") or len(text.split()) <= 10, key


def test_a_number_that_is_not_there_is_a_dash():
    assert read_captions("en").say("words.tolerance") == "tolerance –"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('inside = "', 'insode = "', r"unknown key words\.insode; did you mean words\.inside\?"),
        ("mirror = ", "# mirror = ", r"set\.mirror is missing"),
        ("Holds: {within}", "inside {rmse}", r"words\.inside: \{rmse\} is no placeholder"),
        ("Holds: {within}", "inside {rms", r"words\.inside: braces don't match"),
        (
            "Holds: {within}",
            "inside {rms:.9}",
            r"words\.inside: \{rms\} is no placeholder",
        ),
        ("Holds: {within}", "{rms.__class__}", r"is no placeholder"),
        ('decimal = "."', 'decimal = ";"', "decimal: ';' must be"),
        ('decimal = "."', "decimal = 3", "decimal: 3 must be a text"),
        ('mud = "mud"', 'mud = " "', "mud: must have 1 to"),
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
