"""Plug-ins: detectors and solvers found by entry point, the bench's own and anybody else's.

A distribution offers one by an entry point in the group `DETECTORS` or `SOLVERS`. The entry
point's name is the plug-in's; its object is a class or function that is called without
arguments and returns the plug-in. The bench's own are declared in the same way.
"""

from __future__ import annotations

from difflib import get_close_matches
from importlib.metadata import EntryPoint, entry_points
from importlib.util import find_spec

from bench.errors import PlugInError

DETECTORS = "sightbench.detectors"
SOLVERS = "sightbench.solvers"

# What messages call a plug-in of each group, and what it must have besides its name.
WORDS = {DETECTORS: "detector", SOLVERS: "solver"}
METHODS = {DETECTORS: ("supports", "detect"), SOLVERS: ("solve",)}
# The bench's own that need an extra, and the module that the extra brings.
OPTIONAL = {"locus": "locus", "apriltag-python": "apriltag"}


def available(group: str) -> dict[str, EntryPoint]:
    """Return the installed plug-ins of a group by name, sorted; none of them is imported.

    Those of `OPTIONAL` whose package isn't there are left out.

    Parameters
    ----------
    group : str
        `DETECTORS` or `SOLVERS`.

    Raises
    ------
    PlugInError
        Two distributions use one name for different plug-ins.
    """
    found: dict[str, EntryPoint] = {}
    for entry in entry_points(group=group):
        if entry.name in OPTIONAL and find_spec(OPTIONAL[entry.name]) is None:
            continue
        other = found.setdefault(entry.name, entry)
        if other.value != entry.value:
            raise PlugInError(
                f"{_word(group)} {entry.name} is offered twice, by {_source(other)} and "
                f"{_source(entry)}; uninstall one"
            )
    return dict(sorted(found.items()))


def load(group: str, name: str) -> object:
    """Return a new instance of the plug-in called `name`.

    Raises
    ------
    PlugInError
        No such plug-in is installed (the message suggests close names), it can't be imported
        or made, lacks a method of its protocol, or calls itself by another name.
    """
    word = _word(group)
    known = available(group)
    if name not in known and group == DETECTORS and name in OPTIONAL:
        raise PlugInError(
            f"detector {name} needs a package that isn't installed: "
            f"pip install 'sightbench[{name}]'"
        )
    if name not in known:
        close = get_close_matches(name, known, n=3)
        hint = f"did you mean {' or '.join(close)}?" if close else f"known: {', '.join(known)}"
        raise PlugInError(f"no {word} is called {name!r}; {hint if known else 'none installed'}")
    entry = known[name]
    try:
        plugin = entry.load()()
    except Exception as error:  # the boundary to foreign code
        reason = " ".join(f"{type(error).__name__}: {error}".split())
        raise PlugInError(
            f"{word} {name} of {_source(entry)} can't be loaded: {reason}"
        ) from error
    lacking = [m for m in METHODS.get(group, ()) if not callable(getattr(plugin, m, None))]
    if lacking:
        raise PlugInError(f"{word} {name} of {_source(entry)} lacks {' and '.join(lacking)}")
    own = getattr(plugin, "name", None)
    if own != name:
        # tables carry the plug-in's own name, commands take the entry point's
        raise PlugInError(f"{word} {name} of {_source(entry)} must have this name, not {own!r}")
    return plugin


def _word(group: str) -> str:
    return WORDS.get(group, "plug-in")


def _source(entry: EntryPoint) -> str:
    """Return the distribution and object of an entry point, for messages."""
    return f"{entry.dist.name if entry.dist else 'an unnamed distribution'} ({entry.value})"
