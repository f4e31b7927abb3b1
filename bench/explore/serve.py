"""Serving the page: on this machine's loopback address, until Ctrl-C."""

from __future__ import annotations

import errno
import os
import socket
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from bench.errors import ConfigError
from bench.explore.app import make_app
from bench.explore.place import Place
from bench.explore.runs import Runs

ADDRESS = "127.0.0.1"
# Longest that an open connection may keep the program from ending, seconds.
PATIENCE = 1


def listen(port: int) -> socket.socket:
    """Return a socket that listens on the loopback address; port 0 takes a free one.

    Raises
    ------
    ConfigError
        The port is taken, or may not be used.
    """
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix":  # elsewhere it would share a port that is in use
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind((ADDRESS, port))
        found.listen()
    except OSError as error:
        found.close()
        if error.errno == errno.EADDRINUSE:
            why = "is in use by another program"
        else:
            why = f"can't be used: {error.strerror}"
        raise ConfigError(f"--port: {port} {why}; --port 0 takes a free one") from error
    return found


def port_of(listening: socket.socket) -> int:
    """Return the port that a socket listens at."""
    return int(listening.getsockname()[1])


def serve(place: Place, listening: socket.socket, bay_file: Path | None = None) -> None:
    """Answer requests until interrupted.

    Raises
    ------
    KeyboardInterrupt
        After Ctrl-C, when all is closed.
    """
    runs = Runs(place)
    try:
        serve_app(make_app(place, port_of(listening), bay_file, runs), listening)
    finally:
        runs.close()


def serve_app(app: ASGIApp, listening: socket.socket) -> None:
    """Answer requests by a guarded application until interrupted; see `serve`."""
    config = uvicorn.Config(
        app,
        log_level="critical",
        access_log=False,
        lifespan="off",
        server_header=False,
        ws="none",
        timeout_graceful_shutdown=PATIENCE,
        h11_max_incomplete_event_size=16_384,
    )
    uvicorn.Server(config).run(sockets=[listening])
