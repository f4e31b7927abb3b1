"""The routes of the live bay's page, which has the live bench's server and guard."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from jinja2 import Template
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from bench import __version__
from bench.errors import BenchError
from bench.explore.bay_result import compute_bay
from bench.explore.bay_saving import bay_files, moved_bay, saved_name
from bench.explore.bay_search import Searches
from bench.explore.bay_state import BayState, MovableBay, read_bay_state
from bench.explore.saving import archive
from bench.explore.state import INSTEAD, Problem, StateError

OWN_FIELDS = ("exact", "lenses", "mounts")  # of requests, not of the state
GONE = 499  # common practice, no source: the client closed the request


class Works(Protocol):
    """A queue of jobs, see `bench.explore.app.Queue`."""

    async def work(self, request: Request, job: Callable[[], Any]) -> Any:
        """Do a job; None if nobody waits for it."""


def bay_routes(
    movable: MovableBay, template: Template, quick: Works, slow: Works, bay_file: Path | None
) -> list[Route]:
    """Return the page's routes.

    Parameters
    ----------
    movable : MovableBay
        The bay.
    template : Template
        Of the page.
    quick, slow : Works
        For what is shown at once, and for files.
    bay_file : Path or None
        As the command was given it.
    """
    searches = Searches(movable)

    def state_of(request: Request) -> BayState:
        fields = {k: v for k, v in request.query_params.items() if k not in OWN_FIELDS}
        return read_bay_state(fields, movable)

    async def page(request: Request) -> Response:
        problems: list[dict[str, str]] = []
        try:
            state = await run_in_threadpool(state_of, request)
        except StateError as error:
            state = movable.default
            problems = [
                {"control": p.control, "message": p.message} for p in (*error.problems, INSTEAD)
            ]
        start = {
            "vehicle": state.vehicle,
            "station": state.station,
            "changes": dict(state.changes),
            "problems": problems,
            "signs": [1 if t.placement.offset > 0.0 else -1 for t in movable.own.towers],
        }
        facts = {"bay": movable.own, "start": json.dumps(start), "version": __version__}
        return HTMLResponse(await run_in_threadpool(template.render, **facts))

    async def show(request: Request) -> Response:
        exact = "exact" in request.query_params
        found = await quick.work(
            request, lambda: compute_bay(state_of(request), movable, exact=exact)
        )
        return Response(status_code=GONE) if found is None else JSONResponse(found)

    async def search(request: Request) -> Response:
        state, asked = await run_in_threadpool(state_of, request), request.query_params
        begun = searches.start(state, "lenses" in asked, "mounts" in asked)
        return JSONResponse(begun.report(), status_code=201)

    async def watch(request: Request) -> Response:
        found = searches.get(request.path_params["search_id"])
        if found is None:
            raise HTTPException(404)
        if request.method == "DELETE":
            found.cancel()
        return JSONResponse(found.report())

    async def file(request: Request) -> Response:
        text = await slow.work(request, lambda: _told(moved_bay, state_of(request), movable))
        return _attached(text and text.encode(), saved_name(movable), "application/toml")

    async def pictures(request: Request) -> Response:
        files = await slow.work(
            request, lambda: _told(bay_files, state_of(request), movable, bay_file)
        )
        return _attached(files and archive(files), "sightbench-bay.zip", "application/zip")

    return [
        Route("/bay", page),
        Route("/api/bay", show),
        Route("/api/bay/searches", search, methods=["POST"]),
        Route("/api/bay/searches/{search_id}", watch, methods=["GET", "DELETE"]),
        Route("/api/bay/file", file, methods=["POST"]),
        Route("/api/bay/pictures", pictures, methods=["POST"]),
    ]


def _told(job: Callable[..., Any], *given: Any) -> Any:
    """Return what a job returns; what it refuses is the page's to show."""
    try:
        return job(*given)
    except StateError:
        raise
    except BenchError as error:
        raise StateError(Problem("", f"{error}.")) from error


def _attached(content: bytes | None, name: str, media_type: str) -> Response:
    if content is None:
        return Response(status_code=GONE)
    named = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=media_type, headers=named)
