"""The page that follows a tower while it is aimed: what it asks for, and what it gets."""

from __future__ import annotations

import time

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from bench import __version__
from bench.aiming.watching import Watch, state_of
from bench.assets import asset
from bench.explore.guard import Guard
from bench.units import format_angle


def make_aim_app(watch: Watch, port: int) -> Guard:
    """Return the guarded application.

    Parameters
    ----------
    watch : Watch
        Whose newest advice is shown.
    port : int
        That it will be served at.
    """
    folder = asset("aim/page.html").parent
    pages = Environment(
        loader=FileSystemLoader(folder), autoescape=True, undefined=StrictUndefined
    )
    template = pages.get_template("page.html")
    facts = {"bay": watch.bay, "stop": format_angle(watch.stop), "version": __version__}

    async def page(request: Request) -> Response:
        return HTMLResponse(await run_in_threadpool(template.render, **facts))

    async def state(request: Request) -> Response:
        return JSONResponse(state_of(watch.seen, time.monotonic()))

    async def picture(request: Request) -> Response:
        jpeg = watch.seen.jpeg
        return Response(jpeg, media_type="image/jpeg", status_code=200 if jpeg else 404)

    routes = [
        Route("/", page),
        Route("/api/state", state),
        Route("/api/picture", picture),
        Mount("/files", StaticFiles(directory=folder)),
    ]
    return Guard(Starlette(routes=routes), port)
