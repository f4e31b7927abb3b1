"""The command `sightbench`: finds the subcommand, runs it, turns errors into one line.

Commands are imported when they are run: the libraries behind them take seconds to load, which
neither ``--help`` nor shell completion should cost. To add a command, write a module
``bench/cli/<name>.py`` with a function ``command``, or with a typer application ``app`` of
subcommands, and add a line to `COMMANDS`.
"""

from __future__ import annotations

import errno
import importlib
import os
import shlex
import sys
from collections.abc import Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from bench import __version__
from bench.cli.given import GIVEN
from bench.cli.options import RENAMED
from bench.errors import BenchError

PROGRAM = "sightbench"
# name: (module in bench.cli, one line for the list of commands)
COMMANDS = {
    "bay": ("bay", "Check a bay file and say what it describes."),
    "view": ("view", "Show what each tower sees, and what hides targets."),
    "aim": ("aim", "Say whether each tower sees its targets, and where."),
    "site": ("site", "Find where to stand the towers and how to aim them."),
    "map": ("map", "Map detection rate and pose error over range and tilt."),
    "contour": ("contour", "Find where a tolerance stops holding, with few pictures."),
    "limits": ("limits", "Say how far and how steep a tolerance holds."),
    "choose": ("choose", "Say which drawing on a plate holds the tolerance farthest."),
    "register": ("register", "Tie two towers to each other by a bar: plan, rehearse, solve."),
    "level": ("level", "Tell towers which way is up: rehearse it, or solve it."),
    "wheels": ("wheels", "Compute toe, camber, thrust and caster from measured poses."),
    "budget": ("budget", "Say how uncertain toe, camber and thrust are, and why."),
    "proof": ("proof", "Plan and evaluate checks of a bay on site."),
    "measure": ("measure", "Run the same pipeline on real pictures."),
    "intrinsics": ("intrinsics", "Calibrate a camera from pictures of a board."),
    "targets": ("targets", "Print targets to true scale."),
    "report": ("report", "Write a finished map as one HTML page, and as PDF."),
    "illustrate": ("illustrate", "Make teaching pictures of good and bad views of a target."),
    "explore": ("explore", "Try out views of a target in the browser."),
    "conform": ("conform", "Tell whether a pipeline keeps to the conventions."),
    "verify": ("verify", "Record baselines; say whether a change made a pipeline worse."),
}

EXIT_DONE, EXIT_BAD_INPUT, EXIT_INTERRUPTED, EXIT_BROKEN_PIPE = 0, 2, 130, 141
# What the machine, not the bench, refuses.
REFUSALS = (
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EROFS,
    errno.EACCES,
    errno.EPERM,
    errno.ENAMETOOLONG,
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
        return name, (found if name is None else _load(name)), rest


def _load(name: str) -> Any:
    module = importlib.import_module(f"bench.cli.{COMMANDS[name][0]}")
    group = getattr(module, "app", None)
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
    try:
        given = list(sys.argv[1:] if arguments is None else arguments)
        GIVEN.set(shlex.join([PROGRAM, *given]))
        code = app(given, prog_name=PROGRAM, standalone_mode=False)
        sys.stdout.flush()
        if code == EXIT_INTERRUPTED:  # what typer makes of a KeyboardInterrupt
            return _interrupted()
        return code if isinstance(code, int) else EXIT_DONE
    except BenchError as error:
        return _refuse(str(error))
    except (typer.Abort, KeyboardInterrupt):
        return _interrupted()
    except BrokenPipeError:
        return _unheard()
    except SystemExit as end:
        # typer's way out of a broken pipe is code 1, which here is a verdict
        if isinstance(end.__context__, BrokenPipeError):
            return _unheard()
        raise
    except OSError as error:
        if error.errno not in REFUSALS:
            raise
        where = f"{error.filename}: " if error.filename else ""
        return _refuse(f"{where}{error.strerror}")
    except Exception as error:
        # typer's own usage errors; the class that they share isn't public in all its versions
        message = getattr(error, "format_message", None)
        if message is None:
            raise
        context = getattr(error, "ctx", None)
        path = PROGRAM if context is None else context.command_path
        old = getattr(error, "option_name", "")
        new = RENAMED.get(((path.split() + ["", ""])[1], old))
        if new:
            return _refuse(f"{old}: is called {new} now; see '{path} --help'")
        return _refuse(f"{message().rstrip('.')}; see '{path} --help'")


def _refuse(message: str) -> int:
    line = " ".join(message.split())
    print(f"{PROGRAM}: {line}", file=sys.stderr)
    return EXIT_BAD_INPUT


def _interrupted() -> int:
    print(f"{PROGRAM}: interrupted", file=sys.stderr)
    return EXIT_INTERRUPTED


def _unheard() -> int:
    """Let nothing more be written: the reader has gone (`sightbench limits … | head`)."""
    sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  # until the process ends
    return EXIT_BROKEN_PIPE


def run() -> None:
    """Entry point of the installed command."""
    sys.exit(main())
