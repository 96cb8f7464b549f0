"""``nuque serve``: run the service on this machine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from cds.cli.options import knowledge_options
from cds.settings import Settings


@click.command()
@click.option("--host", help="Address to listen on; default: 127.0.0.1, this machine only.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port to listen on; default: 8000, 0 takes a free one.")
@knowledge_options
def serve(host: str | None, port: int | None, knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Run the service. Each setting can be given in the environment as NUQUE_ and its name; options come first."""
    # Imported here: the web framework takes a while, and the errors of settings need none of it.
    import uvicorn

    from cds.bootstrap.app import create_app
    from cds.bootstrap.http_protocol import protocol_for
    from cds.observability import logging as logs
    from cds.security.loopback_guard import check_bind

    options = {
        "host": host,
        "port": port,
        "knowledge": None if knowledge is None else Path(knowledge),
        "overlays": tuple(map(Path, overlay)) or None,
    }
    given: dict[str, Any] = {name: value for name, value in options.items() if value is not None}
    settings = Settings.load(**given)
    check_bind(settings, settings.host)
    logs.configure(level=settings.log_level)
    app = create_app(settings)
    uvicorn.run(
        app,
        host=settings.host,
        port=settings.port,
        server_header=False,
        # Who is in front is checked by trust itself; a forwarded address must not pass for the peer's.
        proxy_headers=False,
        # Its lines hold paths as called; ours name the route.
        access_log=False,
        log_config=None,
        # Not what else may be installed: the limits and the refusals below are this protocol's.
        http=protocol_for(app.state.service),
        ws="none",
        timeout_keep_alive=5,
        timeout_graceful_shutdown=settings.shutdown_seconds,
        loop="uvloop",
    )
