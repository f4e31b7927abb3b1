"""Runs in object stores by the command line: the files of a run on disk, faults in one line."""

import pytest

from bench.cli.main import main
from bench.places import place
from bench.survey.store import read_cases

pytest.importorskip("upath")

GRID = ["--ranges", "2.5, 5 m", "--turns", "0, 40 deg", "--trials", "2"]
QUICK = [*GRID, "--pipeline", "aruco-none/ippe", "--workers", "1", "--quiet"]


@pytest.fixture(scope="module")
def s3_address():
    """A bucket of a server on the loopback address that speaks S3."""
    pytest.importorskip("s3fs")
    server = pytest.importorskip("moto.server").ThreadedMotoServer("127.0.0.1", 0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        for name, value in {
            "AWS_ENDPOINT_URL": f"http://{host}:{port}",
            "AWS_ACCESS_KEY_ID": "testing",
            "AWS_SECRET_ACCESS_KEY": "testing",
            "AWS_DEFAULT_REGION": "us-east-1",
        }.items():
            patch.setenv(name, value)
        place("s3://runs").mkdir()
        yield "s3://runs/tower a"
    server.stop()


@pytest.fixture(scope="module")
def on_disk(tmp_path_factory):
    out = tmp_path_factory.mktemp("map")
    assert main(["map", "--out", str(out), *QUICK]) == 0
    return out


def relative_names(directory):
    # digests of timings differ from run to run
    return sorted(
        str(path.relative_to(directory)).partition("m_")[0] + path.suffix
        for path in directory.rglob("*")
        if path.is_file()
    )


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["memory", "s3"])
def test_a_map_in_a_store_has_the_files_of_a_map_on_disk(on_disk, s3_address, kind, capsys):
    address = s3_address if kind == "s3" else "memory://runs/tower a"
    assert main(["map", "--out", address, *QUICK]) == 0
    assert f"Wrote to {address}: cases.parquet" in capsys.readouterr().out
    there = place(address)
    assert relative_names(there) == relative_names(on_disk)
    for name in ("cells.parquet", "limits.csv", "map_rotation.png"):
        assert (there / name).read_bytes() == (on_disk / name).read_bytes()
    assert read_cases(there).equals(read_cases(on_disk), null_equal=True)
    capsys.readouterr()
    code = main(["limits", str(on_disk)])
    said = capsys.readouterr().out
    assert main(["limits", address]) == code
    assert capsys.readouterr().out == said
    assert main(["limits", address, "--out", f"{address}/asked"]) == code
    assert (there / "asked" / "limits.json").exists()


@pytest.mark.slow
def test_contour_and_choose_write_to_a_store(capsys):
    few = ["--ranges", "2.5 m", "--turns", "40 deg", "--trials", "20", "--workers", "1", "--quiet"]
    contour = ["contour", *few, "--levels", "0", "--looks", "1", "--pipeline", "aruco-none/ippe"]
    assert main([*contour, "--out", "memory://runs/contour"]) in (0, 1, 3)
    assert {path.name for path in place("memory://runs/contour").iterdir()} >= {
        "cases.parquet",
        "contour.json",
        "contour.png",
        "plan.json",
    }
    assert main([*contour, "--out", "memory://runs/contour", "--no-pictures"]) in (0, 1, 3)
    choose = ["choose", *few, "--candidate", "bay", "--candidate", "grid:36h11:2x2"]
    choose += ["--pipeline", "aruco-none/ippe"]
    assert main([*choose, "--out", "memory://runs/choose"]) in (0, 1, 3)
    assert (place("memory://runs/choose") / "choice.png").exists()


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("nosuch://a/b", "nosuch://a/b: can't be reached: "),
        ("gs://a/b", "pip install 'sightbench[stores]' gcsfs"),
        ("memory://a/[b]", "drivers take *, ? and [] for patterns"),
        ("s3://there-is-no-such-bucket", "is no run at s3://there-is-no-such-bucket"),
    ],
)
def test_an_address_that_leads_nowhere_is_one_line(s3_address, address, words, capsys):
    assert main(["limits", address]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1


def test_a_store_that_nobody_serves_is_one_line(s3_address, monkeypatch, capsys):
    connections = pytest.importorskip("s3fs").S3FileSystem
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")  # nobody listens to port 9
    monkeypatch.setenv("AWS_MAX_ATTEMPTS", "1")
    connections.clear_instance_cache()
    assert main(["map", "--out", "s3://runs/other", *QUICK]) == 2
    connections.clear_instance_cache()
    said = capsys.readouterr().err
    assert "s3://runs/other: can't be reached: Could not connect to the endpoint URL" in said
    assert said.count("\n") == 1


def test_a_bucket_that_isnt_there_is_one_line(s3_address, capsys):
    assert main(["map", "--out", "s3://elsewhere/run", *QUICK]) == 2
    said = capsys.readouterr().err
    assert "s3://elsewhere/run/plan.json: can't be written: The specified bucket does not" in said
    assert said.count("\n") == 1


def test_a_command_without_stores_says_which_have_them(capsys):
    assert main(["view", "--out", "memory://runs/view"]) == 2
    assert "only 'map', 'contour', 'choose', 'limits' and 'report'" in capsys.readouterr().err
