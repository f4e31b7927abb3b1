"""Tables of cases in pieces: what is cut where, what is noticed, and memory that stays put."""

import json
import subprocess
import sys
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from bench.errors import RunError
from bench.survey import joining
from bench.survey.ambiguity import ambiguity_table
from bench.survey.cells import summarise
from bench.survey.columns import CASE_COLUMNS, names
from bench.survey.executors import InlineExecutor, ProcessExecutor
from bench.survey.limits import find_limits
from bench.survey.run import run_survey
from bench.survey.store import RunStore, open_cases, read_cases
from bench.survey.verdicts import Request


def run(job, directory, executor=None, chunk=3):
    run_survey(job, RunStore(directory), executor or InlineExecutor(), chunk)
    return directory


@pytest.fixture(scope="module")
def job(make_job):
    return make_job(pitches_deg=(0.0, 20.0), trials=4)


@pytest.fixture(scope="module")
def whole(job, recorded, tmp_path_factory):
    """A run with one file a range."""
    return run(job, tmp_path_factory.mktemp("whole"), recorded(job))


@pytest.fixture(scope="module")
def cut(job, recorded, tmp_path_factory):
    """The same run in pieces of at most 20 rows: two views of 4 trials and 2 pipelines."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(joining, "PIECE_ROWS", 20)
        patch.setattr(joining, "RUN_ROWS", 20)
        return run(job, tmp_path_factory.mktemp("cut"), recorded(job))


def files(directory, table="cases.parquet"):
    return sorted((directory / table).iterdir())


def test_a_table_is_a_file_a_range_by_key_and_pipeline(whole):
    ranges = []
    for path in files(whole):
        rows = pl.read_parquet(path)
        ranges += rows["range_m"].unique().to_list()
        assert rows.equals(rows.sort("key", "pipeline"))
        assert rows.columns == names(CASE_COLUMNS)
    assert ranges == [1.5, 3.0]


def test_timings_are_cut_as_cases_are(cut):
    pairs = zip(files(cut), files(cut, "timings.parquet"), strict=True)
    for mine, theirs in pairs:
        identity = ["key", "pipeline"]
        assert pl.read_parquet(mine)[identity].equals(pl.read_parquet(theirs)[identity])


def test_many_rows_of_a_range_are_cut_between_views_in_their_order(cut, whole):
    assert len(files(cut)) == 4
    view = ["range_m", "turn_deg", "pitch_deg"]
    views = [pl.read_parquet(path)[view].unique().sort(view).rows() for path in files(cut)]
    assert [len(found) for found in views] == [2, 2, 2, 2]
    assert all(a[-1] < b[0] for a, b in pairwise(views))
    assert (
        read_cases(cut).sort("key", "pipeline").equals(read_cases(whole).sort("key", "pipeline"))
    )


def test_the_whole_directory_reads_as_one_table(cut):
    # as the documentation says; DuckDB and pandas take the same files
    rows = pl.scan_parquet(cut / "cases.parquet").collect()
    assert rows.equals(read_cases(cut), null_equal=True)


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_files_have_the_same_bytes_whatever_chunks_and_workers(job, whole, tmp_path, workers):
    run(job, tmp_path, ProcessExecutor(workers), chunk=4 + workers)
    mine, theirs = ({p.name: p.read_bytes() for p in files(d)} for d in (tmp_path, whole))
    assert mine == theirs


def test_what_is_said_of_cells_is_the_same_of_pieces_and_of_the_whole(cut):
    pieces, frame = open_cases(cut), read_cases(cut)
    assert summarise(pieces).equals(summarise(frame), null_equal=True)
    request = Request(0.05, 0.99, 0.95)
    one, other = (find_limits(c, request).cells for c in (pieces, frame))
    assert one.equals(other, null_equal=True)
    place = ["pipeline", "range_m", "turn_deg", "pitch_deg"]
    one, other = (ambiguity_table(c).sort(place) for c in (pieces, frame))
    assert one.equals(other, null_equal=True)
    assert not one.is_empty()


def test_a_single_file_as_earlier_versions_wrote_is_still_read(job, whole, tmp_path):
    rows = read_cases(whole).sort("key", "pipeline")
    rows.write_parquet(tmp_path / "cases.parquet")
    assert read_cases(tmp_path).equals(rows, null_equal=True)
    assert summarise(open_cases(tmp_path)).equals(summarise(rows), null_equal=True)
    (tmp_path / "plan.json").write_text((whole / "plan.json").read_text())
    timings = pl.read_parquet(whole / "timings.parquet")
    timings.write_parquet(tmp_path / "timings.parquet")
    assert run_survey(job, RunStore(tmp_path), InlineExecutor()).added == 0


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        ("missing", r"cases\.parquet: of the table's 2 files 1 are there"),
        ("empty", r"cases\.parquet: of the table's 0 files 0 are there"),
        ("one bit", r"0002-of-0002_3m_[0-9a-f]{16}\.parquet: is damaged; the command"),
    ],
)
def test_damage_to_a_table_is_one_line(job, recorded, tmp_path, damage, words):
    run(job, tmp_path, recorded(job))
    first, second = files(tmp_path)
    if damage == "one bit":
        content = bytearray(second.read_bytes())
        content[len(content) // 2] ^= 1
        second.write_bytes(content)
    else:
        second.unlink()
    if damage == "empty":
        first.unlink()
    with pytest.raises(RunError, match=words) as caught:
        summarise(open_cases(tmp_path))
    assert "\n" not in str(caught.value)


MEASURED = """
import json, sys
from pathlib import Path
import numpy as np, polars as pl
from reports.throughput.peak import peak_bytes
from bench.survey import joining
from bench.survey.cells import summarise
from bench.survey.pieces import packed
from bench.survey.plan import Plan
from bench.survey.store import RunStore, open_cases
from bench.survey.worker import PART_SCHEMA, ChunkResult

joining.PIECE_ROWS = joining.RUN_ROWS = int(sys.argv[3])
plan = Plan(**json.loads(sys.argv[2]))
store = RunStore(Path(sys.argv[1]))
store.begin(plan)
rng = np.random.default_rng(1)
fixed = {pl.Boolean: True, pl.Int64: 1, pl.String: "ok"}
for start in range(0, plan.n_pictures, 2000):
    cases = [plan.case(i) for i in range(start, start + 2000)]
    columns = {
        name: rng.random(2000) if dtype == pl.Float64 else [fixed[dtype]] * 2000
        for name, dtype in PART_SCHEMA.items()
    }
    place = ("index", "key", "range_m", "turn_deg", "pitch_deg", "trial")
    columns |= {name: [getattr(case, name) for case in cases] for name in place}
    columns["pipeline"] = ["d/s"] * 2000
    rows = pl.DataFrame(columns, schema=PART_SCHEMA)
    store.append(ChunkResult((start,), packed(rows)))
peaks = [peak_bytes()]
store.finish(plan)
peaks.append(peak_bytes())
summarise(open_cases(store.directory))
peaks.append(peak_bytes())
print(json.dumps([rows.estimated_size() / len(rows), *peaks]))
"""


def peaks(directory, ranges):
    """Return bytes a row, and the peak memory before, after joining and after summing up."""
    plan = {"ranges_m": [*range(1, 1 + ranges)], "turns_deg": [0, 10, 20, 30, 40], "trials": 1000}
    plan |= {"pipelines": ["d/s"], "seed": 1}
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, directory, json.dumps(plan), "5000"],
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a parent's memory counts too")
def test_memory_does_not_grow_with_the_number_of_cases(tmp_path):
    row, *small = peaks(tmp_path / "small", 4)
    _, *large = peaks(tmp_path / "large", 40)
    # whatever held the table would hold all the rows that came on top, sorting them twice; a
    # half of them once leaves room for what allocators keep
    added = row * (40 - 4) * 5000
    assert np.all(np.subtract(large, small) < 0.5 * added), (small, large, added)
