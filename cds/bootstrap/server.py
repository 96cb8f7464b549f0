"""The application on a port: in this process, or in several that share it."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from typing import Any

import uvicorn
from fastapi import FastAPI

from cds.bootstrap.app import create_app
from cds.bootstrap.http_protocol import protocol_for
from cds.bootstrap.http_server import HttpServer
from cds.bootstrap.workers import LISTENS, TELL_THE_OTHERS, Workers, WorkerSlot, bound
from cds.observability.logging import log
from cds.settings import Settings
from cds.site.content import Content
from cds.site.lasting_objects import made_to_last

TURN_SECONDS = 0.001
"""How long a thread that decides or reads keeps the processor from others that want it, the event loop among them. With Python's
own 0.005 each turn of the loop waits for most of them: beside eight busy threads a read of some ten turns takes half a second."""
_COULD_NOT_START = 3
"""The exit code that uvicorn has for it."""
_AFTER_THE_LAST_CALL_SECONDS = 15.0
"""For the end of a worker, when its calls have had their time."""


def serve(settings: Settings) -> None:
    """Answer by ``settings`` until told to stop.

    Raises NuqueError where settings or content cannot be used, OSError for the port.
    """
    sys.setswitchinterval(TURN_SECONDS)
    with made_to_last():
        app = create_app(settings, gate=True)
    if settings.workers == 1:
        server = HttpServer(uvicorn.Config(app, host=settings.host, port=settings.port, **_options(app, settings)))
        with suppress(KeyboardInterrupt):
            server.run()
        if not server.started:
            sys.exit(_COULD_NOT_START)
        return
    sockets = bound(settings.host, settings.port, settings.workers)
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    where = f"{settings.workers} workers running on http://{host}:{sockets[0].getsockname()[1]}"
    workers = Workers(sockets, _Worker(app, settings), settings.shutdown_seconds + _AFTER_THE_LAST_CALL_SECONDS)
    workers.run(on_started=lambda: log.info(where))


class _Worker:
    """What one of several processes does, forked from the one in which ``app`` was made."""

    def __init__(self, app: FastAPI, settings: Settings) -> None:
        self._app, self._settings, self._parent = app, settings, os.getpid()

    def __call__(self, place: WorkerSlot) -> None:
        self._app.state.replaces = place.replaces
        if place.reloaded:
            # What was loaded before the fork is old; like a service that starts, this one takes what the folder holds.
            self._app.state.service.content = Content.load(self._settings)
            self._app.state.reloader.withhold_unchecked()
        self._app.state.reloader.tell_others = lambda: os.kill(self._parent, TELL_THE_OTHERS)
        config = uvicorn.Config(self._app, **_options(self._app, self._settings))
        HttpServer(config, lambda: os.kill(self._parent, LISTENS)).run(sockets=[place.socket])


def _options(app: FastAPI, settings: Settings) -> dict[str, Any]:
    return {
        "server_header": False,
        # Who is in front is checked by trust itself; a forwarded address must not pass for the peer's.
        "proxy_headers": False,
        # Its lines hold paths as called; ours name the route.
        "access_log": False,
        "log_config": None,
        # Not what else may be installed: the limits and the refusals are this protocol's.
        "http": protocol_for(app.state.service),
        "loop": "uvloop",
        "ws": "none",
        "timeout_keep_alive": 5,
        "timeout_graceful_shutdown": settings.shutdown_seconds,
    }
