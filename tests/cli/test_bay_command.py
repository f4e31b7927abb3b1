"""`sightbench bay`: what it says, writes and refuses."""

import json

import pytest
import trimesh

from bench.assets import asset
from bench.cli.main import main
from bench.scene.load import SHIPPED_BAY, load_bay


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """Run the command in an empty directory; return exit code, output and error lines."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments):
        code = main(["bay", *arguments])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def test_bare_it_describes_the_shipped_bay(run, tmp_path):
    code, out, err = run()
    assert (code, err) == (0, "")
    assert out.startswith("Training workshop")
    for words in (
        "the outer cameras 3.2 m (10 ft 6 in) apart",
        "left: 1.6 m left of the centre line, 1.1 m high",
        "2448 x 2048 px",
        "marker 36h11-7, 200 mm",
        "long chassis",
        "95 % of pictures usable and within 0.1 deg",
        "Mounts: target 0.28 m outboard of the wheel's centre, turned 35 deg outward",
        "low lift: near axle 2.45 m (8 ft 0 7/16 in) from the tower line, 0.4 m",
        "left lift post: post of 0.28 m diameter, 3.4 m high, 3.6 m behind the tower line",
        # base plates 0.4 m wide about cameras at 1.6 m: 2.8 m; 1.78 + 0.23 = 2.01 m wide
        "2.8 m (9 ft 2 1/4 in) clear; for the widest vehicle, long chassis of 2.01 m, 0.395 m",
        "lenses 8 mm, 12 mm, 16 mm",
        "toe 0.05 deg, camber 0.1 deg, thrust angle 0.05 deg",
    ):
        assert words in out
    assert list(tmp_path.iterdir()) == []


def test_the_starter_file_is_the_shipped_bay_with_ids_by_wheel_and_checks_out(run, tmp_path):
    code, out, _ = run("--new", "my-bay.toml")
    assert (code, out) == (0, "wrote my-bay.toml; check it with: sightbench bay my-bay.toml\n")
    mine = tmp_path / "my-bay.toml"
    shipped = asset(SHIPPED_BAY).read_text(encoding="utf-8").splitlines()
    changed = [
        (theirs, ours)
        for theirs, ours in zip(shipped, mine.read_text("utf-8").splitlines(), strict=True)
        if theirs != ours
    ]
    assert [theirs.removeprefix("# ") for theirs, _ in changed] == [ours for _, ours in changed]
    assert (changed[0][1], len(changed)) == ("[wheel_ids]", 5)
    assert run("my-bay.toml")[0] == 0
    # a comment in the shipped file, so that what was made of it keeps its digest
    assert (bool(load_bay(mine).wheel_targets), load_bay().wheel_targets) == (True, ())


def test_a_starter_file_never_overwrites(run, tmp_path):
    (tmp_path / "mine.toml").write_text("precious")
    code, out, err = run("--new", "mine.toml")
    assert (code, out) == (2, "")
    assert err == "sightbench: --new: mine.toml exists, and is never overwritten\n"
    assert (tmp_path / "mine.toml").read_text() == "precious"


def test_a_starter_file_in_no_directory_is_refused(run):
    code, _, err = run("--new", "none/mine.toml")
    assert code == 2
    assert "none is no directory" in err


def test_the_schema_is_written_where_it_is_wanted(run, tmp_path):
    assert run("--schema")[0] == 0
    assert run("--schema", "--out", "deep/schemas")[0] == 0
    here, there = tmp_path / "bay.schema.json", tmp_path / "deep/schemas/bay.schema.json"
    assert here.read_text() == there.read_text()
    assert json.loads(here.read_text())["properties"]["standoff"]["type"] == "string"


def test_the_description_is_written_where_it_is_wanted(run, tmp_path):
    code, out, _ = run("--out", "description")
    assert code == 0
    assert (tmp_path / "description/bay.txt").read_text() in out
    whole = json.loads((tmp_path / "description/bay.json").read_text())
    facts, bay = whole["value"], load_bay()
    assert whole["sightbench"]["bay"]["digest"] == bay.digest
    assert facts["spacing_m"] == pytest.approx(3.2)
    assert len(facts["wheels"]) == 24  # two stations, three vehicles, four wheels each


def test_a_wheel_outside_the_picture_is_a_negative_verdict(run, tmp_path):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    (tmp_path / "aside.toml").write_text(text.replace('yaw = "12 deg"', 'yaw = "40 deg"'))
    code, out, err = run("aside.toml")
    assert (code, err) == (1, "")
    assert "NOT WHOLLY IN THE PICTURE" in out
    assert "12 of 24 targets aren't wholly in the picture" in out


def test_a_survey_that_misses_the_wheels_ranges_is_told(run, tmp_path):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    cut = text.replace("2.5, 4, 6, 10 m", "3, 5 m")
    (tmp_path / "short.toml").write_text(cut)
    code, out, _ = run("short.toml")
    assert code == 0
    assert "The survey's ranges, 3 m to 5 m, don't cover that" in out


def test_a_schema_comes_with_a_starter_file_when_both_are_asked_for(run, tmp_path):
    assert run("--new", "my.toml", "--schema")[0] == 0
    assert {p.name for p in tmp_path.iterdir()} == {"my.toml", "bay.schema.json"}


@pytest.mark.parametrize("arguments", [["--out", "file"], ["--schema", "--out", "file/sub"]])
def test_a_file_in_place_of_the_directory_is_one_line(run, tmp_path, arguments):
    (tmp_path / "file").write_bytes(b"earlier")
    code, _, err = run(*arguments)
    assert code == 2
    assert err.startswith("sightbench: file")
    assert err.count("\n") == 1
    assert (tmp_path / "file").read_bytes() == b"earlier"


def test_a_full_disk_leaves_no_half_of_a_starter_file(run, tmp_path, monkeypatch):
    def refuse(*arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", refuse)
    code, _, err = run("--new", "my.toml")
    assert (code, err.count("\n")) == (2, 1)
    assert "my.toml: can't be written: No space left on device" in err
    assert list(tmp_path.iterdir()) == []


def test_a_lens_model_that_folds_within_the_picture_is_told(run, tmp_path):
    # r (1 + k1 r²) turns at r = 1 / √(-3 k1) = 0.26, where it is 0.26 · 2/3 = 0.17 (k2 = 0.05
    # hardly matters); the picture's right edge lies at 1224 / 3478 = 0.35
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    (tmp_path / "folded.toml").write_text(text.replace("k1 = -0.07", "k1 = -5"))
    _, out, err = run("folded.toml")
    assert err == ""
    assert "DISTORTION NOT ONE-TO-ONE as far as the picture's edges" in out


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "k1 = -0.07",
            "k1 = -1e300",
            "wrong.toml: camera: distortion must lie within ±1e+06, got",
        ),
        ('"left"      #', '"le\\u001bft" #', "name: 'le ft' must be one line without control"),
    ],
)
def test_numbers_and_names_beyond_reason_are_one_line(run, tmp_path, old, new, says):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "wrong.toml").write_text(text.replace(old, new))
    code, out, err = run("wrong.toml")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert says in err
    assert err[:-1].isprintable()


def test_help_keeps_its_examples_on_lines_of_their_own(run):
    out = run("--help")[1]
    assert "\n    sightbench bay --new my-bay.toml     a starter file to edit\n" in out
    assert "\\b" not in out


def test_a_mistake_is_one_line_and_exit_code_2(run, tmp_path):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    (tmp_path / "wrong.toml").write_text(text.replace("standoff =", "standof =", 1))
    code, out, err = run("wrong.toml")
    assert (code, out) == (2, "")
    assert err == (
        "sightbench: wrong.toml: unknown key standof; did you mean standoff? (and 1 more)\n"
    )


def test_a_lens_that_does_not_keep_all_targets_sharp_is_told(run, tmp_path):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    for stop, words in (
        (8, "which covers that"),
        # f = 12 mm, N c = 2.8 * 3.45 um, s = 4 m: 144 / (144 + 9.66e-3 * 3988) * 4 = 3.156 m
        (2.8, "sharp from 3.156 m to 5.461 m, which DOESN'T COVER that: focused at 3.843 m"),
    ):
        lens = f'sigma = "0.6 px"\nf_number = {stop}\nfocus_distance = "4 m"'
        (tmp_path / "lens.toml").write_text(text.replace('sigma = "0.6 px"', lens))
        code, out, _ = run("lens.toml")
        assert code == 0
        assert words in out


def test_everything_that_may_stand_in_a_bay_is_told(run, tmp_path):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    trimesh.creation.box((800, 600, 1000)).export(tmp_path / "compressor.stl")
    extra = (
        '[[obstacle]]\nkind = "mesh"\nname = "compressor"\nfile = "compressor.stl"\n'
        'scale = 0.001\nposition = ["2 m", "-2.5 m", "0.5 m"]\n'
        '[[obstacle]]\nkind = "vehicle"\nname = "guest"\nvehicle = "small car"\n'
        'position = ["-6.5 m", "2.7 m"]\n'
        '[[obstacle]]\nkind = "box"\nname = "duct"\ncentre = ["0 m", "0 m"]\n'
        'size = ["0.3 m", "6 m", "0.2 m"]\nbottom = "3.5 m"\n'
        '[[station]]\nname = "pit"\nlift = "-0.1 m"\n'
        '[floor]\nalong = "2 mrad"\nacross = "-1 mrad"\n'
        '[[vehicle_family]]\nname = "cars"\ntracks = "1.4, 1.7 m"\nwheelbases = "2.6 m"\n'
        'tyre_radii = "0.3 m"\nmount = { turn = "20 deg", forward = "-1 cm" }\n'
    )
    (tmp_path / "full.toml").write_text(text + extra)
    _, out, err = run("full.toml", "--out", "told")
    assert err == ""
    for words in (
        "compressor: mesh of 12 triangles, 0.8 m x 0.6 m x 1 m, compressor.stl",
        "guest: a small car, its near axle 6.5 m behind the tower line, 2.7 m left of the",
        "duct: box of 0.3 m x 6 m x 0.2 m, 3.5 m above the floor, on the tower line",
        "pit: near axle 2.45 m (8 ft 0 7/16 in) from the tower line, 0.1 m (0 ft",
        "Floor: rises 2 mm/m toward the towers, falls 1 mm/m to the vehicle's left.",
        "cars, track 1.4 m: wheelbase 2.6 m",
        "Mounts of cars, track 1.4 m front; cars, track 1.4 m rear; cars, track 1.7 m front",
        "turned 20 deg outward",
        "0.01 m behind",
    ):
        assert words in out


def test_a_camera_without_pixel_pitch_has_no_words_on_its_lens(run, tmp_path):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    text = text.replace('focal_length = "12 mm"', 'focal_length = "3478 px"')
    text = text.replace('pixel_pitch = "3.45 um"', "").replace('lenses = "8, 12, 16 mm"', "")
    (tmp_path / "pixels.toml").write_text(text)
    code, out, _ = run("pixels.toml")
    assert code == 0
    assert "Lens of" not in out
    assert "lenses the cameras' own" in out
