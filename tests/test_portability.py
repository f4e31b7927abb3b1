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
    assert done.stderr == ""
    assert done.returncode == 0
    assert (tmp_path / "out/bay.json").exists()


def test_processes_are_spawned_never_forked():
    """macOS spawns by default, and Windows knows nothing else."""
    for path in ROOT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = ast.unparse(node.func)
            assert name not in ("os.fork", "multiprocessing.Process", "multiprocessing.Pool"), path
            if name.endswith("get_context"):
                assert [ast.literal_eval(argument) for argument in node.args] == ["spawn"], path
            if name == "ProcessPoolExecutor":
                assert "get_context" in ast.unparse(node), path


def test_text_files_are_opened_with_their_encoding():
    """Windows' own isn't UTF-8."""
    for path in ROOT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            if node.func.attr in ("read_text", "write_text"):
                asked = {word.arg for word in node.keywords}
                # the bench's own reader takes none
                assert "encoding" in asked or ast.unparse(node.func.value) == "files", path
