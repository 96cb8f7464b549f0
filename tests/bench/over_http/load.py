"""Load by wrk, a generator in C, and what it costs the server: processor time and memory of its processes, from /proc."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

SCRIPT = Path(__file__).with_name("load.lua")
_LONGEST_SECONDS = 60
_TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Load:
    """What came of one stretch of load. Latencies in milliseconds; ``server``, ``generator``: processor time in seconds.

    ``refused`` are answers that were not 2xx or 3xx, ``lost`` connections that broke or timed out.
    """

    calls: int
    seconds: float
    refused: int
    lost: int
    p50: float
    p95: float
    p99: float
    server: float
    generator: float

    @property
    def rate(self) -> float:
        """Calls a second."""
        return self.calls / self.seconds

    @property
    def cost(self) -> float:
        """Processor time of the server a call, in milliseconds."""
        return self.server / self.calls * 1000

    @property
    def generator_share(self) -> float:
        """The load generator's part of all processor time."""
        return self.generator / (self.generator + self.server)


def loaded(url: str, body: bytes, process: int, *, connections: int, seconds: int, rate: float | None = None) -> Load:
    """Send ``body`` to ``url``, served by ``process`` and its children, over so many connections for so long.

    Each connection sends its next call when the last is answered; with ``rate`` (calls a second) calls begin at random
    moments instead. Where nothing was answered in time it tries for twice as long. Calls that are in progress at the end
    cost the server time and are not counted. Raises CalledProcessError where wrk failed, ValueError where nothing was
    answered in a minute.
    """
    with tempfile.NamedTemporaryFile() as file:
        file.write(body)
        file.flush()
        environment = {**os.environ, "WRK_BODY": file.name, "WRK_RATE": "" if rate is None else str(rate)}
        while seconds <= _LONGEST_SECONDS:
            command = ["wrk", "-t1", f"-c{connections}", f"-d{seconds}s", "--timeout", "20s", "-s", str(SCRIPT), url]
            server, generator = processor_time(process), _of_children()
            ran = subprocess.run(command, env=environment, check=True, capture_output=True, text=True)
            server, generator = processor_time(process) - server, _of_children() - generator
            told = json.loads(ran.stdout.splitlines()[-1])
            if told["calls"]:
                return Load(**told, server=server, generator=generator)
            seconds *= 2
    raise ValueError(f"no call was answered: {ran.stdout}")


def merged(loads: Sequence[Load]) -> Load:
    """Several stretches of the same load as one: calls and times added up, of each percentile the median."""
    return Load(
        calls=sum(load.calls for load in loads),
        seconds=sum(load.seconds for load in loads),
        refused=sum(load.refused for load in loads),
        lost=sum(load.lost for load in loads),
        p50=median(load.p50 for load in loads),
        p95=median(load.p95 for load in loads),
        p99=median(load.p99 for load in loads),
        server=sum(load.server for load in loads),
        generator=sum(load.generator for load in loads),
    )


def _of_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def family(process: int) -> list[int]:
    """``process`` and all that descend from it."""
    parents = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            stat = _stat(int(entry.name))
            if stat is not None:
                parents[int(entry.name)] = int(stat[1])
    found = [process]
    for each in found:
        found += [child for child, parent in parents.items() if parent == each]
    return found


def processor_time(process: int) -> float:
    """Seconds of processor time that ``process``, its threads and all that descend from it have taken."""
    stats = [_stat(each) for each in family(process)]
    return sum(int(stat[11]) + int(stat[12]) for stat in stats if stat is not None) / _TICKS


def memory(process: int) -> float:
    """Resident memory of ``process`` alone, in MiB."""
    status = Path(f"/proc/{process}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS:")) / 1024


def _stat(process: int) -> list[str] | None:
    """The fields of /proc/PID/stat from the state on; None where the process has ended."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return None


def answered(url: str, body: bytes, *, within: float = 60.0) -> tuple[bytes, float]:
    """The first answer to ``body``, and the seconds until it came: asked until something listens. Raises TimeoutError."""
    import httpx

    began = time.perf_counter()
    while time.perf_counter() - began < within:
        try:
            answer = httpx.post(url, content=body, headers={"Content-Type": "application/json"}, timeout=within)
        except httpx.ConnectError:
            time.sleep(0.01)
            continue
        answer.raise_for_status()
        return answer.content, time.perf_counter() - began
    raise TimeoutError(f"nothing answers at {url}")
