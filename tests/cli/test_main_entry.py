"""The entry point: exit codes, one line for an error, lazy commands, completion."""

import errno
import importlib
import os
import subprocess
import sys
from itertools import pairwise

import pytest
import typer

import bench.cli.main as entry
from bench import __version__
from bench.cli.progress import LONGEST_S, log_lines
from bench.errors import BenchError, ConfigError, RunError
from bench.files import settle, write_atomically

HEAVY = (
    "numpy", "cv2", "numba", "scipy", "polars", "matplotlib", "pint", "PIL", "jinja2", "trimesh",
    "starlette", "bench.scene.model",
)  # fmt: skip


@pytest.fixture
def command(monkeypatch):
    """Put a command of our own in place of `sightbench bay`."""

    def install(function):
        module = type(sys)("bench.cli._probe")
        module.command = function
        monkeypatch.setitem(sys.modules, "bench.cli._probe", module)
        monkeypatch.setitem(entry.COMMANDS, "bay", ("_probe", "A probe."))

    return install


@pytest.fixture
def run(capsys):
    """Run the command line; return exit code, output and error lines."""

    def run(*arguments):
        code = entry.main(arguments)
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def raising(error):
    def command():
        """Raise."""
        raise error

    return command


@pytest.mark.parametrize("name", entry.COMMANDS)
def test_every_listed_command_exists_and_explains_itself(run, name):
    code, out, err = run(name, "--help")
    assert (code, err) == (0, "")
    assert out.startswith(f"Usage: sightbench {name}")


# One subcommand stands for each group.
GROUPS = {"verify": "compare", "register": "solve", "proof": "moved plan", "level": "solve"}


@pytest.mark.parametrize("name", [f"{c} {GROUPS.get(c, '')}".strip() for c in entry.COMMANDS])
def test_every_command_takes_an_output_directory(run, name):
    assert "--out DIR" in run(*name.split(), "--help")[1]


def test_bare_and_with_help_it_lists_every_command(run):
    for arguments in ((), ("--help",)):
        code, out, err = run(*arguments)
        assert (code, err) == (0, "")
        for name, (_, summary) in entry.COMMANDS.items():
            assert f"  {name} " in out
            assert summary in out
        assert "0 done, 1 a negative verdict, 2 bad input, 3 could not judge" in out


def test_the_version_is_printed(run):
    assert run("--version") == (0, f"sightbench {__version__}\n", "")


@pytest.mark.parametrize("code", [0, 1, 3])
def test_a_command_chooses_its_exit_code(run, command, code):
    command(raising(typer.Exit(code)))
    assert run("bay") == (code, "", "")


def test_a_command_may_return_its_exit_code(run, command):
    def returning() -> int:
        """Return."""
        return 3

    command(returning)
    assert run("bay")[0] == 3


@pytest.mark.parametrize("error", [BenchError, ConfigError, RunError])
def test_an_error_of_the_bench_is_one_line_and_exit_code_2(run, command, error):
    command(raising(error("bay.toml: width: '-1'\n  must be positive")))
    assert run("bay") == (2, "", "sightbench: bay.toml: width: '-1' must be positive\n")


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EACCES, errno.EROFS])
def test_what_the_machine_refuses_is_one_line_and_exit_code_2(run, command, number):
    command(raising(OSError(number, os.strerror(number), "out/cases.parquet")))
    says = f"sightbench: out/cases.parquet: {os.strerror(number)}\n"
    assert run("bay") == (2, "", says)


def test_an_interrupt_is_one_line_and_exit_code_130(run, command):
    command(raising(KeyboardInterrupt()))
    assert run("bay") == (130, "", "sightbench: interrupted; nothing was written\n")


def test_an_interrupt_tells_of_what_was_finished(run, command, tmp_path):
    def command_() -> None:
        """Write one file that stays, and then another."""
        write_atomically(tmp_path / "a", b"a")
        settle()
        write_atomically(tmp_path / "b", b"b")
        raise KeyboardInterrupt

    command(command_)
    assert run("bay") == (130, "", "sightbench: interrupted; what was finished is kept\n")
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


@pytest.mark.parametrize("error", [ZeroDivisionError("x"), OSError(errno.EBADF, "x"), KeyError(1)])
def test_a_defect_is_not_hidden(command, error):
    command(raising(error))
    with pytest.raises(type(error)):
        entry.main(["bay"])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("bya",), "Did you mean 'bay'?"),
        (("--verbose",), "No such option: --verbose"),
        (("bay", "--nwe", "x"), "No such option: --nwe"),
        (("bay", "a.toml", "b.toml"), "unexpected extra argument"),
        (("bay", "--out"), "requires an argument"),
    ],
)
def test_a_usage_error_is_one_line_that_points_to_help(run, arguments, says):
    code, out, err = run(*arguments)
    assert (code, out) == (2, "")
    assert says in err
    assert err.startswith("sightbench: ")
    assert "--help'" in err
    assert err.count("\n") == 1


def test_an_option_with_a_bad_quantity_is_named(run, command):
    from bench.cli.options import parse_length

    def measuring(reach: float = typer.Option("1 m", parser=parse_length)) -> None:
        """Measure."""
        typer.echo(repr(reach))

    command(measuring)
    assert run("bay") == (0, "1.0\n", "")
    assert run("bay", "--reach", "6 ft 3 in") == (0, "1.905\n", "")
    code, _, err = run("bay", "--reach", "5")
    assert code == 2
    assert "'--reach': '5' lacks a unit" in err


def in_a_process(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-c", "from bench.cli.main import run; run()", *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, **environment},
    )


def test_the_process_ends_with_the_code_and_the_line(tmp_path):
    done = in_a_process("bay", str(tmp_path / "none.toml"))
    assert done.returncode == 2
    assert done.stdout == ""
    begun, refused = done.stderr.splitlines()
    assert begun == "sightbench bay: Check a bay file and say what it describes."
    assert refused == f"sightbench: {tmp_path / 'none.toml'}: No such file or directory"


def test_a_process_says_what_begins_before_any_library_loads():
    code = (
        "import sys, bench.cli.main as entry\n"
        f"entry.main = lambda: print([m for m in {HEAVY!r} if m in sys.modules])\n"
        "entry.run()"
    )
    done = subprocess.run([sys.executable, "-c", code, "view"], capture_output=True, text=True)
    assert done.stdout == "[]\n"
    assert done.stderr == "sightbench view: Show what each tower sees, and what hides targets.\n"


@pytest.mark.parametrize("given", [[], ["view", "--help"], ["view", "--quiet"], ["bya"]])
def test_help_a_quiet_command_and_a_slip_begin_with_nothing(given, capsys):
    entry._say_begun(given)
    assert capsys.readouterr().err == ""


def test_a_log_gets_lines_of_progress_ever_less_often(capsys):
    now = 0.0
    tell = log_lines("pictures", lambda: now)
    heard = []
    for second in range(2000):
        now = float(second)
        tell(second, 2000)
        if capsys.readouterr().err:
            heard.append(second)
    assert heard[:6] == [10, 30, 70, 150, 310, 610]
    assert max(b - a for a, b in pairwise(heard)) == LONGEST_S


def test_a_long_refusal_is_cut_between_words_so_that_no_number_loses_digits():
    values = [f"{1.0625 * 10**k:g}" for k in range(60)]
    for most in range(60, 120):
        line = entry._cut(" ".join(values), most)
        assert len(line) <= most
        assert line.removesuffix(" …").split() == values[: line.count(" ")]


def test_no_commands_parser_loads_a_library_that_its_work_needs():
    code = (
        "import sys, typer\n"
        "from bench.cli.main import COMMANDS, _load\n"
        "typer.main.get_command = lambda app: app.registered_commands or app.registered_groups\n"
        "for name in COMMANDS:\n"
        "    assert _load(name, ['--help'])\n"
        f"    print(name, *(m for m in {HEAVY!r} if sys.modules.pop(m, None)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == list(entry.COMMANDS)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_completion_script_is_there_for_every_shell(shell):
    done = in_a_process(_SIGHTBENCH_COMPLETE=f"source_{shell}")
    assert done.returncode == 0
    assert "sightbench" in done.stdout


def test_the_shell_completes_commands_and_their_options():
    words = {"COMP_CWORD": "1", "_SIGHTBENCH_COMPLETE": "complete_bash"}
    assert in_a_process(COMP_WORDS="sightbench ba", **words).stdout.split() == ["bay"]
    words["COMP_CWORD"] = "2"
    options = in_a_process(COMP_WORDS="sightbench bay --", **words).stdout.split()
    assert {"--new", "--schema", "--out"} <= set(options)


@pytest.mark.slow
def test_a_reader_that_leaves_early_ends_the_command_quietly():
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-c", "from bench.cli.main import run; run()", "bay"],
        stdout=write,
        stderr=subprocess.PIPE,
        text=True,
    )
    os.close(write)
    assert done.returncode == entry.EXIT_BROKEN_PIPE
    assert done.stderr.count("\n") == 1  # what begins


def test_every_command_module_has_a_function_or_an_application():
    for name, _ in entry.COMMANDS.values():
        module = importlib.import_module(f"bench.cli.{name}")
        assert callable(getattr(module, "command", None)) != hasattr(module, "app")
