"""Runs in an object store: resumed after a stop, and nothing half-written is ever counted."""

import pytest

from bench.errors import RunError
from bench.files import new_directory, write_atomically
from bench.places import place
from bench.survey.run import run_survey
from bench.survey.store import RunStore, open_cases, read_cases

pytest.importorskip("upath")


@pytest.fixture(scope="module")
def job(make_job):
    return make_job()


@pytest.fixture(scope="module")
def run(job, recorded):
    """A runner of the job with its rows, made before, in chunks of 4."""

    def run(directory, **options):
        return run_survey(job, RunStore(directory), recorded(job), 4, **options)

    return run


@pytest.fixture(scope="module")
def reference(run, tmp_path_factory):
    directory = tmp_path_factory.mktemp("reference")
    run(directory)
    return directory


@pytest.fixture
def store(request):
    found = place(f"memory://bench/{request.function.__name__}")
    yield found
    found.fs.store.clear()


def stopped(run, directory, done):
    seen = []
    return run(directory, progress=lambda n, _: seen.append(n), stop=lambda: done in seen)


def test_a_stopped_run_is_resumed_to_the_same_tables(run, reference, store):
    report = stopped(run, store, 8)
    assert (report.added, report.complete) == (8, False)
    with pytest.raises(RunError, match="holds an unfinished run"):
        open_cases(store)
    report = run(store)
    assert (report.found, report.added, report.complete) == (8, 12, True)
    assert read_cases(store).equals(read_cases(reference), null_equal=True)
    assert not (store / "parts").exists()
    assert run(store).added == 0


def test_the_tables_have_the_bytes_of_those_on_disk(run, reference, store):
    run(store)
    here, there = (
        {path.name: path.read_bytes() for path in (d / "cases.parquet").iterdir()}
        for d in (reference, store)
    )
    assert here == there


@pytest.mark.parametrize("damage", ["cut short", "one bit", "empty"])
def test_a_damaged_part_is_never_counted(run, reference, store, damage):
    stopped(run, store, 8)
    part = min((store / "parts").iterdir(), key=str)
    content = bytearray(part.read_bytes())
    half = len(content) // 2
    content[half] ^= 1
    part.write_bytes({"cut short": content[:half], "one bit": content, "empty": b""}[damage])
    report = run(store)
    assert (report.found, report.added) == (4, 16)
    assert read_cases(store).equals(read_cases(reference), null_equal=True)


def test_a_client_killed_while_it_joins_leaves_no_whole_table(job, run, reference, store):
    killed = RunStore(store)
    killed.begin(job.plan)

    def write_half(path, content):
        if "cases.parquet" in str(path) and path.parent.exists():
            raise KeyboardInterrupt
        return real(path, content)

    with pytest.MonkeyPatch.context() as patch:
        from bench import files

        real = files._put
        patch.setattr(files, "_put", write_half)
        with pytest.raises(KeyboardInterrupt):
            run(store)
    assert len(list((store / "cases.parquet").iterdir())) == 1
    with pytest.raises(RunError, match="of the table's 2 files 1 are there"):
        open_cases(store)
    assert run(store).found == 20
    assert read_cases(store).equals(read_cases(reference), null_equal=True)


def test_stale_files_of_a_table_give_way(store):
    for names in (["old"], ["new", "newer"]):
        with new_directory(store / "cases.parquet") as write:
            for name in names:
                write(f"{name}.parquet", b"")
    assert sorted(p.name for p in (store / "cases.parquet").iterdir()) == [
        "new.parquet",
        "newer.parquet",
    ]


def test_parts_are_read_together_after_one_listing(job, run, store, monkeypatch):
    stopped(run, store, 12)
    asked = []
    for name in ("cat", "ls"):
        real = getattr(store.fs, name)

        def counted(path, *given, name=name, real=real, **options):
            asked.append((name, len(path) if name == "cat" else str(path)))
            return real(path, *given, **options)

        monkeypatch.setattr(store.fs, name, counted, raising=False)
    assert sum(map(len, RunStore(store).kept(job.plan).values())) == 12 * len(job.plan.pipelines)
    assert [one for one in asked if one[0] == "cat"] == [("cat", 3)]
    assert sum(one[0] == "ls" and one[1].endswith("parts") for one in asked) == 1


def test_a_store_that_refuses_is_one_line(store, monkeypatch):
    def refuse(*arguments, **options):
        raise ValueError("the driver's\nown words")

    monkeypatch.setattr(type(store), "open", refuse)
    monkeypatch.setattr(type(store), "write_bytes", refuse)
    monkeypatch.setattr(type(store), "read_bytes", refuse)
    with pytest.raises(RunError, match="can't be written: the driver's own words; what was"):
        write_atomically(store / "a", b"x")
