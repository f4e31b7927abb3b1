"""The web application: thin, for all that it answers comes from pure functions."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from concurrent.futures import Future
from itertools import groupby
from pathlib import Path
from threading import Thread
from typing import Any, TypeVar

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from bench import __version__
from bench.assets import asset
from bench.built.sizes import words_of_sizes
from bench.explore.bay_app import GONE, bay_routes
from bench.explore.controls import ALONE, BAYS, CONTROLS, DIRT, GROUPS, SELDOM, TRACED
from bench.explore.guard import Guard
from bench.explore.place import Place, known_choices
from bench.explore.predicted import curve, predicted_map
from bench.explore.result import bound, coarse, compute
from bench.explore.runs import Runs
from bench.explore.saving import STEM, archive, illustration
from bench.explore.state import INSTEAD, State, StateError, read_state, shown
from bench.survey.setup import request_of_bay

Result = TypeVar("Result")
GLANCE, MOST_LEFT = 0.2, 2  # seconds between looks at who waits; jobs that go on unseen
OVER = "over"  # what a curve is drawn over, beside a state in a query


class Queue:
    """One job at a time, and those who wait for their turn.

    A slider asks for more than can be drawn: what the page has given up isn't computed, and holds
    nobody up where it is in work already.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._turn = asyncio.Lock()
        self._left = 0  # jobs that nobody waits for any more, still in work

    async def work(self, request: Request, job: Callable[[], Result]) -> Result | None:
        """Do a job; None if nobody waits for it any more."""
        async with self._turn:
            if await request.is_disconnected():
                return None
            future: Future[Result] = Future()
            # a daemon, as no pool's thread is: Ctrl-C needn't wait for a picture of half a minute
            Thread(target=_fulfil, args=(future, job), name=self._name, daemon=True).start()
            answer = asyncio.wrap_future(future)
            while not (await asyncio.wait((answer,), timeout=GLANCE))[0]:
                # a thread can't be ended; a few may go on unseen
                if self._left < MOST_LEFT and await request.is_disconnected():
                    self._left += 1
                    answer.add_done_callback(self._ended)
                    return None
            return answer.result()

    def _ended(self, answer: asyncio.Future[Any]) -> None:
        """Count a job that went on unseen as done; what it raises isn't anybody's."""
        self._left -= 1
        answer.exception()


def _fulfil(future: Future[Result], job: Callable[[], Result]) -> None:
    """Give a future what a job returns or raises."""
    if not future.set_running_or_notify_cancel():
        return
    try:
        future.set_result(job())
    except BaseException as error:  # the one who awaits it gets it
        future.set_exception(error)


class Desk:
    """What the routes share: the place, its runs, a queue for pictures, one for what is slow."""

    def __init__(self, place: Place, runs: Runs) -> None:
        self.place = place
        self.runs = runs
        self.pictures = Queue("picture")
        self.slow = Queue("slow")

    def state(self, request: Request) -> State:
        """Return the state of a request's query.

        Raises
        ------
        StateError
            As `read_state`.
        """
        given = {n: v for n, v in request.query_params.items() if n != OVER}
        return read_state(given, self.place.default)


def make_app(
    place: Place, port: int, bay_file: Path | None = None, runs: Runs | None = None
) -> Guard:
    """Return the guarded application.

    Parameters
    ----------
    place : Place
        What is tried out.
    port : int
        That it will be served at.
    bay_file : Path, optional
        For the command in a sidecar.
    runs : Runs, optional
        Where runs are kept, for who wants to end them.
    """
    desk = Desk(place, Runs(place) if runs is None else runs)
    folder = asset("explore/page.html").parent
    pages = Environment(
        loader=FileSystemLoader(folder), autoescape=True, undefined=StrictUndefined
    )
    template = pages.get_template("page.html")
    bay_page = pages.get_template("bay.html")

    async def page(request: Request) -> Response:
        problems: list[dict[str, str]] = []
        try:
            state, unknown = known_choices(desk.state(request), place)
            problems = _problems(StateError(*unknown))
        except StateError as error:
            state, problems = place.default, _problems(StateError(*error.problems, INSTEAD))
        facts = await run_in_threadpool(_facts, place, state, problems)
        return HTMLResponse(await run_in_threadpool(template.render, **facts))

    async def view(request: Request) -> Response:
        state = desk.state(request)
        found = await desk.pictures.work(request, lambda: compute(state, place))
        return Response(status_code=GONE) if found is None else JSONResponse(found)

    async def first_look(request: Request) -> Response:
        """Answer with a coarse picture, while its own is at work in the other queue."""
        state = desk.state(request)
        found = await desk.slow.work(request, lambda: coarse(state, place))
        return Response(status_code=GONE) if found is None else JSONResponse(found)

    async def slow_bound(request: Request) -> Response:
        state = desk.state(request)
        found = await desk.slow.work(request, lambda: bound(state, place))
        return Response(status_code=GONE) if found is None else JSONResponse(found)

    async def whole_map(request: Request) -> Response:
        state = desk.state(request)
        found = await desk.slow.work(request, lambda: predicted_map(state, place))
        return Response(status_code=GONE) if found is None else JSONResponse(found)

    async def slow_curve(request: Request) -> Response:
        state, over = desk.state(request), request.query_params.get(OVER, "")
        found = await desk.slow.work(request, lambda: curve(state, over, place))
        return Response(status_code=GONE) if found is None else JSONResponse(found)

    async def point(request: Request) -> Response:
        """Answer with one picture's error, for a curve: it may wait, the picture shown may not."""
        state = desk.state(request)
        found = await desk.slow.work(request, lambda: compute(state, place))
        if found is None:
            return Response(status_code=GONE)
        return JSONResponse({n: found[n] for n in ("outcome", "judgement")})

    async def start_run(request: Request) -> Response:
        run = await run_in_threadpool(desk.runs.start, desk.state(request))
        return JSONResponse(run.report(), status_code=201)

    async def watch_run(request: Request) -> Response:
        run = desk.runs.get(request.path_params["run_id"])
        if run is None:
            raise HTTPException(404)
        if request.method == "DELETE":
            run.cancel()
            await run_in_threadpool(run.wait, 10.0)
        after = request.query_params.get("after", "0")
        # no run has so many points as nine digits say
        known = int(after) if after.isdecimal() and len(after) < 10 else 0
        return JSONResponse(run.report(known))

    async def save(request: Request) -> Response:
        state = desk.state(request)
        files = await desk.slow.work(request, lambda: illustration(state, place, bay_file))
        if files is None:
            return Response(status_code=GONE)
        named = {"Content-Disposition": f'attachment; filename="{STEM}.zip"'}
        return Response(archive(files), media_type="application/zip", headers=named)

    routes = [
        Route("/", page),
        Route("/api/view", view),
        Route("/api/coarse", first_look),
        Route("/api/bound", slow_bound),
        Route("/api/map", whole_map),
        Route("/api/curve", slow_curve),
        Route("/api/point", point),
        Route("/api/runs", start_run, methods=["POST"]),
        Route("/api/runs/{run_id}", watch_run, methods=["GET", "DELETE"]),
        Route("/api/illustration", save, methods=["POST"]),
        *bay_routes(place.movable, bay_page, desk.pictures, desk.slow, bay_file),
        Mount("/files", StaticFiles(directory=folder)),
    ]
    handlers: dict[Any, Callable[[Request, Any], Awaitable[Response]]] = {
        StateError: _unprocessable,
        HTTPException: _plain_error,
        Exception: _defect,
    }
    return Guard(Starlette(routes=routes, exception_handlers=handlers), port)


def _facts(place: Place, state: State, problems: list[dict[str, str]]) -> dict[str, Any]:
    """Return what the page's template needs."""
    able = {name: place.able(name) for name in place.targets}
    values = {name: shown(value) for name, value in state.as_dict().items()}
    defaults = {name: shown(value) for name, value in place.default.as_dict().items()}
    bay, request = place.bay, request_of_bay(place.bay)
    return {
        "bay": bay,
        "tolerance": request,
        "groups": {g: [c for c in CONTROLS if c.group == g] for g in GROUPS},
        "tower_options": [(name, name) for name in place.towers],
        "targets": place.targets,
        "pipeline_groups": _by_detector({name: name for name in place.pipelines}),
        "rival_groups": {
            **{group: list(place.rivals[group].items()) for group in ("Camera", "Target")},
            **_by_detector(place.rivals["Pipeline"]),
        },
        "alone": ALONE,
        "seldom": SELDOM,
        "soiling": DIRT,
        "traced": TRACED,
        "bay_options": BAYS.items(),
        "sizes": words_of_sizes(bay.budget, bay.imperfections, bay.sized, "bay file"),
        "values": values,
        "trials": place.trials,
        "version": __version__,
        "start": json.dumps(
            {
                "able": able,
                "defaults": defaults,
                "owns": {
                    tower: {name: shown(value) for name, value in place.own(tower).items()}
                    for tower in place.towers
                },
                "problems": problems,
                "trials": place.trials,
            }
        ),
    }


def _by_detector(pipelines: dict[str, str]) -> dict[str, list[tuple[str, str]]]:
    """Return values and names of pipelines by what finds their points."""
    by_detector = groupby(pipelines.items(), lambda item: item[1].split("/")[0])
    return {detector: list(items) for detector, items in by_detector}


def _problems(error: StateError) -> list[dict[str, str]]:
    return [{"control": p.control, "message": p.message} for p in error.problems]


async def _unprocessable(request: Request, error: StateError) -> Response:
    return JSONResponse({"problems": _problems(error)}, status_code=422)


async def _plain_error(request: Request, error: HTTPException) -> Response:
    words = {404: "There is nothing here.", 405: "This can't be asked for in this way."}
    text = words.get(error.status_code, "This can't be answered.")
    return PlainTextResponse(f"{text}\n", status_code=error.status_code, headers=error.headers)


async def _defect(request: Request, error: Exception) -> Response:
    message = f"The bench failed: {type(error).__name__}. That is a defect of the bench."
    return JSONResponse({"problems": [{"control": "", "message": message}]}, status_code=500)
