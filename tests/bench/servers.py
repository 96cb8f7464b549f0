"""The floor of a hook call on each server that was tried, under the same load: the fastest carries the floor.

Beside it, what each refuses of itself of the messages that the service must refuse.
"""

from __future__ import annotations

from collections.abc import Iterator

from tests.bench.measured import Measured
from tests.bench.over_http import calls
from tests.bench.over_http.load import Load, answered, loaded, merged
from tests.bench.over_http.refusals import SENT, refused
from tests.bench.over_http.servers import FLOOR, FLOORS, floor

ANSWER_BYTES = 56_000
CONNECTIONS = 8
SECONDS = 2
ROUNDS = 3


def measure() -> Iterator[Measured]:
    """Processor time a call of each server against that of the one that carries the floor, in turns."""
    for name in FLOORS:
        with floor(name) as server:
            answered(f"{server.url}/{ANSWER_BYTES}", b"{}")
            found = refused(server.url)
        yield Measured.alone(f"of {SENT} messages that are not HTTP, {name} refuses", found, "", bar="", kept=True)
    for call in (calls.typical(), calls.heavy()):
        stretches: dict[str, list[Load]] = {name: [] for name in FLOORS}
        for _ in range(ROUNDS):
            for name, loads in stretches.items():
                with floor(name) as server:
                    url = f"{server.url}/{ANSWER_BYTES}"
                    answered(url, call.body)
                    loads.append(loaded(url, call.body, server.process, connections=CONNECTIONS, seconds=SECONDS))
        whole = {name: merged(loads) for name, loads in stretches.items()}
        for name, load in whole.items():
            yield Measured(
                f"{call.name} call on {name}: {load.rate:.0f} calls/s, p50 {load.p50:.1f}, p99 {load.p99:.1f} ms, "
                f"{load.refused + load.lost} refused or lost",
                load.cost,
                whole[FLOOR].cost,
                FLOOR,
                "ms of processor time",
            )
