"""The page that follows a tower while it is aimed: what it gets, and whom it answers."""

import pytest
from fixtures.tower_pictures import binned_bay, tower_picture
from starlette.testclient import TestClient

from bench.aiming.advice import STOP
from bench.aiming.source import Shot
from bench.aiming.watching import Watch
from bench.explore.aim_app import make_aim_app


class One:
    """A source of one picture."""

    def __init__(self, picture):
        self.picture = picture

    def newest(self):
        return Shot("a.png", self.picture)

    def close(self):
        self.picture = None


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    return binned_bay(tmp_path_factory.mktemp("bay"))


def test_the_page_is_for_this_machine_alone(bay):
    watch = Watch(bay, One(tower_picture(bay, bay.towers[0])), None, None, None, STOP)
    client = TestClient(make_aim_app(watch, 8760), base_url="http://127.0.0.1:8760")
    assert client.get("/api/picture").status_code == 404
    watch.look()
    assert client.get("/api/state").json()["state"] == "inside"
    assert client.get("/api/picture").content.startswith(b"\xff\xd8")
    assert bay.name in client.get("/").text
    assert client.get("/", headers={"host": "bay.example:8760"}).status_code == 403
