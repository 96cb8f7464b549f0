"""The processes that are measured: the floor on each server that was tried, and the service as ``nuque serve``."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from tests.bench.child import ROOT

_BIN = Path(sys.executable).parent
_UVICORN = (
    str(_BIN / "uvicorn"),
    "tests.bench.over_http.floor:app",
    "--no-access-log",
    "--log-level",
    "warning",
    "--port",
    "{port}",
)
FLOORS: dict[str, tuple[str, ...]] = {
    "uvicorn, h11, asyncio": (*_UVICORN, "--http", "h11", "--loop", "asyncio"),
    "uvicorn, httptools, asyncio": (*_UVICORN, "--http", "httptools", "--loop", "asyncio"),
    "uvicorn, httptools, uvloop": (*_UVICORN, "--http", "httptools", "--loop", "uvloop"),
    "hypercorn, h11, uvloop": (
        *(str(_BIN / "hypercorn"), "tests.bench.over_http.floor:app"),
        *("--bind", "127.0.0.1:{port}", "--worker-class", "uvloop", "--workers", "0"),
    ),
    "granian, hyper (Rust), uvloop": (
        *(str(_BIN / "granian"), "tests.bench.over_http.floor:app", "--interface", "asgi", "--loop", "uvloop"),
        *("--port", "{port}", "--no-ws", "--no-log", "--workers", "1"),
    ),
}
"""The servers on which the floor was tried, each with its command."""
FLOOR = "uvicorn, httptools, uvloop"
"""The fastest of them; ``python -m tests.bench servers`` shows it."""


@dataclass(frozen=True)
class Server:
    """A running server: its address without a path, and its process, whose children belong to it."""

    url: str
    process: int


@contextmanager
def floor(server: str = FLOOR) -> Iterator[Server]:
    """The floor on one of ``FLOORS``, until the end of the block."""
    with _running(FLOORS[server], {}) as running:
        yield running


@contextmanager
def service(*options: str, checked: bool = True, **environment: str) -> Iterator[Server]:
    """``nuque serve`` with an SQLite store of its own, logging to a file, until the end of the block.

    The block begins once the content is ``checked``, or else as soon as the process is there.
    """
    with tempfile.TemporaryDirectory() as folder:
        given = {"NUQUE_STORE_URL": f"sqlite:///{folder}/store.sqlite3", "NUQUE_LOG_LEVEL": "info", **environment}
        with _running((str(_BIN / "nuque"), "serve", "--port", "{port}", *options), given) as running:
            if checked:
                _until_checked(running)
            yield running


def _until_checked(service: Server) -> None:
    """Wait until the content passed the gate, which a start runs where no verdict on it is kept."""
    while True:
        try:
            if "content" not in httpx.get(f"{service.url}/health/ready", timeout=60).json().get("failing", {}):
                return
        except httpx.TransportError:
            os.kill(service.process, 0)  # It is still there, and about to listen.
        time.sleep(0.5)


@contextmanager
def _running(command: Sequence[str], environment: Mapping[str, str]) -> Iterator[Server]:
    port = _free_port()
    with tempfile.TemporaryFile() as log:
        process = subprocess.Popen(
            [part.format(port=port) for part in command],
            cwd=ROOT,
            env={**os.environ, **environment},
            stdout=log,
            stderr=log,
        )
        try:
            yield Server(f"http://127.0.0.1:{port}", process.pid)
        finally:
            process.terminate()
            process.wait(timeout=60)


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        port: int = found.getsockname()[1]
        return port
