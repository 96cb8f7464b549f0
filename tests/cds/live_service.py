"""The service as a process of its own, on a free port of this machine."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, Queue

import httpx
import uvicorn
from fastapi import FastAPI

from tests.cds.declared_statuses import undeclared
from tests.cds.patient_data import told

ROOT = Path(__file__).resolve().parents[2]
NUQUE = str(Path(sys.executable).with_name("nuque"))
"""The command as it is installed."""
_STARTED = re.compile(r"running on (http://[0-9.:]+)")
PATIENCE_SECONDS = 600
"""For an answer; nothing takes so long unless something is wrong, however busy the machine is."""
CHECK_SECONDS = 1800
"""For a check of content by each worker."""

AS_DEPLOYED = {"MALLOC_ARENA_MAX": "2"}
"""What the image and the unit in docs/deploy set of the process itself."""


@dataclass(frozen=True)
class LiveService:
    """Where a running service answers, its process, and the lines that it has logged so far."""

    url: str
    process: subprocess.Popen[str]
    said: list[str]

    def has_said(self, *words: str) -> bool:
        """Whether a line with all of ``words`` is logged, now or soon; a reload that is waited for takes a while."""
        for _ in range(CHECK_SECONDS * 10):
            if any(all(word in line for word in words) for line in list(self.said)):
                return True
            time.sleep(0.1)
        return False


@contextmanager
def running(*options: str, umask: int = -1, checked: bool = True, **environment: str) -> Iterator[LiveService]:
    """``nuque serve`` with ``options`` and environment variables, until the end of the block.

    It begins when the content is ``checked``, which takes a while where no verdict on it is kept.

    What it logged is searched for patient data then, and for status codes that the OpenAPI document does not declare.
    """
    command = [NUQUE, "serve", "--port", "0", *options]
    process = subprocess.Popen(
        command,
        cwd=ROOT,
        env={**os.environ, **environment},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        umask=umask,
    )
    assert process.stderr is not None
    lines: Queue[str] = Queue()
    said: list[str] = []

    def read() -> None:
        for line in process.stderr or ():
            said.append(line)
            lines.put(line)

    # The pipe is read to its end, so that the service never waits for somebody to read what it logs.
    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        live = LiveService(_address(process, lines), process, said)
        if checked:
            _until_checked(live)
        yield live
    finally:
        process.terminate()
        process.wait(timeout=PATIENCE_SECONDS)
        reader.join(timeout=PATIENCE_SECONDS)
        process.stderr.close()
    problems = [*told(said), *undeclared(said)]
    assert not problems, "\n".join(problems)


@contextmanager
def serving(app: FastAPI) -> Iterator[str]:
    """The address of ``app``, served by a thread of this process on a free port of this machine."""
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_config=None, access_log=False))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            assert thread.is_alive()
            time.sleep(0.05)
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()


def _until_checked(live: LiveService) -> None:
    """Wait until the content passed the gate; what else is not ready is the test's own matter."""
    give_up = time.monotonic() + CHECK_SECONDS
    while True:
        failing = httpx.get(f"{live.url}/health/ready", timeout=PATIENCE_SECONDS).json().get("failing", {})
        if "content" not in failing:
            return
        if "did not pass" in failing["content"] or time.monotonic() > give_up:
            raise RuntimeError("".join([failing["content"], *live.said]))
        time.sleep(0.5)


def _address(process: subprocess.Popen[str], lines: Queue[str]) -> str:
    said = ""
    while process.poll() is None:
        try:
            said += lines.get(timeout=PATIENCE_SECONDS)
        except Empty:
            break
        if found := _STARTED.search(said):
            return found[1]
    raise RuntimeError(f"the service did not start: {said}")
