"""``nuque serve``: run the service on this machine."""

from __future__ import annotations

import errno
import os
import socket
import tempfile
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import click

from cds.cli.invocation.options import knowledge_options
from cds.settings import Settings
from rules.errors import NuqueError


@click.command()
@click.option("--host", help="Address to listen on; default: 127.0.0.1, this machine only.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port to listen on; default: 8000, 0 takes a free one.")
@click.option("--workers", type=click.IntRange(1, 64), help="Processes that answer on the port; default: 1.")
@knowledge_options
def serve(
    host: str | None, port: int | None, workers: int | None, knowledge: str | None, overlay: tuple[str, ...]
) -> None:
    """Run the service. Each setting can be given in the environment as NUQUE_ and its name; options come first."""
    from cds.observability import logging as logs
    from cds.security.loopback_guard import check_bind
    from cds.site.lasting_objects import made_to_last

    options = {
        "host": host,
        "port": port,
        "workers": workers,
        "knowledge": None if knowledge is None else Path(knowledge),
        "overlays": tuple(map(Path, overlay)) or None,
    }
    given: dict[str, Any] = {name: value for name, value in options.items() if value is not None}
    settings = Settings.load(**given)
    check_bind(settings, settings.host)
    _check_free(settings.host, settings.port)
    logs.configure(level=settings.log_level)
    with ExitStack() as running:
        if settings.workers > 1:
            # Before the library of the metrics is imported, which looks for the folder then.
            folder = running.enter_context(tempfile.TemporaryDirectory(prefix="nuque-metrics-"))
            os.environ["PROMETHEUS_MULTIPROC_DIR"] = folder
        # Imported here: the web framework takes a while, and the errors of settings need none of it.
        with made_to_last():
            from cds.bootstrap.server import serve as answer

        answer(settings)


def _check_free(host: str, port: int) -> None:
    """Raises NuqueError where something listens on the ``port`` already; 0 is always free."""
    with suppress(socket.gaierror):
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                tried.bind(address)
            except OSError as error:
                if error.errno == errno.EADDRINUSE:
                    raise NuqueError(f"port {port} is taken; choose another with --port") from error
