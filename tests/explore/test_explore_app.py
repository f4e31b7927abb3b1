"""The page's server: whom it answers, how it refuses, runs and saves."""

import asyncio
import dataclasses
import io
import json
import threading
import time
import zipfile

import numpy as np
import polars as pl
import pytest
from starlette.testclient import TestClient

from bench.explore.app import Queue, make_app
from bench.explore.place import Place, job_of
from bench.explore.predicted import _basis
from bench.explore.runs import Runs
from bench.explore.state import read_state
from bench.survey.cells import summarise
from bench.survey.statistics import wilson_interval
from bench.survey.worker import PART_SCHEMA, Worker

HOME = "http://127.0.0.1:8000"


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8000",
        "127.0.0.1",
        "127.0.0.1:8001",
        "127.0.0.1:8000.evil.example",
        "localhost.evil.example:8000",
        "10.0.0.5:8000",
        "",
    ],
)
def test_another_host_is_refused_with_a_plain_word(client, host):
    for path in ("/", "/api/view", "/files/main.js", "/nowhere"):
        answer = client.get(path, headers={"host": host})
        assert answer.status_code == 403
        assert answer.text.startswith("Refused: this page answers to 127.0.0.1:8000")
        assert answer.headers["content-type"].startswith("text/plain")


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000", "LOCALHOST:8000"])
def test_the_loopbacks_own_names_are_answered(client, host):
    assert client.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9000"},
        {"origin": "https://127.0.0.1:8000"},
        {"origin": "http://[bad"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"},
    ],
    ids=str,
)
def test_another_page_may_not_ask(client, headers):
    for method, path in (
        ("POST", "/api/runs"),
        ("POST", "/api/illustration"),
        ("GET", "/api/view"),
        ("DELETE", "/api/runs/x"),
    ):
        answer = client.request(method, path, headers=headers)
        assert answer.status_code == 403
        assert answer.text == "Refused: another page may not ask for this.\n"
        assert "access-control-allow-origin" not in answer.headers


def test_a_link_from_elsewhere_may_lead_to_the_page(client):
    followed = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert client.get("/?range_m=4", headers=followed).status_code == 200
    assert client.post("/", headers=followed).status_code == 403


def test_the_pages_own_requests_are_answered(client):
    own = {"origin": HOME, "sec-fetch-site": "same-origin"}
    assert client.get("/api/view", headers=own).status_code == 200


def test_every_answer_carries_a_strict_policy(client):
    for path in ("/", "/api/view", "/files/page.css", "/nowhere"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"


def test_the_page_has_a_labelled_control_for_every_value(client, place):
    page = client.get("/?turn_deg=12.5").text
    for name in place.default.as_dict():
        assert f'<label for="{name}">' in page
    assert 'name="turn_deg" step="any" value="12.5"' in page
    assert "style=" not in page
    assert "<script>" not in page


def test_a_page_asked_for_with_bad_values_shows_the_bays_and_says_so(client):
    page = client.get("/?range_m=<script>alert(1)</script>")
    assert page.status_code == 200
    assert "Range is " in page.text
    assert "<script>alert" not in page.text


def test_bad_numbers_are_answered_with_sentences(client):
    answer = client.get("/api/view", params={"range_m": "-3", "turn_deg": "x"})
    assert answer.status_code == 422
    assert answer.json() == {
        "problems": [
            {
                "control": "range_m",
                "message": "Range is -3 m; it must be a number from 0.1 to 40 m.",
            },
            {
                "control": "turn_deg",
                "message": "Turn is 'x'; it must be a number from -85 to 85 deg.",
            },
        ]
    }
    for method, path in (("POST", "/api/runs"), ("POST", "/api/illustration")):
        assert client.request(method, path, params={"seed": "a"}).status_code == 422
    assert client.get("/api/view", params={"range_m": "3"}).status_code == 200


def test_a_permalink_gives_the_same_answer_to_the_last_bit(client):
    first = client.get("/api/view", params={"range_m": "6.123456789", "seed": "9"}).json()
    again = client.get("/api/view?" + first["permalink"]).json()
    assert again == first


def test_what_is_not_there_is_said_in_a_plain_word(client):
    for path in ("/nowhere", "/files/nothing.js", "/files/../pyproject.toml", "/api/runs/none"):
        answer = client.get(path)
        assert answer.status_code == 404
        assert answer.text == "There is nothing here.\n"
    assert client.delete("/api/view").text == "This can't be asked for in this way.\n"


def test_a_defect_shows_no_traceback(place, monkeypatch):
    def broken(state, where):
        raise RuntimeError("secret words")

    monkeypatch.setattr("bench.explore.app.compute", broken)
    client = TestClient(make_app(place, 8000), HOME, raise_server_exceptions=False)
    answer = client.get("/api/view")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert answer.json()["problems"][0]["message"].startswith("The bench failed: RuntimeError")


def finished(client, run_id):
    while (report := client.get(f"/api/runs/{run_id}").json())["status"] == "running":
        time.sleep(0.02)
    return report


def test_a_run_is_the_surveys_own_cases_and_statistics(client, place):
    query = {"range_m": "8", "seed": "3", "roll_spread_deg": "0"}
    started = client.post("/api/runs", params=query)
    assert started.status_code == 201
    report = finished(client, started.json()["id"])
    state = dataclasses.replace(place.default, range_m=8.0, seed=3.0, roll_spread_deg=0.0)
    job = job_of(state, place)
    worker = Worker(job)
    rows = [row for case in job.plan.cases() for row in worker.run_case(case, {})]
    assert report["done"] == report["total"] == place.trials == len(rows)
    turns = [row.get("err_rot_y_deg") for row in rows]
    assert [p["turn_deg"] for p in report["points"]] == turns
    cell = summarise(pl.DataFrame(rows, schema=PART_SCHEMA)).row(0, named=True)
    found = report["summary"]
    assert found["rms_rot_deg"] == cell["rms_rot_deg"]
    ends = (found["usable_rate_lo"], found["usable_rate_hi"])
    assert ends == wilson_interval(found["n_ok"], place.trials, 0.95)
    # without a spread of rolls the picture shown is the run's first
    shown = client.get("/api/view", params=query).json()["row"]
    assert shown["err_rot_y_deg"] == turns[0]
    again = finished(client, client.post("/api/runs", params=query).json()["id"])
    assert {**again, "id": 0} == {**report, "id": 0}


def test_a_run_gives_only_the_points_asked_for(client):
    run_id = client.post("/api/runs").json()["id"]
    whole = finished(client, run_id)
    tail = client.get(f"/api/runs/{run_id}?after=9").json()
    assert tail["points"] == whole["points"][9:]
    assert tail["done"] == whole["done"]
    # beyond the last point, and longer than Python reads as a number at all
    for after in ("99", "9" * 5000, "-4", "x"):
        answer = client.get(f"/api/runs/{run_id}?after={after}")
        assert answer.status_code == 200
        assert answer.json()["done"] == whole["done"]


def test_a_picture_in_work_holds_the_programs_end_back_in_no_way(client, monkeypatch):
    # the interpreter waits at its end for every thread that isn't a daemon
    kinds = []
    monkeypatch.setattr(
        "bench.explore.app.compute",
        lambda *_: kinds.append(threading.current_thread().daemon) or {},
    )
    assert client.get("/api/view").status_code == 200
    assert kinds == [True]


def test_a_slow_picture_that_the_page_has_given_up_holds_no_other_up():
    class Gone:
        async def is_disconnected(self):
            return begun.is_set()

    class There:
        async def is_disconnected(self):
            return False

    begun, end = threading.Event(), threading.Event()

    def slow():
        begun.set()
        end.wait(60.0)
        raise ValueError("nobody hears this")

    async def ask():
        queue = Queue("picture")
        try:
            given_up = asyncio.create_task(queue.work(Gone(), slow))
            while not begun.is_set():
                await asyncio.sleep(0.01)
            return await queue.work(There(), lambda: "shown"), await given_up
        finally:
            end.set()

    assert asyncio.run(ask()) == ("shown", None)


def test_while_a_slow_picture_is_at_work_a_coarse_one_of_the_same_pixels_is_shown(client):
    address = "range_m=9&turn_deg=30&f_number=11&focus_m=8&bay=drawn"
    coarse = client.get(f"/api/coarse?{address}").json()
    own = client.get(f"/api/view?{address}").json()["picture"]
    assert coarse["frame"] == pytest.approx(own["frame"], abs=40)  # room for a wider blur
    assert coarse["png"] != own["png"]
    at_once = client.get("/api/coarse?range_m=9&turn_deg=30&bay=drawn").json()
    assert at_once == client.get("/api/view?range_m=9&turn_deg=30&bay=drawn").json()["picture"]
    assert client.get("/api/coarse?range_m=0.001").status_code == 422


@pytest.mark.parametrize(
    ("address", "left"),
    [
        ("bay=drawn", ""),
        ("bay=drawn&dirt=5", ""),
        ("bay=built&dirt=0", " (without what light and paper add)"),
        ("bay=built&dirt=5&dirt_depth=50", " (without what light, paper and dirt add)"),
        ("bay=drawn&reflection=0.5", " (without what a reflection adds)"),
    ],
)
def test_a_prediction_says_what_it_leaves_out(place, address, left):
    given = dict(pair.split("=") for pair in address.split("&"))
    words = _basis(read_state(given, place.default), place)
    assert words.endswith(left) if left else "without" not in words


def test_a_curve_and_its_points_are_answered_or_refused_in_a_word(client):
    found = client.get("/api/curve?over=turn_deg&range_m=6").json()
    assert found["axis"] == "Turn, deg"
    point = client.get("/api/point?range_m=6&seed=4").json()
    assert point["judgement"] == client.get("/api/view?range_m=6&seed=4").json()["judgement"]
    assert client.get("/api/curve?over=<b>").status_code == 422


def test_a_run_can_be_cancelled_and_keeps_what_is_done(place):
    runs = Runs(Place(place.bay, trials=100_000))
    run = runs.start(place.default)
    while not run.rows:
        time.sleep(0.01)
    run.cancel()
    run.wait(60.0)
    report = run.report()
    assert report["status"] == "cancelled"
    assert 0 < report["done"] < report["total"]
    assert "summary" not in report


def test_a_cancelled_run_is_said_to_be_so_by_the_server(place):
    client = TestClient(make_app(Place(place.bay, trials=100_000), 8000), HOME)
    run_id = client.post("/api/runs").json()["id"]
    assert client.delete(f"/api/runs/{run_id}").json()["status"] == "cancelled"


def test_a_new_run_ends_the_one_at_work(place):
    runs = Runs(Place(place.bay, trials=100_000))
    first = runs.start(place.default)
    second = runs.start(place.default)
    first.wait(60.0)
    assert first.status == "cancelled"
    # a page in another window, whose run it was, can say why
    assert first.report()["failure"].startswith("A newer run, perhaps in another window")
    second.cancel()
    second.wait(60.0)
    assert second.report()["failure"] == ""


def test_a_saved_illustration_has_its_sidecar_with_key_and_command(client, place):
    answer = client.post("/api/illustration", params={"range_m": "4.5"})
    assert answer.headers["content-type"] == "application/zip"
    assert "attachment" in answer.headers["content-disposition"]
    files = zipfile.ZipFile(io.BytesIO(answer.content))
    assert sorted(files.namelist()) == ["sightbench-explore.json", "sightbench-explore.png"]
    record = json.loads(files.read("sightbench-explore.json"))
    view = client.get("/api/view", params={"range_m": "4.5"}).json()
    (one,) = record["pictures"]
    assert one["picture_of"] == view["key"]
    assert view["permalink"] in record["command"]
    first = one["cases"][0]
    assert first["err_rot_deg"] == view["row"]["err_rot_deg"]
    assert files.read("sightbench-explore.png").startswith(b"\x89PNG")
    assert np.isfinite(first["err_rot_deg"])


@pytest.mark.parametrize("address", ["/?range_m=9999&pipeline=gone/ippe", "/bay?vehicle=nobody"])
def test_an_address_that_is_refused_says_that_the_bays_own_values_are_shown(client, address):
    assert "own values are shown instead" in client.get(address).text


def test_an_address_with_a_pipeline_that_is_not_here_says_so_beside_the_bays_own(client, place):
    page = client.get("/?pipeline=gone/ippe&target=none&range_m=7").text
    assert "There is no pipeline" in page
    assert "gone/ippe" in page
    assert "There is no target" in page
    assert f'<option value="{place.default.pipeline}" selected>' in page
    assert 'value="7"' in page  # the rest of the address counts
