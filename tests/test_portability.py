"""What can be judged of macOS and Windows from here: imports, start of processes, encodings."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import bench

ROOT = Path(bench.__file__).parent
POSIX_MODULES = ("fcntl", "resource", "termios", "tty", "pwd", "grp", "pty", "syslog")
POSIX_SIGNALS = ("SIGHUP", "SIGKILL", "SIGALRM", "SIGUSR1", "setitimer", "alarm")
POSIX_CALLS = ("fork", "killpg", "setsid", "getpgid", "geteuid", "O_NONBLOCK", "mkfifo")
POOL = "ProcessPoolExecutor"
IMPORTS = f"""
import importlib, os, pkgutil, signal, sys
sys.modules.update(dict.fromkeys({POSIX_MODULES!r}))
for module, names in ((signal, {POSIX_SIGNALS!r}), (os, {POSIX_CALLS!r})):
    for name in names:
        if hasattr(module, name):
            delattr(module, name)
import bench
from bench.plugins import DETECTORS, OPTIONAL
from importlib.metadata import entry_points
absent = {{e.module for e in entry_points(group=DETECTORS) if e.name in OPTIONAL}}
absent.add("bench.detect.chess_corners")
for module in pkgutil.walk_packages(bench.__path__, "bench."):
    if module.name not in absent:
        importlib.import_module(module.name)
from bench.cli.main import run
run()
"""


@pytest.mark.slow
def test_nothing_that_only_posix_has_is_needed_to_start(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", IMPORTS, "bay", "--out", str(tmp_path / "out")],
        capture_output=True,
        text=True,
    )
    assert done.stderr.count("\n") == 1  # what begins
    assert done.returncode == 0
    assert (tmp_path / "out/bay.json").exists()


def calls_of(*wanted):
    """Return each call in the package whose last name is one of these, with its file."""
    found = []
    for path in ROOT.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if not any(name in text for name in wanted):  # most files, and parsing takes long
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "attr", getattr(node.func, "id", None))
                found += [(path, name, node)] if name in wanted else []
    return found


def test_processes_are_spawned_never_forked():
    """macOS spawns by default, and Windows knows nothing else."""
    for path, name, node in calls_of("fork", "Process", "Pool", "get_context", POOL):
        called = ast.unparse(node.func)
        assert called not in ("os.fork", "multiprocessing.Process", "multiprocessing.Pool"), path
        if name == "get_context":
            assert [ast.literal_eval(argument) for argument in node.args] == ["spawn"], path
        if name == POOL:
            assert "get_context" in ast.unparse(node), path


def test_text_files_are_opened_with_their_encoding():
    """Windows' own isn't UTF-8."""
    for path, _, node in calls_of("read_text", "write_text"):
        if not isinstance(node.func, ast.Attribute):
            continue
        asked = {word.arg for word in node.keywords}
        # the bench's own reader takes none
        assert "encoding" in asked or ast.unparse(node.func.value) == "files", path
