"""Values of a TOML file changed in place."""

import tomllib

import pytest

from bench.errors import ConfigError
from bench.scene.toml_edit import Edit, edit_toml

TEXT = """\
# a bay
name = "x = y" # its = name
standoff = "2 m"   # metres

[camera]
focal = "12 mm"

[[tower]]
name = "left"
yaw = "1 deg" # inward

[tower.camera]
focal = "8 mm"

[[tower]]
name = "right" # "yaw = 3"
yaw = "2 deg"

[[vehicle]]
name = "a"

[[vehicle.axle]]
name = "front"

[[vehicle.axle]]
name = "rear"

[[vehicle]]
name = "b"

[[vehicle.axle]]
name = "front"
"""


def changed(*edits):
    return edit_toml(TEXT, [Edit(*edit) for edit in edits])


def test_a_value_changes_and_its_comment_stays():
    text = changed(((), "standoff", '"3 m"'))
    assert 'standoff = "3 m"   # metres' in text
    assert len(text.splitlines()) == len(TEXT.splitlines())


@pytest.mark.parametrize(
    ("table", "key", "where"),
    [
        (("camera",), "focal", lambda d: d["camera"]["focal"]),
        (("tower", 0), "yaw", lambda d: d["tower"][0]["yaw"]),
        (("tower", 1), "yaw", lambda d: d["tower"][1]["yaw"]),
        (("tower", 0, "camera"), "focal", lambda d: d["tower"][0]["camera"]["focal"]),
        (("vehicle", 0, "axle", 1), "mount", lambda d: d["vehicle"][0]["axle"][1]["mount"]),
        (("vehicle", 1, "axle", 0), "mount", lambda d: d["vehicle"][1]["axle"][0]["mount"]),
        (("vehicle", 1), "width", lambda d: d["vehicle"][1]["width"]),
        ((), "drive", lambda d: d["drive"]),
    ],
)
def test_only_the_named_value_changes(table, key, where):
    before, after = tomllib.loads(TEXT), tomllib.loads(changed((table, key, '"new"')))
    assert where(after) == "new"
    holder = after
    for step in table:
        holder = holder[step]
    other = before
    for step in table:
        other = other[step]
    if key in other:
        holder[key] = other[key]
    else:
        del holder[key]
    assert after == before


def test_a_table_that_is_not_there_is_refused():
    with pytest.raises(ConfigError, match=r"no table tower\.2"):
        changed((("tower", 2), "yaw", '"1 deg"'))


def test_a_value_over_several_lines_and_a_table_on_one_line_change_too():
    text = "a = [\n1,\n2] # two\nb = {c = 1, d = 2}\n"
    edited = edit_toml(text, [Edit((), "a", "3"), Edit(("b",), "d", "4")])
    assert edited == "a = 3 # two\nb = {c = 1, d = 4}\n"


def test_a_new_key_stands_with_its_table_s_own():
    lines = changed((("camera",), "iris", '"f/8"')).splitlines()
    assert lines[lines.index("[camera]") : lines.index("[[tower]]")] == [
        "[camera]",
        'focal = "12 mm"',
        'iris = "f/8"',
        "",
    ]
