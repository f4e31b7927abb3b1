"""What `import bench` offers: every name's example runs, and nothing loads before it is used."""

import doctest
import re
import subprocess
import sys
from pathlib import Path

import pytest

import bench

NAMES = [name for name in bench.__all__ if name != "__version__"]


@pytest.mark.parametrize("name", NAMES)
def test_its_docstring_opens_with_an_example_that_runs(name):
    (test,) = doctest.DocTestFinder(recurse=False).find(getattr(bench, name), name, globs={})
    assert "import bench" in test.examples[0].source
    # one line of summary, an empty one, the example
    assert test.examples[0].lineno <= 2
    assert doctest.DocTestRunner(verbose=False).run(test).failed == 0


def test_the_packages_own_example_runs():
    assert doctest.testmod(bench).failed == 0


@pytest.mark.slow
def test_the_readmes_lines_run(capsys):
    text = (Path(__file__).parent.parent / "README.md").read_text("utf-8")
    lines = re.search(r"```python\n(.*?)```", text, re.DOTALL)[1]
    # a notebook has no main module to import again: pictures are made in this process
    exec(lines.replace("trials=100", "trials=3, workers=1"), {})
    assert capsys.readouterr().out.startswith("ok ")


def test_what_is_offered_is_what_is_listed():
    assert set(bench._HOMES) == set(NAMES)
    assert dir(bench) == sorted(bench.__all__)
    with pytest.raises(AttributeError, match="no attribute 'no_such_name'"):
        bench.no_such_name  # noqa: B018 - asking for it is the test


def test_importing_it_loads_no_library():
    code = "import bench, sys; print([m for m in ('numpy', 'cv2', 'polars') if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
