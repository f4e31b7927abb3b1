"""A real browser for the pages that people look at: skipped where there's none, never in CI.

The browser is the machine's own Chromium, driven by Playwright, which downloads nothing. The
accessibility checker is axe-core from npm, pinned in `package.json` beside this file.
`SIGHTBENCH_SCREENSHOTS` names a folder that keeps the screenshots.
"""

import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn
from urllib.parse import urlsplit

import pytest

from bench.cli.main import main

HERE = Path(__file__).parent
AXE = Path("node_modules/axe-core/axe.min.js")
AXE_COMMAND = "npm install --no-package-lock --prefix tests/browser"
CHROMIUMS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
CHROMIUM_VARIABLE = "SIGHTBENCH_CHROMIUM"

# Common practice, no source: the narrowest phones in use are 360 CSS pixels wide.
PHONE = (360, 740)
DESKTOP = (1280, 900)
PATIENCE_S = 60.0  # far above what anything here takes; a test that would hang ends
# What axe calls the grave half of its four impacts.
GRAVE = ("serious", "critical")
# A page must reach nobody; these stay inside it.
INSIDE = ("data:", "blob:", "about:")
# The rules beyond WCAG 2.2 AA are advice; these tags are the standard's.
AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def refuse(reason: str) -> NoReturn:
    """Skip, or fail in CI."""
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def chromium_path() -> str:
    """Return the installed browser's path."""
    named = os.environ.get(CHROMIUM_VARIABLE)
    found = [path for path in map(shutil.which, [named] if named else CHROMIUMS) if path]
    if not found:
        wanted = named or ", ".join(CHROMIUMS)
        refuse(f"no browser: none of {wanted} is on PATH; {CHROMIUM_VARIABLE} can name one")
    return found[0]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Start Chromium for one file of tests.

    Not for the whole session: while Playwright's synchronous interface is open, an event loop
    runs in this thread, and tests elsewhere couldn't start theirs.
    """
    path = chromium_path()
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        refuse("playwright isn't installed: pip install 'sightbench[test]'")
    # Chromium refuses to run its sandbox as root
    arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=arguments)
        yield started
        started.close()


@pytest.fixture(scope="session")
def phone_size() -> tuple[int, int]:
    return PHONE


@dataclass
class Visit:
    """A page, and all that it said and asked for since it was opened."""

    page: Any
    console: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def outside(self, *allowed: str) -> list[str]:
        """Return the requests to anything that doesn't begin with one of `allowed`."""
        return [url for url in self.requests if not url.startswith((*INSIDE, *allowed))]


@pytest.fixture
def visit(browser: Any) -> Iterator[Callable[..., Visit]]:
    """Return a function that opens a page; at the end none may have an error on its console."""
    visits: list[Visit] = []
    contexts = []

    def open_page(url: str, size: tuple[int, int] = DESKTOP, **options: Any) -> Visit:
        width, height = size
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        context.set_default_timeout(1000.0 * PATIENCE_S)
        contexts.append(context)
        made = Visit(None)
        context.on("request", lambda request: made.requests.append(request.url))
        context.on("weberror", lambda error: made.errors.append(str(error.error)))
        context.on("console", lambda said: _note(made, said))
        made.page = context.new_page()
        made.page.on("websocket", lambda socket: made.requests.append(socket.url))
        made.page.goto(url, wait_until="load")
        visits.append(made)
        return made

    yield open_page
    for context in contexts:
        context.close()
    faults = [fault for made in visits for fault in made.errors + made.console]
    assert not faults, "\n".join(faults)


def _note(made: Visit, said: Any) -> None:
    if said.type not in ("error", "warning"):
        return
    # the browser's own line for an answer of 400 and above: the page's doing, not its fault
    if "server responded with a status of" in said.text:
        made.refused.append(said.text)
    else:
        made.console.append(f"{said.type}: {said.text}")


@pytest.fixture(scope="session")
def screenshot(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Return a function that keeps a picture of a page for a person to look at."""
    kept = os.environ.get("SIGHTBENCH_SCREENSHOTS")
    folder = Path(kept) if kept else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)

    def take(page: Any, name: str, full_page: bool = True) -> Path:
        path = folder / f"{name}.png"
        page.screenshot(path=path, full_page=full_page)
        return path

    return take


# Elements that reach beyond the window's sides. Not meant: what scrolls in a box of its own,
# what a box cuts off, what isn't drawn, and text for screen readers alone (1 px, or parked
# wholly beyond the left side).
STICKING_OUT = """
() => {
  const width = document.documentElement.clientWidth;
  const faults = [];
  const total = document.documentElement.scrollWidth;
  if (total > width) faults.push(`the page is ${total} px wide in a window of ${width}`);
  const boxed = (element) => {
    for (let box = element.parentElement; box && box !== document.body; box = box.parentElement) {
      const style = getComputedStyle(box);
      const cuts = style.overflowX !== 'visible' || box instanceof SVGSVGElement;
      const edge = box.getBoundingClientRect();
      if (cuts && edge.left > -1 && edge.right < width + 1) return true;
    }
    return false;
  };
  for (const element of document.querySelectorAll('body *')) {
    const box = element.getBoundingClientRect();
    if (box.width <= 1 || box.height <= 1 || box.right <= 0) continue;
    if (!element.checkVisibility({ visibilityProperty: true })) continue;
    if (box.left > -1 && box.right < width + 1) continue;
    if (boxed(element)) continue;
    const name = element.tagName.toLowerCase() + (element.id ? '#' + element.id : '')
      + (typeof element.className === 'string' && element.className
        ? '.' + element.className.trim().split(/\\s+/).join('.') : '');
    faults.push(`${name} reaches from ${Math.round(box.left)} to ${Math.round(box.right)} px`);
  }
  return faults;
}
"""


@pytest.fixture(scope="session")
def sticking_out() -> Callable[[Any], list[str]]:
    """Return a function that lists what is wider than the window."""

    def look(page: Any) -> list[str]:
        return page.evaluate(STICKING_OUT)

    return look


@pytest.fixture(scope="session")
def axe_source() -> str:
    """Return the accessibility checker's source: of the pinned version, and no other."""
    version = json.loads((HERE / "package.json").read_text())["devDependencies"]["axe-core"]
    named = os.environ.get("SIGHTBENCH_AXE")
    places = [Path(named)] if named else [HERE / AXE, *_global_axe()]
    for path in places:
        if path.is_file():
            source = path.read_text(encoding="utf-8")
            found = re.search(r"axe v([0-9.]+)", source)
            if found and found[1] == version:
                return source
    places_text = ", ".join(map(str, places))
    refuse(f"axe-core {version} is at none of {places_text}; `{AXE_COMMAND}` installs it")


def _global_axe() -> list[Path]:
    npm = shutil.which("npm")
    if npm is None:
        return []
    done = subprocess.run([npm, "root", "--global"], capture_output=True, text=True, check=False)
    root = done.stdout.strip()
    return [Path(root) / "axe-core/axe.min.js"] if root else []


@pytest.fixture(scope="session")
def grave_faults(axe_source: str) -> Callable[[Any], list[str]]:
    """Return a function that lists what axe finds serious or critical on a page."""

    def audit(page: Any) -> list[str]:
        # evaluated by the debugger: a page's content security policy doesn't stop it
        page.evaluate(f"() => {{ if (!window.axe) {{ {axe_source} }} }}")
        found = page.evaluate(
            "(tags) => axe.run(document, {runOnly: tags, resultTypes: ['violations']})", AXE_TAGS
        )
        return [
            f"{fault['impact']}: {fault['id']} ({fault['help']}) at {node['target']}: "
            f"{node['failureSummary']}"
            for fault in found["violations"]
            if fault["impact"] in GRAVE
            for node in fault["nodes"]
        ]

    return audit


@pytest.fixture(scope="session")
def small_map(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the smallest survey that has rows and columns: 2 ranges × 2 turns."""
    folder = tmp_path_factory.mktemp("browser") / "map"
    grid = ["--ranges", "2.5, 9 m", "--turns", "0, 50 deg", "--trials", "3"]
    pipelines = ["--pipeline", "aruco-subpix/ippe-lm", "--pipeline", "apriltag/ippe-lm"]
    assert main(["map", "--quiet", "--no-pictures", "--out", str(folder), *grid, *pipelines]) == 0
    return folder


class Server:
    """A command that serves a page, on a free port, as a user starts it."""

    def __init__(self, log: Path, *arguments: str) -> None:
        self.log = log
        with log.open("w") as file:
            self.process = subprocess.Popen(
                [
                    *(sys.executable, "-u", "-c", "from bench.cli.main import run; run()"),
                    *(*(arguments or ("explore",)), "--port", "0", "--no-browser"),
                ],
                stdout=file,
                stderr=subprocess.STDOUT,
                env=os.environ | {"OMP_NUM_THREADS": "1"},
            )
        self.url = self._await_url()
        self.port = urlsplit(self.url).port

    def _await_url(self) -> str:
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end and self.process.poll() is None:
            found = re.search(r"http://\S+:\d+/", self.log.read_text())
            if found:
                return found[0]
            time.sleep(0.05)
        raise AssertionError(self.log.read_text())

    def interrupt(self) -> int:
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(PATIENCE_S)

    def end(self) -> None:
        self.process.kill()
        self.process.wait()

    def ask(self, path: str = "/", method: str = "GET", **headers: str) -> tuple[int, str]:
        """Ask as no browser would: with any headers."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        try:
            connection.putrequest(method, path, skip_host="Host" in headers)
            for name, value in headers.items():
                connection.putheader(name, value)
            connection.endheaders()
            answer = connection.getresponse()
            return answer.status, answer.read().decode(errors="replace")
        finally:
            connection.close()


@pytest.fixture(scope="session")
def start_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Server]]:
    """Return a function that starts a command; the live bench of the shipped bay by default."""
    started: list[Server] = []

    def start(*arguments: str) -> Server:
        log = tmp_path_factory.mktemp("serving") / "log.txt"
        started.append(Server(log, *arguments))
        return started[-1]

    yield start
    for server in started:
        server.end()


@pytest.fixture(scope="session")
def server(start_server: Callable[..., Server]) -> Server:
    """Return a live bench that all tests share."""
    return start_server()
