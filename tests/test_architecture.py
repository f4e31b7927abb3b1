"""The rules that keep truth and estimate apart, read from the source: who may import whom."""

import ast
import re
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

import bench

ROOT = Path(bench.__file__).parent

# A later layer may import an earlier one, never the reverse. The files of the first stand alone;
# of rooms in one tuple none imports another, so that no two rooms can depend on each other.
LAYERS = (
    (
        "errors",
        "kernel",
        "conformity",
        "typing",
        "units",
        "plugins",
        "assets",
        "defaults",
        "files",
        "places",
        "parsing",
        "processes",
        "quiet",
        "digest",
        "provenance",
        "envelope",
        "strict",
        "tables",
        "pages",
    ),
    ("geometry",),
    ("targets",),
    ("imaging",),
    ("scene",),
    ("render",),
    ("detect",),
    ("solve",),
    ("built",),
    ("survey",),
    ("draw",),
    ("cameras", "maps", "sighting"),
    ("choice", "siting", "registration"),
    ("setting_out", "wheels", "budget"),
    ("proof", "teaching", "aiming", "characterise"),
    ("book",),
    ("verify",),
    ("report", "explore"),
    ("workbench",),
    ("cli",),
)
RANK = {name: rank for rank, layer in enumerate(LAYERS) for name in layer}
# A room that a reader can't hold in mind is two rooms.
LARGEST_ROOM = 0.1

# Pipelines see what a camera sees, and solvers what was measured: no scene, no renderer, nothing
# that knows the truth. Rooms as a whole, and files of rooms that also rehearse with known truth.
BLIND = (
    "detect",
    "solve",
    "cameras.intrinsics",
    "cameras.intrinsics_views",
    "registration.fit",
    "registration.checks",
    "registration.level",
    "registration.model",
    "registration.rank",
    "registration.sights",
    "registration.start",
    "registration.systematic",
    "wheels.steering",
    "wheels.vehicle",
)
HIDDEN = ("scene", "render", "survey")

# A display driver may be absent: only the 3-D renderer needs one, and only when it is used.
GRAPHICS = ("pyrender", "trimesh", "OpenGL")
# Reads mesh files without any driver; slow to import all the same.
MESHES = "trimesh"

TRUTH = re.compile(r"_true(?![a-z])")


@dataclass(frozen=True)
class Import:
    """One imported module: where, what, and whether it happens when the file is imported."""

    line: int
    module: str
    at_once: bool
    for_types: bool


@dataclass(frozen=True)
class Source:
    """One module of the package."""

    name: str
    is_package: bool
    tree: ast.Module

    @property
    def layer(self) -> str:
        return (self.name.split(".") + [""])[1]

    @property
    def blind(self) -> bool:
        inside = self.name.partition(".")[2]
        return any(inside == one or inside.startswith(f"{one}.") for one in BLIND)


def read_package(root: Path) -> dict[str, Source]:
    """Return the modules of the package in folder `root` by their dotted name."""
    sources = {}
    for path in sorted(root.rglob("*.py")):
        parts = [root.name, *path.relative_to(root).with_suffix("").parts]
        is_package = parts[-1] == "__init__"
        name = ".".join(parts[:-1] if is_package else parts)
        sources[name] = Source(name, is_package, ast.parse(path.read_text(encoding="utf-8")))
    return sources


def imports_of(source: Source, known: dict[str, Source]) -> list[Import]:
    """Return all imports of a module, those inside functions and for type checkers too."""
    found = []
    for line, name, plain, at_once, for_types in _imported(source):
        # `from bench.detect import aruco` is the module, `... import Detection` isn't
        module = name if plain or name in known else name.rpartition(".")[0]
        found.append(Import(line, module, at_once and not for_types, for_types))
    return found


@cache
def _imported(source: Source) -> list[tuple[int, str, bool, bool, bool]]:
    """Return line, name, whether it is a plain import, happens at once, and is for types."""
    found: list[tuple[int, str, bool, bool, bool]] = []

    def visit(node: ast.AST, at_once: bool, for_types: bool) -> None:
        plain = isinstance(node, ast.Import)
        for name in _named(node, source):
            found.append((node.lineno, name, plain, at_once, for_types))
        inside = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        checking = isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.expr):
                continue  # no expression holds an import
            in_body = not checking or child in node.body
            visit(child, at_once and not inside, for_types or (checking and in_body))

    visit(source.tree, True, False)
    return found


def _named(node: ast.AST, source: Source) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if not isinstance(node, ast.ImportFrom):
        return []
    base = node.module or ""
    if node.level:
        parts = source.name.split(".")
        parts = parts[: len(parts) - node.level + source.is_package]
        base = ".".join([*parts, base] if base else parts)
    return [f"{base}.{alias.name}" for alias in node.names]


def layer_faults(sources: dict[str, Source]) -> list[str]:
    """Return the modules in no layer, and the imports of a later layer or of a room beside."""
    package = min(sources)
    faults = []
    for source in sources.values():
        if source.name == package:
            continue
        if source.layer not in RANK:
            faults.append(f"{source.name}: '{source.layer}' is in no layer")
            continue
        for item in imports_of(source, sources):
            head, _, rest = item.module.partition(".")
            room = rest.partition(".")[0]
            rank, own = RANK.get(room, 0), RANK[source.layer]
            beside = rank == own > 0 and room != source.layer
            if head == package and (rank > own or beside):
                faults.append(f"{source.name}:{item.line} imports {item.module}")
    return faults


def truth_faults(sources: dict[str, Source]) -> list[str]:
    """Return what detectors and solvers import or name that they may not know of."""
    package = min(sources)
    faults = []
    for source in sources.values():
        if not source.blind:
            continue
        hidden = tuple(f"{package}.{name}" for name in HIDDEN)
        for item in imports_of(source, sources):
            if item.module.startswith(hidden):
                faults.append(f"{source.name}:{item.line} imports {item.module}")
        documentation = _docstrings(source.tree)
        for node in ast.walk(source.tree):
            for word in [] if node in documentation else _words(node):
                if TRUTH.search(word) or word in ("import_module", "__import__"):
                    faults.append(f"{source.name}:{node.lineno} names {word}")
    return faults


def _docstrings(tree: ast.Module) -> set[ast.AST]:
    """Return the constants that are docstrings."""
    found = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list) and body and isinstance(body[0], ast.Expr):
            found.add(body[0].value)
    return found


def _words(node: ast.AST) -> list[str]:
    """Return what an expression or definition names, and the text of a string."""
    words = [getattr(node, field, None) for field in ("id", "attr", "arg", "name", "asname")]
    if isinstance(node, ast.Constant):
        words.append(node.value)
    return [word for word in words if isinstance(word, str) and hasattr(node, "lineno")]


def cycles(sources: dict[str, Source]) -> list[str]:
    """Return one round trip for each module that imports itself through others."""
    graph = {
        name: {
            item.module
            for item in imports_of(source, sources)
            if item.module in sources and not item.for_types
        }
        for name, source in sources.items()
    }
    found: list[str] = []
    done: set[str] = set()

    def walk(name: str, way: tuple[str, ...]) -> None:
        if name in way:
            found.append(" -> ".join((*way[way.index(name) :], name)))
        elif name not in done:
            for other in sorted(graph[name]):
                walk(other, (*way, name))
            done.add(name)

    for name in graph:
        walk(name, ())
    return found


def graphics_faults(sources: dict[str, Source]) -> list[str]:
    """Return imports of graphics outside the renderer, or whenever the command line starts."""
    package = min(sources)
    graph = {name: imports_of(source, sources) for name, source in sources.items()}
    faults = [
        f"{name}:{item.line} imports {item.module}"
        for name, items in graph.items()
        for item in items
        if item.module.partition(".")[0] in GRAPHICS
        and sources[name].layer != "render"
        and not (item.module.partition(".")[0] == MESHES and sources[name].layer == "scene")
    ]
    reached, todo = set(), [name for name in sources if sources[name].layer == "cli"]
    while todo:
        name = todo.pop()
        if name in reached:
            continue
        reached.add(name)
        for item in graph[name]:
            if item.at_once and item.module.partition(".")[0] in GRAPHICS:
                faults.append(f"{package}'s command line loads {item.module} through {name}")
            # what commands use, they import in their functions, so that --help needn't
            elif item.module in sources and (item.at_once or sources[name].layer == "cli"):
                todo.append(item.module)
    return faults


def title_faults(sources: dict[str, Source]) -> list[str]:
    """Return the modules whose first line is a question: a noun phrase says what they hold."""
    asks = re.compile(r"(What|How|Whether|Where|Which|When|Why|Who|Whose)\b")
    titles = {name: ast.get_docstring(source.tree) or "" for name, source in sources.items()}
    return [
        f"{name}: {title.splitlines()[0]}" for name, title in titles.items() if asks.match(title)
    ]


RULES = {
    "layers": layer_faults,
    "truth": truth_faults,
    "cycles": cycles,
    "graphics": graphics_faults,
    "titles": title_faults,
}


@pytest.fixture(scope="module")
def sources():
    return read_package(ROOT)


@pytest.mark.parametrize("rule", RULES)
def test_the_package_keeps(sources, rule):
    assert RULES[rule](sources) == []


def test_the_package_is_read_whole(sources):
    assert {"bench", "bench.errors", "bench.detect", "bench.detect.aruco"} <= set(sources)
    imported = {item.module for item in imports_of(sources["bench.detect.aruco"], sources)}
    assert {"cv2", "bench.detect.markers", "bench.detect.claims"} <= imported


def test_no_room_exceeds_a_tenth_of_the_code():
    lines = Counter()
    for path in ROOT.rglob("*.py"):
        lines[path.relative_to(ROOT).parts[0]] += len(path.read_text("utf-8").splitlines())
    share = {room: n / lines.total() for room, n in lines.items()}
    assert {room: s for room, s in share.items() if s > LARGEST_ROOM} == {}


# What each rule (or two) must see, in a package of one file besides `bench/detect/eyes.py`.
VIOLATIONS = {
    "later layer": ("layers", "targets/a.py", "from bench.imaging.model import Imaging"),
    "later layer, in a function": ("layers", "geometry/a.py", "def f():\n    import bench.detect"),
    "later layer, for types": (
        "layers",
        "errors.py",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from bench.solve import pnp",
    ),
    "later layer, relative": ("layers", "targets/a.py", "from ..detect import eyes"),
    "later layer, two dots up": ("layers", "units.py", "from . import detect"),
    "unknown layer": ("layers", "magic/a.py", ""),
    "room beside": ("layers", "siting/a.py", "from bench.choice import words"),
    "scene, in a room's solver": ("truth", "registration/fit.py", "import bench.scene"),
    "scene": ("truth", "solve/a.py", "from bench.scene.model import Bay"),
    "renderer, in a function": ("truth", "detect/a.py", "def f():\n    from bench import render"),
    "survey": ("truth layers", "solve/a.py", "import bench.survey.columns"),
    "a true pose": ("truth", "solve/a.py", "def f(case):\n    return case.T_camera_target_true"),
    "a true column": ("truth", "detect/a.py", "COLUMN = 'range_true_m'"),
    "a true argument": ("truth", "detect/a.py", "def f(pose_true): ..."),
    "import by name": ("truth", "detect/a.py", "import importlib\nimportlib.import_module('x')"),
    "two files": ("cycles", "detect/a.py", "from bench.detect import eyes"),
    "itself": ("cycles", "solve/a.py", "def f():\n    from bench.solve import a"),
    "graphics elsewhere": ("graphics", "draw/a.py", "def f():\n    import trimesh.creation"),
    "a renderer in the scene": ("graphics", "scene/a.py", "def f():\n    import pyrender"),
    "graphics at the start": ("graphics", "render/gl.py", "import pyrender"),
    "a question": ("titles", "solve/a.py", '"""What a fit says."""'),
}


def fake_package(root, file, code):
    package = root / "bench"
    files = {
        "__init__.py": "",
        "detect/__init__.py": "",
        "render/__init__.py": "",
        "detect/eyes.py": '"""Never x_true."""\nfrom bench.detect import a\n',
        "cli/main.py": "import bench.render.gl\n",
        file: code,
    }
    for name, text in files.items():
        path = package / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return read_package(package)


@pytest.mark.parametrize("name", VIOLATIONS)
def test_a_violation_is_seen(name, tmp_path):
    rules, file, code = VIOLATIONS[name]
    sources = fake_package(tmp_path, file, code)
    assert {r for r in RULES if RULES[r](sources)} == set(rules.split())


@pytest.mark.parametrize(
    ("file", "code"),
    [
        ("solve/a.py", "from bench.imaging.model import Imaging\nfrom bench.detect import eyes"),
        ("detect/b.py", '"""Knows no T_true."""\ndef f():\n    """Nor x_true."""'),
        ("survey/a.py", "T_camera_target_true = None\nimport bench.scene"),
        ("render/gl.py", "def f():\n    import pyrender"),
        (
            "detect/a.py",
            "import typing\nif typing.TYPE_CHECKING:\n    from bench.detect import eyes",
        ),
        ("errors.py", "from bench import __version__\nfrom bench.units import length"),
    ],
)
def test_what_is_allowed_is_left_alone(file, code, tmp_path):
    sources = fake_package(tmp_path, file, code)
    assert {r: RULES[r](sources) for r in RULES} == {r: [] for r in RULES}
