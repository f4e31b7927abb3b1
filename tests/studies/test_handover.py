"""The walk's site work: what is off is off by what is said, measured with the stated errors."""

import math
import tomllib

import pytest

from bench.scene.load import load_bay
from reports.handover import __main__ as walk
from reports.handover import site_work
from reports.handover.site_work import SiteWork


@pytest.fixture
def work(tmp_path):
    (tmp_path / "site").mkdir()
    text = (walk.HERE / "bay.toml").read_text()
    (tmp_path / "bay.toml").write_text(text)
    (tmp_path / "site" / "sited.toml").write_text(text)
    return SiteWork(tmp_path)


def test_the_bay_stands_off_its_plan_as_stated_until_it_is_corrected(work):
    def off(tower, key):
        plan, truth = (
            next(t.placement for t in bay.towers if t.name == tower)
            for bay in (work.plan(), work.truth())
        )
        return getattr(truth, key) - getattr(plan, key)

    assert off("left", "yaw") == pytest.approx(site_work.FIRST["left"]["yaw"])
    assert off("right", "height") == pytest.approx(site_work.FIRST["right"]["height"])
    (work.book / "as-built-2").mkdir()
    assert off("left", "yaw") == pytest.approx(site_work.CORRECTED["left"]["yaw"])


def test_what_is_measured_is_off_the_truth_by_tape_and_gauge_alone(work):
    path = work.book / "site" / "measured.toml"
    work.measure_bay(path)
    rows = {row["name"]: row for row in tomllib.loads(path.read_text())["tower"]}
    for tower in work.truth().towers:
        place, row = tower.placement, rows[tower.name]
        # five standard deviations, and the rounding of what is written
        for key in ("offset", "height", "forward"):
            given = float(row[key].removesuffix(" mm"))
            assert abs(given - 1e3 * getattr(place, key)) < 5e3 * site_work.TAPE + 0.05
        for key in ("yaw", "pitch", "roll"):
            given = math.radians(float(row[key].removesuffix(" deg")))
            assert abs(given - getattr(place, key)) < 5 * site_work.GAUGE + 1e-5


def test_cameras_are_off_what_the_bay_file_says(work):
    nominal = load_bay(work.book / "bay.toml").towers[0].camera
    for side, factor in site_work.FOCAL.items():
        real = site_work.real_camera(side, nominal)
        assert real.fx == pytest.approx(factor * nominal.fx)
        assert (real.cx, real.cy) != (nominal.cx, nominal.cy)


def test_the_readme_states_every_error():
    said = " ".join(walk.stated_errors())
    for words in ("+9 mm", "+3.20 deg", "-6 mm", "slips 3 mm", "pose 4", "0.006 deg"):
        assert words in said
