"""A real Spark cluster for the tests: a standalone master and workers, each a process of its own, on this machine."""

from __future__ import annotations

import os
import re
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psutil

_PATIENCE_SECONDS = 300.0
"""A virtual machine starts in seconds; nothing takes so long unless something is wrong."""


@dataclass
class SparkCluster:
    """A master at ``url`` and its workers; what each says goes to a file in ``folder``."""

    url: str
    folder: Path
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def add_worker(self) -> None:
        """Start a worker with one core, and return when the master has it."""
        number = len(self.workers) + 1
        options = ("--host", "127.0.0.1", "--cores", "1", "--memory", "2g", "--webui-port", "0")
        work = ("--work-dir", str(self.folder / f"work-{number}"))
        process = _started("org.apache.spark.deploy.worker.Worker", self.folder, number, *options, *work, self.url)
        self.workers.append(process)
        _wait_for("Successfully registered with master", self.folder / f"{number}.log", process)

    def kill_worker(self) -> None:
        """Kill the worker that was added last, and the executors that it has, as when its machine is gone."""
        _kill(self.workers.pop())


@contextmanager
def spark_cluster(folder: Path, workers: int) -> Iterator[SparkCluster]:
    """A master with ``workers``; all of them are killed at the end."""
    options = ("--host", "127.0.0.1", "--port", "0", "--webui-port", "0")
    master = _started("org.apache.spark.deploy.master.Master", folder, 0, *options)
    cluster = SparkCluster("", folder)
    try:
        cluster.url = _wait_for(r"Starting Spark master at (spark://\S+)", folder / "0.log", master)
        for _ in range(workers):
            cluster.add_worker()
        yield cluster
    finally:
        for process in (*cluster.workers, master):
            _kill(process)


def _started(role: str, folder: Path, number: int, *options: str) -> subprocess.Popen[bytes]:
    import pyspark

    home = Path(pyspark.__file__).parent
    surroundings = {**os.environ, "SPARK_HOME": str(home), "SPARK_LOCAL_IP": "127.0.0.1", "SPARK_NO_DAEMONIZE": "1"}
    with (folder / f"{number}.log").open("wb") as said:
        return subprocess.Popen(
            [home / "bin" / "spark-class", role, *options], stdout=said, stderr=subprocess.STDOUT, env=surroundings
        )


def _wait_for(words: str, file: Path, process: subprocess.Popen[bytes]) -> str:
    """What is found of ``words`` in ``file``, as soon as it is there. Raises RuntimeError with the file where it is not."""
    give_up = time.monotonic() + _PATIENCE_SECONDS
    while time.monotonic() < give_up and process.poll() is None:
        if found := re.search(words, file.read_text(encoding="utf-8", errors="replace")):
            return found[found.re.groups]
        time.sleep(0.2)
    raise RuntimeError(f"{process.args}: {file.read_text(encoding='utf-8', errors='replace')}")


def _kill(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        for one in (*psutil.Process(process.pid).children(recursive=True), psutil.Process(process.pid)):
            one.kill()
    process.wait()
