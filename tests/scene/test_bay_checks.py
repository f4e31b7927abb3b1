"""Things that can't stand as a bay file says: one line with key, value, limit and by how much."""

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose

from bench.errors import ConfigError
from bench.scene.load import load_bay
from bench.scene.prism import block, disc, overlap

ROOM = '[room]\nahead = "4 m"\nbehind = "12 m"\nleft = "4 m"\nright = "4 m"\nheight = "4 m"\n'
POST = (
    '[[obstacle]]\nkind = "post"\nname = "post"\ncentre = {}\nradius = "0.2 m"\nheight = "3 m"\n'
)
BOX = '[[obstacle]]\nkind = "box"\nname = "box"\ncentre = {}\nsize = ["1 m", "1 m", "1 m"]\n'
PARKED = '[[obstacle]]\nkind = "vehicle"\nname = "other"\nvehicle = "{}"\nposition = {}\n'
MESH = '[[obstacle]]\nkind = "mesh"\nname = "lump"\nfile = "{}"\n'
LAMP = '[[lamp]]\nname = "lamp"\nposition = ["0 m", "0 m", "4.5 m"]\n'
STATION = '[[station]]\nname = "floor"\n[[station]]\nname = "close"\nstandoff = "{}"\n'
FAMILY = (
    '[[vehicle_family]]\nname = "cars"\ntracks = "{}"\nwheelbases = "2.5 m"\n'
    'tyre_radii = "0.3 m"\n'
)
# towers at (0, 2) and (0, -2), their bases' middles at (0.1, 2) and (0.1, -2), 0.4 m square and
# so from y = 1.8 to 2.2; the cart's near axle at x = -3, its body 1.8 m wide and flush with the
# tyres, its nose at -2.1 and its tail at -7.9
MISTAKES = {
    "tower in a wall": (
        ROOM.replace('left = "4 m"', 'left = "2.1 m"'),
        r"tower\.0: the base plate of tower 'left' is inside the left wall: it reaches 2\.2 m "
        r"from the origin, the left wall is at 2\.1 m, 0\.1 m too far",
    ),
    "tower in the wall ahead": (
        ROOM.replace('ahead = "4 m"', 'ahead = "0.25 m"'),
        r"tower\.0: the base plate of tower 'left' is inside the wall ahead: .* 0\.05 m too far",
    ),
    "a low ceiling": (
        ROOM.replace('height = "4 m"', 'height = "1.6 m"').replace('left = "4 m"', 'left = "9 m"'),
        None,
    ),
    "tower in a post": (
        POST.format('["0.1 m", "-2.1 m"]'),
        r"tower\.1: the base plate of tower 'right' is inside 'post'; they overlap by ",
    ),
    "tower in a box": (
        BOX.format('["0.7 m", "2 m"]'),
        # the base reaches to x = 0.3, the box begins at 0.2; above the plate there is the shaft,
        # which ends at 0.16, so the plate's thickness is what must be lifted
        r"tower\.0: the base plate of tower 'left' is inside 'box'; they overlap by 0\.02 m",
    ),
    "vehicle wider than the bay": (
        ROOM.replace('right = "4 m"', 'right = "0.8 m"'),
        r"room\.right: vehicle 'cart' is wider than the bay: it is 1\.8 m wide, so it needs "
        r"0\.9 m on either side of the centre line and has 0\.8 m, 0\.1 m too little",
    ),
    "vehicle longer than the room": (
        ROOM.replace('behind = "12 m"', 'behind = "7.5 m"'),
        r"room\.behind: vehicle 'cart' at station 'floor' ends 7\.9 m behind the tower line, "
        r"beyond the room's 7\.5 m by 0\.4 m",
    ),
    "lifted through the roof": (
        ROOM + STATION.format("3 m") + 'lift = "2.6 m"\n',
        r"room\.height: vehicle 'cart' at station 'close' is as high as 4\.1 m, beyond the room's "
        r"4 m by 0\.1 m",
    ),
    "vehicle between the towers": (
        STATION.format("10 cm"),
        None,
    ),
    "target in a post": (
        POST.format('["-3 m", "1.2 m"]'),
        r"station\.0: the front left t\w+ of 'cart' at station 'floor' runs into 'post'; they ",
    ),
    "vehicle on a box": (
        BOX.format('["-5 m", "0 m"]'),
        # from the body's underside, 0.15 m, to the box's top, 1 m
        r"station\.0: the body of 'cart' at station 'floor' runs into 'box'; they overlap by "
        r"0\.85 m",
    ),
    "parked in another's place": (
        PARKED.format("cart", '["-3 m", "1 m"]'),
        r"station\.0: the body of 'cart' at station 'floor' runs into 'other'",
    ),
    "parked vehicle misspelt": (
        PARKED.format("crat", '["-3 m", "4 m"]'),
        r"obstacle\.0\.vehicle: the bay has no vehicle 'crat'; did you mean 'cart'\?",
    ),
    "parked vehicle unknown": (
        PARKED.format("zeppelin", '["-3 m", "4 m"]'),
        r"obstacle\.0\.vehicle: the bay has no vehicle 'zeppelin'; there are cart",
    ),
    "obstacle in a wall": (
        ROOM + BOX.format('["2 m", "3.8 m"]'),
        r"obstacle\.0: 'box' is inside the left wall: it reaches 4\.3 m .* 0\.3 m too far",
    ),
    "lamp above the ceiling": (
        ROOM + LAMP,
        r"lamp\.0\.position: 'lamp' is inside the ceiling: it reaches 4\.5 m .* 0\.5 m too far",
    ),
    "target in a wall": (
        ROOM.replace('left = "4 m"', 'left = "2.3 m"') + '[mount]\noutboard = "1.4 m"\n',
        # 0.8 + 1.4 + half a plate of 0.3 m
        r"mount: the front left target of 'cart' .* the left wall: it reaches 2\.35 m",
    ),
    "no such mesh": (
        MESH.format("none.stl"),
        r"obstacle\.0\.file: '/.*/none\.stl' doesn't exist",
    ),
    "mesh of an unknown format": (
        MESH.format("round.toml"),
        r"obstacle\.0\.file: 'round\.toml' is of format 'toml'; formats that can be read are ",
    ),
    "broken mesh": (MESH.format("broken.stl"), r"obstacle\.0\.file: 'broken\.stl' "),
    "mesh without surface": (MESH.format("points.ply"), r"obstacle\.0\.file: 'points\.ply' "),
    "tower in a mesh": (
        MESH.format("block.stl") + 'position = ["0 m", "2 m", "0.5 m"]\n',
        r"tower\.0: the base plate of tower 'left' is inside 'lump'",
    ),
    "mesh in a wall": (
        ROOM + MESH.format("block.stl") + 'position = ["0 m", "-3.9 m", "0.5 m"]\n',
        r"obstacle\.0: 'lump' is inside the right wall: it reaches 4\.4 m",
    ),
    "unknown kind of obstacle": (
        '[[obstacle]]\nkind = "tree"\nname = "oak"\n',
        r"obstacle\.0\.kind: 'tree' must be one of box, post, mesh, vehicle",
    ),
    "obstacle without a kind": (
        '[[obstacle]]\nname = "oak"\n',
        r"obstacle\.0\.kind is missing; it must be one of box, post, mesh, vehicle",
    ),
    "key of another kind of obstacle": (
        POST.format('["5 m", "0 m"]') + 'bottom = "1 m"\n',
        r"unknown key obstacle\.0\.bottom; known are centre, height, kind, name, radius",
    ),
    "size of two": (
        BOX.format('["5 m", "0 m"]').replace('["1 m", "1 m", "1 m"]', '["1 m", "1 m"]'),
        r"obstacle\.0\.size: .* must be a list of three quantities",
    ),
    "interval the wrong way round": (
        '[siting]\nspacing = ["15 ft", "10 ft"]\n',
        r"siting\.spacing: .* must begin with the smaller one",
    ),
    "lens twice": ('[siting]\nlenses = "8, 8 mm"\n', r"siting: lenses has a value twice"),
    "invisible": (
        "[siting]\nvisible = 1.5\n",
        r"siting\.visible: '1\.5' should be less than or equal to 1",
    ),
    "turn that the holder hasn't": (
        '[mount]\nturn = "25 deg"\nturn_presets = "0, 20 deg"\n',
        r"mount: turn of 25 deg is not among turn_presets: 0 deg, 20 deg",
    ),
    "turn outside the holder's range": (
        '[mount]\nturn = "25 deg"\nturn_range = ["0 deg", "20 deg"]\n',
        r"mount: turn of 25 deg is outside turn_range: 0 deg to 20 deg",
    ),
    "presets and a range": (
        '[mount]\npitch_presets = "0, 5 deg"\npitch_range = ["0 deg", "20 deg"]\n',
        r"mount: pitch_presets and pitch_range contradict each other: leave one out",
    ),
    "step without a range": (
        '[mount]\nangle_step = "2 deg"\n',
        r"mount: angle_step needs turn_range or pitch_range",
    ),
    "first station elsewhere": (
        STATION.format("4 m").partition('[[station]]\nname = "close"')[0] + 'standoff = "4 m"\n',
        r"station\.0\.standoff: 4 m must be the bay's standoff, 3 m, or left out",
    ),
    "stations of one name": (
        STATION.format("4 m").replace("close", "floor"),
        r"two of the stations are called 'floor'",
    ),
    "family of too many": (
        FAMILY.format(", ".join(f"1.{i:02}" for i in range(65)) + " m"),
        r"vehicle_family\.0: makes 65 vehicles; up to 64 are allowed",
    ),
    "family called as a vehicle": (
        FAMILY.format("1.5 m").replace('"cars"', '"cart"'),
        r"vehicle_family: two of the vehicles are called 'cart'",
    ),
    "value twice in a family": (
        FAMILY.format("1.5, 1.5 m"),
        r"vehicle_family\.0: tracks has a value twice",
    ),
    "steep floor": (
        '[floor]\nalong = "11 deg"\n',
        r"floor\.along: '11 deg' lies outside the limits, from -10 deg to 10 deg",
    ),
}
FITS = [mistake for mistake, (_, says) in MISTAKES.items() if says is None]


@pytest.fixture
def meshes(tmp_path):
    """Write a cube of one metre, a broken file, and one of points alone beside the bay file."""
    trimesh.creation.box((1.0, 1.0, 1.0)).export(tmp_path / "block.stl")
    (tmp_path / "broken.stl").write_bytes(b"\x00\x01nonsense")
    trimesh.PointCloud(np.eye(3)).export(tmp_path / "points.ply")


@pytest.mark.usefixtures("meshes")
@pytest.mark.parametrize("mistake", [m for m in MISTAKES if m not in FITS])
def test_what_cannot_be_gives_one_line_that_says_by_how_much(bay_file, mistake):
    extra, says = MISTAKES[mistake]
    path = bay_file(extra=extra)
    with pytest.raises(ConfigError, match=says) as caught:
        load_bay(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("what", FITS)
def test_what_is_tight_but_can_be_is_read(bay_file, what):
    # the camera's housing ends 1.05 m up under a roof at 1.6 m, the cart is 1.5 m high; between
    # the towers, whose bases begin at 1.8 m, there is room for a cart with targets, to 1.2 m
    load_bay(bay_file(extra=MISTAKES[what][0]))


def test_a_vehicle_too_wide_to_be_driven_through_is_told_by_how_much(bay_file):
    # the bases begin at 1.8 m: 3.6 m clear; 1.8 m and 2 x 1 m are 3.8 m
    through = ('standoff = "3 m"', 'standoff = "3 m"\ndrive_through = "{}"')
    says = (
        r"drive_through: vehicle 'cart' is too wide to be driven between the towers: with 1 m on "
        r"either side it needs 3\.8 m, the columns leave 3\.6 m about the centre line, 0\.2 m too"
    )
    with pytest.raises(ConfigError, match=says):
        load_bay(bay_file((through[0], through[1].format("1 m"))))
    load_bay(bay_file((through[0], through[1].format("0.9 m"))))  # just


def test_towers_in_one_another_are_refused(bay_file):
    with pytest.raises(ConfigError, match=r"tower\.1\.offset: tower 'right' stands in tower 'le"):
        load_bay(bay_file(('offset = "-2 m"', 'offset = "1.7 m"')))


def test_lenses_need_a_pixel_pitch(bay_file):
    pitch = ('pixel_pitch = "5 um"\nfocal_length = "10 mm"', 'focal_length = "2000 px"')
    with pytest.raises(ConfigError, match=r"siting\.lenses: .* pixel_pitch in the camera of 'l"):
        load_bay(bay_file(pitch, extra='[siting]\nlenses = "8 mm"\n'))


def test_a_bay_without_vehicles_is_refused(bay_file):
    text = bay_file().read_text(encoding="utf-8")
    start, end = text.index("[[vehicle]]"), text.index("[target]")
    path = bay_file((text[start:end], ""))
    with pytest.raises(ConfigError, match=r"vehicle is missing: give a \[\[vehicle\]\] or"):
        load_bay(path)


def test_a_pit_is_a_station_though_its_targets_are_below_the_floor(bay_file):
    pit = '[[station]]\nname = "floor"\n[[station]]\nname = "pit"\nlift = "-1 m"\n'
    assert load_bay(bay_file(extra=ROOM + pit)).stations[1].lift == -1.0


@pytest.mark.parametrize(
    ("other", "depth"),
    [
        (block("beside", (1.5, 0.0), (1.0, 1.0), (0.0, 1.0)), -0.5),
        (block("touching", (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)), 0.0),
        (block("in", (0.7, 0.0), (1.0, 1.0), (0.0, 1.0)), 0.3),
        (block("above", (0.0, 0.0), (1.0, 1.0), (0.9, 2.0)), 0.1),
        # a square on its corner, half a diagonal of 0.7071 m before its middle
        (block("corner", (1.0, 0.0), (1.0, 1.0), (0.0, 1.0), np.pi / 4), 0.5 + 0.5**0.5 - 1.0),
        (disc("disc", (1.0, 0.0), 0.6, 1.0), 0.1),
    ],
)
def test_how_far_blocks_overlap_by_hand(other, depth):
    square = block("square", (0.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    # the disc is the polygon of 48 corners around it, up to 0.6 (1 / cos(pi / 48) - 1) = 1.3 mm
    atol = 1.3e-3 if other.name == "disc" else 1e-12
    assert_allclose([overlap(square, other), overlap(other, square)], depth, atol=atol)
