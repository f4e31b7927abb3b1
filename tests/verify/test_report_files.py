import base64
from functools import partial
from html.parser import HTMLParser
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest

from bench.errors import RunError
from bench.geometry.pose import Pose
from bench.solve.pipeline import pipeline_from_name
from bench.survey.score import rotation_error, translation_error
from bench.verify.baseline import read_baseline
from bench.verify.case import observe, scene_of, suite_cases
from bench.verify.compare import compare, pair
from bench.verify.junit import junit_xml
from bench.verify.page import write_report
from bench.verify.record import record
from bench.verify.rows import NAMES, CaseRow, estimated_pose
from bench.verify.verdict import ComparisonVerdict, report_of
from bench.verify.worst import case_of_key, worst_cases, worst_keys


@pytest.fixture
def compared(tiny_suite, tmp_path):
    """Two recordings of the tiny suite, its second half missed in the new one."""
    path = tmp_path / "old.baseline"
    record(tiny_suite, partial(pipeline_from_name, "aruco-subpix/ippe-lm"), path)
    old = read_baseline(path)
    rows = dict(old.rows)
    for key in list(rows)[3:6]:
        rows[key] = CaseRow(key, "missed", (0.0, *[np.nan] * (len(NAMES) - 1)))
    rows["empty|00000"] = CaseRow("empty|00000", "false_positive", rows["empty|00000"].values)
    new = type(old)(old.suite, old.suite_digest, "<b>&|_*", 1, {"opencv": "9"}, rows)
    return report_of(compare(pair(old.rows, rows, ["empty"])), old, new)


class Reader(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.images, self.text = [], [], []

    def handle_starttag(self, tag, attrs):
        if tag in ("meta", "link", "img"):
            self.images += [dict(attrs)["src"]] if tag == "img" else []
        else:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_pages_and_pictures_are_written_and_say_the_verdict(compared, tiny_suite, tmp_path):
    keys = worst_keys(compared.comparison.pairs)
    worst = worst_cases(tiny_suite, compared.old, compared.new, keys)
    out = tmp_path / "out"
    files = write_report(out, compared, worst)
    assert [path.name for path in files] == ["verdict.html", "junit.xml"]
    reader = Reader()
    reader.feed((out / "verdict.html").read_text())
    assert reader.open == []
    assert compared.headline in reader.text  # escaped on the way, so it reads as it was
    shown = sum(len(case.pictures) for case in worst)
    assert len(reader.images) == shown >= 2 * len(worst) >= 4
    png = base64.b64decode(reader.images[0].partition(",")[2])
    assert cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR).shape[2] == 3
    assert "<b>&" in "".join(reader.text)


def test_newly_failed_cases_come_first(compared):
    keys = worst_keys(compared.comparison.pairs)
    assert {compared.new.rows[key].outcome for key in keys[:3]} == {"missed", "false_positive"}


def test_pictures_show_the_estimate_where_there_was_one(compared, tiny_suite):
    key = next(k for k in worst_keys(compared.comparison.pairs) if k.startswith("plain"))
    (case,) = worst_cases(tiny_suite, compared.old, compared.new, [key])
    images = {
        one.name: cv2.imdecode(np.frombuffer(one.png, np.uint8), 1).astype(int)
        for one in case.pictures
    }
    coloured = {name: bool(np.any(np.ptp(i, axis=2) > 50)) for name, i in images.items()}
    assert coloured == {"camera": False, "before": True, "now": False}


def test_a_miss_is_shown_as_dark_as_the_camera_gave_it(compared, tiny_suite):
    key = next(k for k in worst_keys(compared.comparison.pairs) if k.startswith("plain"))
    (case,) = worst_cases(tiny_suite, compared.old, compared.new, [key])
    observation, _ = observe(case_of_key(tiny_suite, key), tiny_suite, compared.new.noise)
    _, now, camera = case.pictures
    grey = cv2.imdecode(np.frombuffer(camera.png, np.uint8), 0)
    assert grey.max() <= observation.picture.grey8.max()
    bright = cv2.imdecode(np.frombuffer(now.png, np.uint8), 0)
    # brightened until 99.5 % of pixels fill the scale, so that the truth's white says nothing
    assert np.median(bright) > 1.1 * np.median(grey)
    assert "brightened" in now.words


def test_junit_counts_what_it_lists(compared):
    root = ElementTree.fromstring(junit_xml(compared))
    (suite,) = root
    timed = ElementTree.fromstring(junit_xml(compared, "2026-05-04T10:00:00+00:00", 12.5))[0]
    assert timed.get("time") == "12.500"
    assert sum(float(c.get("time")) for c in timed.findall("testcase")) == 12.5
    assert timed.get("timestamp").startswith("2026-05-04")
    assert int(suite.get("tests")) == len(suite.findall("testcase"))
    assert int(suite.get("failures")) == len(suite.findall("testcase/failure"))
    assert int(suite.get("errors")) == len(suite.findall("testcase/error"))
    assert int(suite.get("skipped")) == len(suite.findall("testcase/skipped"))
    assert compared.verdict is ComparisonVerdict.UNJUDGED
    assert suite.find("properties/property[@name='verdict']").get("value") == compared.headline
    assert "opencv" in suite.find("properties/property[@name='environment']").get("value")


def test_junit_has_a_failure_for_what_is_worse(make_rows):
    rows, noisy = make_rows(), make_rows(scale=1.5)
    from bench.verify.baseline import Baseline

    old, new = (Baseline("s", "0", "d/s", 0, {}, r) for r in (rows, noisy))
    root = ElementTree.fromstring(junit_xml(report_of(compare(pair(rows, noisy, [])), old, new)))
    failures = root.findall("testsuite/testcase/failure")
    assert any("rotation RMS" in failure.get("message") for failure in failures)
    assert root.findall("testsuite/testcase/error") == []


def test_a_pose_comes_back_from_its_errors(tiny_suite):
    case = next(suite_cases(tiny_suite))
    truth = scene_of(case, tiny_suite).T_camera_target_true
    estimate = Pose.from_rotvec(truth.rotvec + (0.01, -0.02, 0.03), truth.translation + 0.01)
    errors = dict(
        zip(
            ("rot_x_deg", "rot_y_deg", "rot_z_deg", "right_mm", "up_mm", "along_mm"),
            (
                *np.degrees(rotation_error(truth, estimate)),
                *(1e3 * translation_error(truth, estimate)),
            ),
            strict=True,
        )
    )
    row = CaseRow(case.key, "ok", tuple(float(errors.get(name, np.nan)) for name in NAMES))
    again = estimated_pose(row, truth)
    np.testing.assert_allclose(again.matrix, estimate.matrix, atol=1e-12)


def test_a_case_that_the_suite_lacks_is_named(tiny_suite):
    with pytest.raises(RunError, match=r"no case plain\|00099"):
        case_of_key(tiny_suite, "plain|00099")
