"""The command `sightbench`: finds the subcommand, runs it, turns errors into one line.

Commands are imported when they are run: the libraries behind them take seconds to load, which
neither ``--help`` nor shell completion should cost. To add a command, write a module
``bench/cli/<name>.py`` with a function ``command``, or with a typer application ``app`` of
subcommands, and add a line to `COMMANDS`.
"""

from __future__ import annotations

import errno
import importlib
import io
import os
import shlex
import signal
import sys
import warnings
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from bench import __version__
from bench.cli.given import GIVEN, STARTED
from bench.cli.numbers_given import refuse_odd_numbers
from bench.errors import BenchError
from bench.files import left_words, settle, together
from bench.provenance import now
from bench.units import shown

PROGRAM = "sightbench"
# name: (module in bench.cli, one line for the list of commands)
COMMANDS = {
    "book": ("book", "One folder for one bay: how far it is, what comes next."),
    "bay": ("bay", "Check a bay file and say what it describes."),
    "view": ("view", "Show what each tower sees, and what hides targets."),
    "aim": ("aim", "Say whether each tower sees its targets, and where."),
    "site": ("site", "Find where to stand the towers and how to aim them."),
    "map": ("map", "Map detection rate and pose error over range and tilt."),
    "contour": ("contour", "Find where a tolerance stops holding, with few pictures."),
    "limits": ("limits", "Say how far and how steep a tolerance holds."),
    "choose": ("choose", "Say which drawing on a plate holds the tolerance farthest."),
    "register": ("register", "Tie two towers together by a bar: plan, rehearse, solve."),
    "level": ("level", "Tell towers which way is up: rehearse it, or solve it."),
    "wheels": ("wheels", "Compute toe, camber, thrust and caster from measured poses."),
    "budget": ("budget", "Say how uncertain toe, camber and thrust are, and why."),
    "proof": ("proof", "Plan and evaluate checks of a bay on site."),
    "measure": ("measure", "Run the same pipeline on real pictures."),
    "intrinsics": ("intrinsics", "Calibrate a camera from pictures of a board."),
    "characterise": ("characterise", "Measure a camera; say whether the bench predicts it."),
    "targets": ("targets", "Print targets to true scale."),
    "report": ("report", "Write a map, or a bay book, as one page, and as PDF."),
    "illustrate": ("illustrate", "Make teaching pictures of good and bad views of a target."),
    "explore": ("explore", "Try out views of a target in the browser."),
    "conform": ("conform", "Tell whether a pipeline keeps to the conventions."),
    "verify": ("verify", "Record baselines; say if a change made a pipeline worse."),
}

# Whose work is kept as it comes and goes on where it was stopped. Of all others what they write
# appears together at the end, or not at all.
RESUMED = ("map", "contour", "choose", "verify")

EXIT_DONE, EXIT_BAD_INPUT, EXIT_INTERRUPTED, EXIT_BROKEN_PIPE = 0, 2, 130, 141
# Of a refusal, the program's name included: more isn't read, and isn't one line on a screen.
MAX_LINE = 200
# What the machine, not the bench, refuses.
REFUSALS = (
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EROFS,
    errno.EACCES,
    errno.EPERM,
    errno.ENAMETOOLONG,
    errno.EIO,
    errno.ENOMEM,
    errno.EMFILE,
    errno.ENFILE,
)
# How libraries say, each in its own error, that there was no memory left.
NO_MEMORY = (
    "name 'plr' is not defined",  # polars goes on without its library and trips over it
    "cannot allocate memory",
    "failed to map segment",
    "insufficient memory",
    "error return without exception set",
)
EPILOG = "Exit codes: 0 done, 1 a negative verdict, 2 bad input, 3 could not judge."


class LazyGroup(TyperGroup):
    """Lists every command from `COMMANDS`, imports the one that is called."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        for name, (_, summary) in COMMANDS.items():
            self.commands[name] = TyperCommand(name, help=summary, callback=None)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Return the command's name, the command itself, and what is left of the arguments."""
        name, found, rest = super().resolve_command(ctx, args)
        return name, (found if name is None else _load(name, rest)), rest


def _load(name: str, arguments: Sequence[str] = ()) -> Any:
    module = importlib.import_module(f"bench.cli.{COMMANDS[name][0]}")
    group = getattr(module, "app", None)
    refuse_odd_numbers(group or module.command, arguments)
    if group is not None:
        return typer.main.get_command(group)
    alone = typer.Typer(add_completion=False, rich_markup_mode=None)
    alone.command(name)(module.command)
    return typer.main.get_command(alone)


app = typer.Typer(
    cls=LazyGroup,
    name=PROGRAM,
    epilog=EPILOG,
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"{PROGRAM} {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    context: typer.Context,
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Test bench for fiducial targets seen from the camera towers of a wheel-measurement bay.

    Every command runs bare on the bay that ships with the package; start with 'sightbench map'.
    """
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return the exit code.

    Parameters
    ----------
    arguments : sequence of str or None
        Without the program's name; None takes the process's own.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    if given[:1] and given[0] in RESUMED:
        return _run(given)
    try:
        with together() as drop:
            code = _run(given)
            if code in (EXIT_BAD_INPUT, EXIT_INTERRUPTED):
                drop()
        return code
    except BenchError as error:
        return _refuse(str(error))
    except SystemError as error:
        # where memory ends in the interpreter's own C code
        refused = _machine_refuses(error)
        if refused is None:
            raise
        return _refuse(refused)


def _run(given: Sequence[str]) -> int:
    """Run one command and return the exit code, errors told."""
    try:
        # a name that isn't UTF-8 can be opened, but neither printed nor written in a result
        words = shlex.join([PROGRAM, *given]).encode(errors="backslashreplace").decode()
        GIVEN.set(words)
        STARTED.set(now())
        code = app(list(given), prog_name=PROGRAM, standalone_mode=False)
        sys.stdout.flush()
        if code == EXIT_INTERRUPTED:  # what typer makes of a KeyboardInterrupt
            return _interrupted(given)
        return code if isinstance(code, int) else EXIT_DONE
    except BenchError as error:
        return _refuse(str(error))
    except (typer.Abort, KeyboardInterrupt):
        return _interrupted(given)
    except BrokenPipeError:
        return _unheard()
    except SystemExit as end:
        # typer's way out of a broken pipe is code 1, which here is a verdict
        if isinstance(end.__context__, BrokenPipeError):
            return _unheard()
        raise
    except Exception as error:
        refused = _machine_refuses(error) or _usage(error, given)
        if refused is None:
            raise
        return _refuse(refused)


def _machine_refuses(error: Exception) -> str | None:
    """Return what the machine refused, or None where it isn't to blame."""
    if isinstance(error, OSError) and error.errno in REFUSALS:
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror}"
    said = str(error).lower()
    if isinstance(error, MemoryError) or any(words in said for words in NO_MEMORY):
        return "not enough memory for this"
    return None


def _usage(error: Exception, given: Sequence[str]) -> str | None:
    """Return what typer's own usage errors say; None for other errors."""
    # the class that they share isn't public in all its versions
    message = getattr(error, "format_message", None)
    if message is None:
        return None
    context = getattr(error, "ctx", None)
    path = PROGRAM if context is None else context.command_path
    hint = f"; see '{path} --help'"
    # what pydantic says, which typer leaves in, names neither itself nor the value
    said = message().replace("Value error, ", "").rstrip(".")
    option = said.partition("'")[2].partition("'")[0]
    if option in given[:-1]:
        value = given[given.index(option) + 1]
        said = said.replace("Input should be", f"{shown(value)} must be")
    return _cut(said, MAX_LINE - len(f"{PROGRAM}: {hint}")) + hint


def _refuse(message: str) -> int:
    line = _cut(message, MAX_LINE - len(f"{PROGRAM}: "))
    print(f"{PROGRAM}: {line}", file=sys.stderr)
    return EXIT_BAD_INPUT


def _cut(message: str, most: int) -> str:
    """Return a message as one line of no more than `most` characters, no number cut in two."""
    words = "".join(c if c.isprintable() else " " for c in message).split()
    if len(" ".join(words)) > most:
        words = [_short(word) for word in words]
    line = " ".join(words)
    return line if len(line) <= most else f"{line[: most - 1].rpartition(' ')[0]} …"


def _short(word: str) -> str:
    """Return a word that leaves room for others: of a path, the file's own name says enough."""
    if os.sep in word and len(word) > 30:
        quote = word[0] if word[0] in "'`\"(" else ""
        word = quote + Path(word).name
    return word if len(word) <= 60 else f"{word[:59]}…"


def _interrupted(given: Sequence[str]) -> int:
    kept = given[:1] and given[0] in RESUMED
    left = "the same command goes on from what is done" if kept else left_words()
    print(f"{PROGRAM}: interrupted; {left}", file=sys.stderr)
    return EXIT_INTERRUPTED


def _unheard() -> int:
    """Let nothing more be printed: the reader has gone (`sightbench limits … | head`)."""
    settle()  # the files are for others
    sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  # until the process ends
    return EXIT_BROKEN_PIPE


def run() -> None:
    """Entry point of the installed command."""
    _open_streams()
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)  # Windows has no SIGHUP
        # what is ignored stays so: that is what nohup asks for
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _interrupt)
    if not sys.warnoptions:
        # libraries' warnings mean their callers, not who runs the command; tests raise them
        warnings.simplefilter("ignore")
        os.environ.setdefault("PYTHONWARNINGS", "ignore")  # workers' too
    _say_begun(sys.argv[1:])
    sys.exit(main())


def _say_begun(given: Sequence[str]) -> None:
    """Say on stderr what begins, before its libraries load: that takes longer than people wait."""
    name = given[0] if given else ""
    if name in COMMANDS and not {"--help", "--quiet"} & set(given):
        with suppress(OSError):  # nobody may hear it
            print(f"{PROGRAM} {name}: {COMMANDS[name][1]}", file=sys.stderr, flush=True)


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _open_streams() -> None:
    """Give closed standard streams a void, and let what a stream can't encode be escaped.

    Otherwise the first file that is opened would take a closed stream's place, and what is
    printed would go into it.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
