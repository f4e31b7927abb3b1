"""A bay book's stages: done, out of date, against the bay, rehearsed, open; what comes next."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest

from bench.budget.measured import Measured, checked
from bench.cameras.lenses import PARAMETERS
from bench.cameras.result import read_calibration
from bench.cli.main import main
from bench.envelope import read_sealed
from bench.scene.camera_value import camera_value
from bench.scene.load import load_bay
from bench.scene.parts import bay_parts

AIM = {
    "holds": True,
    "failures": [],
    "sightings": [{"over_tolerance": 0.4}],
    "basis": "a bound",
}
CAMERA = {"width": 2448, "height": 2048, "fx": 3478.0, "fy": 3478.0, "cx": 1223.5, "cy": 1023.5}
CALIBRATION = {"camera": CAMERA, "sigma_px": 0.05, "pictures": 12}
BUDGET = {
    "verdict": "inside",
    "words": ["Inside tolerance: all angles."],
    "measured": {"registration": "r", "level": "l"},
}


def described(whole=True):
    return {"wheels": [{"whole": whole}]}


def test_a_new_book_begins_with_the_check_of_its_bay_file(book):
    found = book.read()
    assert {one.state for one in found.standings} == {"open"}
    assert found.next.name == "bay"
    assert found.next.command == (
        "sightbench",
        "bay",
        str(book.bay),
        "--out",
        str(book.path / "bay"),
    )


def test_a_result_makes_its_stage_done_until_the_bay_file_changes(book):
    book.put("bay/bay.json", "description of a bay", described())
    assert book.stage("bay").state == "done"
    book.edit("# What `sightbench map` looks at;", "# Another comment;")
    assert book.stage("bay").state == "done"
    book.edit('standoff = "2.45 m"', 'standoff = "2.5 m"')
    stale = book.stage("bay")
    assert stale.state == "stale"
    assert "bay.toml" in stale.words
    assert stale.command


def test_a_result_is_found_wherever_it_lies(book):
    book.put("2030/january/odd name/x.json", "description of a bay", described())
    assert book.stage("bay").state == "done"


def test_a_later_siting_of_another_bay_is_passed_over(book, tmp_path):
    other = tmp_path / "other.toml"
    other.write_text(book.bay.read_text().replace('standoff = "2.45 m"', 'standoff = "2.6 m"'))
    for folder, bay in (("site", book.bay), ("stray", other)):
        book.put(f"{folder}/site.json", "siting", {}, of=bay)
        shutil.copy(bay, book.path / folder / "sited.toml")
    assert book.read().files.plan.path.parent.name == "site"


def test_an_edit_elsewhere_leaves_a_registration_good_and_one_of_the_bar_does_not(book):
    book.register()
    assert book.stage("registered").state == "done"
    book.edit("trials = 100 #", "trials = 90 #")
    assert book.stage("registered").state == "done"
    book.edit("# [bar]", '[bar]\nlength = "1.7 m"')
    stale = book.stage("registered")
    assert stale.state == "stale"
    assert "another bar" in stale.words


def test_a_registration_of_another_bay_with_the_same_bar_is_told_by_its_name_or_doubted(book):
    book.register()
    assert not book.stage("registered").notes
    book.edit('standoff = "2.45 m"', 'standoff = "2.5 m"')
    like = book.stage("registered")
    assert "another bay's: that can't be told" in like.notes[0]
    book.edit('name = "Training workshop"', 'name = "South bay"')
    other = book.stage("registered")
    assert other.state == "stale"
    assert "made for Training workshop (bay.toml), not for South bay" in other.words


def test_a_registration_whose_cameras_were_calibrated_here_is_in_no_doubt(book):
    used = CAMERA | {"pixel_pitch": None}
    book.put("camera-left/calibration.json", "calibration", CALIBRATION, parts={})
    book.register(cameras={"left": used})
    book.edit('standoff = "2.45 m"', 'standoff = "2.5 m"')
    assert not book.stage("registered").notes


def test_a_level_found_with_an_earlier_registration_is_out_of_date(book):
    first = read_sealed(book.register()).head.value_digest
    level = {
        "found": "up against gravity",
        "towers": {"left": {}},
        "chi_square": 3.0,
        "degrees": 4,
    }
    book.put(
        "level/level.json",
        "level",
        level,
        "sightbench level solve measured.csv",
        parts={"registration": first},
    )
    assert book.stage("level").state == "done"
    book.register("register-2", p_value=0.5)
    stale = book.stage("level")
    assert stale.state == "stale"
    assert "another registration" in stale.words


def test_a_level_whose_rows_contradict_each_other_speaks_against(book):
    level = {"found": "up", "towers": {"left": {}}, "chi_square": 60.0, "degrees": 4}
    book.put("level/level.json", "level", level, "sightbench level solve measured.csv", parts={})
    assert book.stage("level").state == "fails"


def test_a_level_is_rehearsed_for_its_sheets_before_the_bar_is_laid(book):
    assert book.stage("level").command[1:3] == ("level", "rehearse")
    sheets = book.path / "level-plan"
    sheets.mkdir()
    (sheets / "level-sheet-a4.pdf").write_text("")
    found = book.stage("level")
    assert found.command[1:3] == ("level", "solve")
    assert str(book.path / "level" / "measured.csv") in found.todo


@pytest.mark.parametrize("options", ["", "--table register/rehearsal.csv"])
def test_a_rehearsed_registration_is_no_measured_one(book, options):
    book.register(options=options)
    assert book.stage("registered").state == "rehearsed"


def test_a_failed_check_speaks_against_and_a_repeat_goes_beside_it(book):
    book.register(failed_checks=["a target slipped"])
    failed = book.stage("registered")
    assert failed.state == "fails"
    assert "a target slipped" in failed.words
    assert failed.command[-1] == str(book.path / "register-2")
    book.register("register-2")
    repeated = book.stage("registered")
    assert repeated.state == "done"
    assert "earlier" in repeated.notes[0]
    assert "a target slipped" in repeated.notes[0]


def test_a_tower_that_moved_since_takes_the_registration_along(book):
    book.register()
    book.put("proof/moved-result.json", "moved result", {"verdict": "moved"})
    assert "moved since" in book.stage("registered").words


def test_a_registration_with_another_camera_than_was_calibrated_is_out_of_date(book):
    used = {"left": CAMERA | {"fx": 3400.0, "pixel_pitch": None}}
    book.register(cameras=used)
    assert book.stage("registered").state == "done"
    book.put("camera-left/calibration.json", "calibration", CALIBRATION, parts={})
    assert "another left camera" in book.stage("registered").words


def test_cameras_are_told_by_their_folders_and_must_be_those_of_the_bay_file(book):
    given = "sightbench intrinsics shots --board x"
    book.put("camera-left/calibration.json", "calibration", CALIBRATION, given, parts={})
    half = book.stage("camera")
    assert half.state == "open"
    assert "right: not calibrated" in half.words
    assert "camera-right" in half.command[-1]
    book.put("camera-right/calibration.json", "calibration", CALIBRATION, given, parts={})
    assert book.stage("camera").state == "done"
    other = CALIBRATION | {"camera": CAMERA | {"width": 640}}
    book.put("camera-right-2/calibration.json", "calibration", other, given, parts={})
    assert book.stage("camera").state == "stale"
    book.put("camera/calibration.json", "calibration", CALIBRATION, given, parts={})
    assert any("whose?" in note for note in book.stage("camera").notes)


def sited(book):
    shutil.copy(book.bay, book.path / "sited.toml")
    (book.path / "site").mkdir()
    shutil.move(book.path / "sited.toml", book.path / "site" / "sited.toml")
    layout = {"spacing_m": 3.2, "height_m": 1.1}
    value = {"feasible": True, "over_tolerance": 0.5, "layout": layout, "sited_digest": "x"}
    book.put("site/site.json", "siting", value)
    return book.path / "site" / "sited.toml"


def built(book, plan, verdict, folder="as-built"):
    value = {
        "verdict": verdict,
        "words": ["The bay as built.", "Smallest single correction: yaw by -1.10 deg."],
    }
    book.put(f"{folder}/as_built.json", "bay as built", value, of=plan)
    shutil.copy(plan, book.path / folder / "as-built-bay.toml")


def test_a_layout_outside_tolerance_speaks_against(book):
    sited(book)
    assert book.stage("sited").state == "done"
    value = {"feasible": True, "over_tolerance": 1.5, "layout": {"spacing_m": 3, "height_m": 1}}
    book.put("site-2/site.json", "siting", value)
    assert book.stage("sited").state == "fails"


def test_a_bay_that_was_built_wrong_is_corrected_and_measured_again(book):
    plan = sited(book)
    assert book.stage("built").command[2] == str(plan)
    assert "--template" in book.stage("built").command
    built(book, plan, "fails")
    wrong = book.stage("built")
    assert wrong.state == "fails"
    assert any("yaw by -1.10 deg" in note for note in wrong.notes)
    assert str(book.path / "as-built-2") in wrong.command
    built(book, plan, "holds", "as-built-2")
    assert book.stage("built").state == "done"
    assert "earlier, as-built/as_built.json" in book.stage("built").notes[0]


def test_an_aim_check_counts_for_the_bay_as_built_alone(book):
    plan = sited(book)
    book.put("aim/aim.json", "aim", AIM, of=plan)
    assert book.stage("aimed").state == "open"
    built(book, plan, "holds")
    assert book.stage("aimed").state == "done"  # it was built exactly as planned
    as_built = book.path / "as-built" / "as-built-bay.toml"
    as_built.write_text(as_built.read_text().replace('offset = "1.6 m"', 'offset = "1.61 m"'))
    assert book.stage("aimed").state == "stale"


def test_siting_again_takes_what_was_built_along(book):
    plan = sited(book)
    built(book, plan, "holds")
    plan.write_text(plan.read_text().replace('offset = "1.6 m"', 'offset = "1.7 m"'))
    assert book.stage("built").state == "stale"
    assert any("changed by hand" in note for note in book.stage("sited").notes)


def test_a_budget_counts_when_it_stands_on_what_was_measured(book):
    book.put("budget/budget.json", "budget", BUDGET | {"measured": {}})
    rehearsed = book.stage("budget")
    assert rehearsed.state == "rehearsed"
    assert "level, registration" in rehearsed.notes[0]
    book.put("budget-2/budget.json", "budget", BUDGET)
    assert book.stage("budget").state == "done"
    book.put("budget-3/budget.json", "budget", BUDGET | {"verdict": "outside"})
    assert book.stage("budget").state == "fails"


def test_proofs_need_a_length_and_repeated_readings(book):
    length = {"verdict": "holds", "words": ["The lengths hold."]}
    book.put("proof/length-result.json", "length result", length)
    assert book.stage("proven").state == "open"
    verdicts = {name: {"verdict": "inside", "words": name} for name in ("toe", "camber")}
    book.put("proof/repeat-result.json", "repeat result", verdicts)
    assert book.stage("proven").state == "done"
    bad = length | {"verdict": "doesn't hold"}
    book.put("proof-2/length-result.json", "length result", bad)
    assert book.stage("proven").state == "fails"


def test_a_copied_folder_says_the_same(book, tmp_path):
    book.put("bay/bay.json", "description of a bay", described())
    book.register()
    there = tmp_path / "elsewhere" / "copy"
    shutil.copytree(book.path, there)
    from bench.book.book import read_book

    here, copied = book.read(), read_book(there)
    assert [(one.state, one.words) for one in here.standings] == [
        (one.state, one.words) for one in copied.standings
    ]
    assert here.digest == copied.digest


def test_a_bay_file_that_cannot_be_read_is_the_first_thing_to_mend(book):
    book.register()
    book.edit('standoff = "2.45 m"', "standoff = 2.45")
    found = book.read()
    assert found.next.name == "bay"
    assert found.next.state == "fails"
    assert "standoff" in found.next.words


def test_a_result_that_lacks_what_its_kind_holds_is_said_so(book):
    book.put("bay/bay.json", "description of a bay", {"something": "else"})
    odd = book.stage("bay")
    assert odd.state == "open"
    assert "isn't what its command writes" in odd.words


def test_every_printed_command_is_one_that_the_command_line_knows(book, capsys):
    plan = sited(book)
    commands = {one.command for one in book.read().standings}
    built(book, plan, "fails")
    (book.path / "register").mkdir()
    (book.path / "register" / "plan.toml").write_text("")
    (book.path / "proof").mkdir()
    for name in ("length-readings.csv", "repeat-readings.csv"):
        (book.path / "proof" / name).write_text("")
        commands |= {one.command for one in book.read().standings}
    for command in commands - {()}:
        names = [word for word in command[1:4] if "/" not in word and not word.startswith("-")]
        assert main([*names, "--help"]) == 0
        known = capsys.readouterr().out
        options = [word for word in command if word.startswith("--")]
        assert [one for one in options if one not in known] == []


def test_json_holds_the_very_command(book, tmp_path, capsys):
    assert main(["book", str(book.path), "--out", str(tmp_path / "state")]) == 0
    said = capsys.readouterr().out
    value = json.loads((tmp_path / "state" / "book.json").read_text())["value"]
    assert value["next"] == "bay"
    assert value["next_command"] in said
    assert "'" in value["next_command"]  # the folder's name has a space
    text = (tmp_path / "state" / "book.txt").read_text()
    assert value["next_command"] in text


def test_what_was_made_with_calibrated_cameras_is_of_this_bay(book):
    bay = load_bay(book.bay)
    calibrations = {}
    for side in ("left", "right"):
        camera = replace(bay.towers[0].camera, fx=3490.0, fy=3490.0, pixel_pitch=None)
        value = {
            "camera": camera_value(camera).model_dump(),
            "parameters": list(PARAMETERS),
            "free": [],
            "covariance": np.zeros((9, 9)).tolist(),
            "sigma_px": 0.05,
            "board": "a board",
            "pictures": 12,
        }
        place = f"camera-{side}/calibration.json"
        path = book.put(place, "calibration", value, "x --board y", parts={})
        calibrations[side] = read_calibration(path)[0]
    site = checked(bay, Measured(calibrations=calibrations))
    both = {"left camera": "r", "right camera": "r"}
    measured = BUDGET | {"measured": BUDGET["measured"] | both}
    book.put("budget/budget.json", "budget", measured, parts=bay_parts(site))
    assert book.stage("budget").state == "done"


def test_a_bay_whose_towers_stand_one_behind_the_other_is_still_a_book(book):
    book.edit('offset = "-1.6 m"', 'offset = "1.6 m"')
    states = {one.name: one for one in book.read().standings}
    assert set(states) >= {"bay", "camera", "report"}
