"""One small finished map, of a bay whose name would break a careless page."""

import json
import re
from html.parser import HTMLParser

import pytest

from bench.cli.main import main

NASTY = "Bay </script><b id='broken'> & <!-- \"Co\" {{ 7 * 7 }}"
BAY = f"""
name = {json.dumps(NASTY)}
standoff = "2 m"
[camera]
width = 640
height = 480
pixel_pitch = "6 um"
focal_length = "900 px"
[[tower]]
name = "left"
offset = "1.5 m"
height = "1 m"
[[tower]]
name = "right"
offset = "-1.5 m"
height = "1 m"
[camera.optics]
sigma = "0.8 px"
[[vehicle]]
name = "cart"
[[vehicle.axle]]
name = "front"
behind = "0 m"
track = "1.4 m"
wheel_height = "0.3 m"
[target]
kind = "marker"
size = "200 mm"
[survey]
ranges = "1.5, 3, 14 m"
turns = "0, 30 deg"
trials = 30
pipelines = ["aruco-none/ippe", "aruco-subpix/ippe-lm"]
[tolerance]
within = "1 deg"
success = 0.85
"""


class Page(HTMLParser):
    """The elements of a page, each with its attributes and own text, and the ids."""

    def __init__(self, text):
        super().__init__()
        self.elements, self._open = [], []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.elements.append({"tag": tag, "text": "", **dict(attributes)})
        self._open.append(self.elements[-1])

    def handle_data(self, data):
        if self._open:
            self._open[-1]["text"] += data

    def handle_endtag(self, tag):
        while self._open and self._open.pop()["tag"] != tag:
            pass

    def of(self, tag):
        return [element for element in self.elements if element["tag"] == tag]

    @property
    def data(self):
        """What the page's script works on."""
        return json.loads(next(e["text"] for e in self.of("script") if e.get("id") == "data"))


@pytest.fixture(scope="session")
def nasty_name():
    return NASTY


@pytest.fixture(scope="session")
def finished_map(tmp_path_factory, one_process):
    folder = tmp_path_factory.mktemp("report")
    (folder / "nasty.toml").write_text(BAY, encoding="utf-8")
    arguments = ["--quiet", "--workers", "1", "--no-pictures", "--out", str(folder / "map")]
    with pytest.MonkeyPatch.context() as patch, one_process():
        patch.chdir(folder)  # so that the command names no place of the bay file
        assert main(["map", "nasty.toml", *arguments]) == 0
    return folder / "map"


@pytest.fixture(scope="session")
def report_text(finished_map, tmp_path_factory):
    """The page of the small map."""
    path = tmp_path_factory.mktemp("page") / "report.html"
    assert main(["report", str(finished_map), "--quiet", "--no-pdf", "--out", str(path)]) == 0
    return path.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def read_page():
    return Page


@pytest.fixture(scope="session")
def report_page(report_text):
    # scripts hold markup in their strings, which isn't the page's
    return Page(re.sub(r"<script>.*?</script>", "", report_text, flags=re.DOTALL))
