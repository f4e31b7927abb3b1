"""A bay file is read strictly: every mistake gives one line with file, key, value and limit."""

import pytest

from bench.errors import ConfigError
from bench.scene.load import load_bay

NEEDS_METRES = r"write a number and a unit \(m, cm, mm, um, nm, ft, in\)"
# (what is changed, into what, what the line must say after the file's name)
MISTAKES = {
    "misspelt key": (
        'height = "1 m"',
        'hieght = "1 m"',
        r"unknown key tower\.0\.hieght; did you mean height\? \(and 1 more\)",
    ),
    "misspelt key deep down": (
        'focal_length = "10 mm"',
        'focal_lenght = "10 mm"',
        r"unknown key camera\.focal_lenght; did you mean focal_length\?",
    ),
    "unknown section": (
        "[tolerance]",
        "[zebra]\n[tolerance]",
        r"unknown key zebra; known are ",
    ),
    "key of another kind of target": (
        'size = "200 mm"',
        'size = "200 mm"\nrows = 3',
        r"unknown key target\.rows; known are background, black, dictionary, half_turn, kind",
    ),
    "missing key": ('standoff = "3 m"', "", r"standoff is missing"),
    "bare number": (
        'standoff = "3 m"',
        "standoff = 3",
        rf"standoff: '3' lacks a unit: {NEEDS_METRES}",
    ),
    "wrong unit": (
        'standoff = "3 m"',
        'standoff = "3 deg"',
        rf"standoff: '3 deg': 'deg' is not a unit of length: {NEEDS_METRES}",
    ),
    "wrong unit in a tower": (
        'yaw = "-30 deg"',
        'yaw = "-30 mm"',
        r"tower\.1\.yaw: '-30 mm': 'mm' is not a unit of angle: .*\(deg, ",
    ),
    "negative size": (
        'size = "200 mm"',
        'size = "-200 mm"',
        r"target\.size: '-200 mm' lies outside the limits, from 1 mm to 10 m",
    ),
    "negative height": (
        'height = "1 m"',
        'height = "-1 m"',
        r"tower\.0\.height: '-1 m' lies outside the limits",
    ),
    "zero standoff": ('standoff = "3 m"', 'standoff = "0 m"', r"standoff: '0 m' lies outside"),
    "not a number": ('standoff = "3 m"', 'standoff = "nan m"', r"standoff: 'nan m' can't be read"),
    "infinite fraction": (
        "[tolerance]",
        "[tolerance]\nsuccess = inf",
        r"tolerance\.success: 'inf'",
    ),
    "a certain rate": (
        "[tolerance]",
        "[tolerance]\nsuccess = 1.0",
        r"tolerance\.success: '1\.0' should be less than 1",
    ),
    "text for a number": (
        "width = 2000",
        'width = "2000"',
        r"camera\.width: '2000' must be a whole number",
    ),
    "fraction of a pixel": (
        "width = 2000",
        "width = 2000.5",
        r"camera\.width: '2000\.5' must be a whole number",
    ),
    "truth for a number": (
        "[tolerance]",
        "[tolerance]\nsuccess = true",
        r"tolerance\.success: 'True' must be a number",
    ),
    "no pixels": (
        "width = 2000",
        "width = 0",
        r"camera\.width: '0' should be greater than or equal to 8",
    ),
    "millimetres without pitch": (
        'pixel_pitch = "5 um"',
        "",
        r"camera: focal_length as a length needs pixel_pitch too",
    ),
    "pair for a length": (
        'standoff = "3 m"',
        'standoff = ["3 m"]',
        r"standoff: '\['3 m'\]' can't be read",
    ),
    "plate of one length": (
        'plate = ["300 mm", "400 mm"]',
        'plate = "300 mm"',
        r"target\.plate: '300 mm' must be a list of two",
    ),
    "target larger than its plate": (
        'plate = ["300 mm", "400 mm"]',
        'plate = ["190 mm", "400 mm"]',
        r"target: plate of 190 x 400 mm is smaller than the pattern with its quiet zone",
    ),
    "marker id outside its dictionary": (
        'size = "200 mm"',
        'size = "200 mm"\nmarker_id = 587',
        r"target: .*587",
    ),
    "no such dictionary": (
        'size = "200 mm"',
        'size = "200 mm"\ndictionary = "DICT_9X9"',
        r"target: .*DICT_9X9",
    ),
    "no kind of target": (
        'kind = "marker"',
        "",
        r"target\.kind is missing; .*marker, grid, charuco, circles",
    ),
    "no such kind of target": (
        'kind = "marker"',
        'kind = "star"',
        r"target\.kind: 'star' must be one of marker, grid, charuco, circles",
    ),
    "range inside the near plane": (
        'ranges = "2.5, 5 m"',
        'ranges = "0.25, 5 m"',
        r"survey\.ranges: 0\.25 m is inside the near plane: above 0\.253 m",
    ),
    "turn beyond edge-on": (
        'turns = "0, 45 deg"',
        'turns = "0, 95 deg"',
        r"survey\.turns: '0, 95 deg' lies outside the limits, from -88 deg to 88 deg",
    ),
    "range given twice": (
        'ranges = "2.5, 5 m"',
        'ranges = "2.5, 5, 2.5 m"',
        r"survey: ranges has a value twice",
    ),
    "pipeline without solver": (
        "aruco-subpix/ippe-lm",
        "aruco-subpix",
        r"survey\.pipelines\.0: 'aruco-subpix'",
    ),
    "no pipelines": (
        '["aruco-subpix/ippe-lm"]',
        "[]",
        r"survey\.pipelines: needs at least 1, got 0",
    ),
    "position outside the picture": (
        "[tolerance]",
        "positions = [[0.5, 1.5]]\n[tolerance]",
        r"survey\.positions\.0\.1: '1\.5' should be less than or equal to 1",
    ),
    "same names": ('name = "right"', 'name = "left"', r"two of the towers are called 'left'"),
    "no near axle": (
        'behind = "0 m"',
        'behind = "1 m"',
        r'vehicle\.0: one axle must have behind = "0 m"',
    ),
    "a table for a value": (
        'name = "Round numbers"',
        "name = { a = 1 }",
        r"name: .* should be a valid string",
    ),
    "a value for a table": (
        '[tolerance]\nwithin = "0.1 deg"',
        "tolerance = 3",
        r"unknown key survey\.tolerance",
    ),
    "f-number without pitch": (
        'pixel_pitch = "5 um"\nfocal_length = "10 mm"',
        'focal_length = "2000 px"\noptics.f_number = 4',
        r"camera: optics\.f_number needs pixel_pitch too",
    ),
    "focus without f-number": (
        "height = 1000",
        'height = 1000\noptics.focus_distance = "3 m"',
        r"camera: .*focus_distance needs .*f_number",
    ),
    "hopelessly out of focus": (
        "height = 1000",
        'height = 1000\noptics.focus_distance = "20 mm"\noptics.f_number = 1',
        r"survey\.ranges: .*out of focus",
    ),
    "not TOML": ('standoff = "3 m"', "standoff = 3 m", r"not valid TOML: .*line 3"),
    "key twice": ('standoff = "3 m"', 'standoff = "3 m"\nstandoff = "4 m"', r"not valid TOML"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_gives_one_line_that_names_it(bay_file, mistake):
    old, new, says = MISTAKES[mistake]
    path = bay_file((old, new))
    with pytest.raises(ConfigError, match=says) as caught:
        load_bay(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_a_tower_without_any_camera_is_refused(bay_file):
    camera = (
        '[camera]\nwidth = 2000\nheight = 1000\npixel_pitch = "5 um"\nfocal_length = "10 mm"\n'
    )
    with pytest.raises(ConfigError, match=r"tower\.0\.camera is missing"):
        load_bay(bay_file((camera, "")))


def test_one_tower_is_too_few(bay_file):
    right = '[[tower]]\nname = "right"\noffset = "-2 m"\nheight = "1 m"\nyaw = "-30 deg"\n'
    with pytest.raises(ConfigError, match=r"tower: needs at least 2, got 1"):
        load_bay(bay_file((right, "")))


def test_a_key_of_a_towers_own_camera_is_named_by_its_path(bay_file):
    own = 'height = "1 m"\n[tower.camera]\nwidth = 640\nheight = 480\nfocal_length = "12"\n'
    with pytest.raises(ConfigError, match=r"tower\.0\.camera\.focal_length: '12' lacks a unit"):
        load_bay(bay_file(('height = "1 m"\n', own)))


def test_a_missing_file_a_directory_and_a_picture_are_refused(tmp_path):
    picture = tmp_path / "picture.toml"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n\xff\xfe")
    for path, says in (
        (tmp_path / "none.toml", "No such file"),
        (tmp_path, "Is a directory"),
        (picture, "not a TOML file"),
    ):
        with pytest.raises(ConfigError, match=says) as caught:
            load_bay(path)
        assert str(path) in str(caught.value)


def test_a_file_with_a_byte_order_mark_is_read_as_without(bay_file):
    path = bay_file()
    plain = load_bay(path)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert load_bay(path).digest == plain.digest


def test_another_kind_of_file_in_a_bays_place_is_named(tmp_path):
    for name, text, says in (
        ("plan.toml", '[[pose]]\ndistance = "2 m"\n', "unknown key pose; .* of bar poses"),
        ("measured.toml", '[uncertainty]\nlength = "1 mm"\n', "what was measured on site"),
        ("level.json", '{"kind": "level"}', r"a \.json file was given for one of TOML"),
    ):
        (tmp_path / name).write_text(text)
        with pytest.raises(ConfigError, match=says):
            load_bay(tmp_path / name)


def test_a_huge_file_is_refused_without_being_read_whole(tmp_path):
    path = tmp_path / "huge.toml"
    path.write_bytes(b"#" * 2_000_000)
    with pytest.raises(ConfigError, match="too large"):
        load_bay(path)
