"""The shipped bay to try out, and a client that asks as the page does."""

import warnings

import pytest

from bench.explore.app import make_app
from bench.explore.place import Place
from bench.scene.load import load_bay

with warnings.catch_warnings():
    # of the client's HTTP library, which it would like to see replaced by a newer one
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

PORT = 8000


@pytest.fixture(scope="session")
def place():
    return Place(load_bay(None), trials=12)


@pytest.fixture(scope="session")
def client(place):
    return TestClient(make_app(place, PORT), base_url=f"http://127.0.0.1:{PORT}")
