"""nginx as Debian ships it, with its default limits: what hospitals put before a FHIR server and before this service."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

CONFIGURATION = """
daemon off;
{user}
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    server {{
        listen 127.0.0.1:{port};
        location / {{
            proxy_pass {upstream};
            proxy_set_header Host $proxy_host;
            proxy_set_header X-Forwarded-Host $http_host;
        }}
    }}
}}
"""
"""Nothing here sets a limit: each is nginx's default."""


@contextmanager
def nginx(upstream: str, folder: Path) -> Iterator[str]:
    """The address of an nginx that passes everything on to ``upstream``."""
    binary = shutil.which("nginx", path=f"{os.environ['PATH']}:/usr/sbin")
    if binary is None:
        if os.environ.get("CI"):
            pytest.fail("CI must not skip this: apt-get install nginx-light")
        pytest.skip("needs nginx")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    folder.mkdir()
    configuration = folder / "nginx.conf"
    # Its workers buffer longer bodies in files; started by root they would give up the right to this test's folder.
    user = "user root;" if os.geteuid() == 0 else ""
    configuration.write_text(CONFIGURATION.format(folder=folder, port=port, upstream=upstream, user=user))
    with subprocess.Popen([binary, "-e", f"{folder}/error.log", "-c", str(configuration)]) as server:
        try:
            _wait_for(port, server)
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()


def _wait_for(port: int, server: subprocess.Popen[bytes]) -> None:
    for _ in range(200):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        assert server.poll() is None, "nginx ended at once"
        time.sleep(0.1)
    raise TimeoutError("nginx does not listen")
