"""The floor of a hook call on each server that was tried, under the same load: the fastest carries the floor."""

from __future__ import annotations

from collections.abc import Iterator

from tests.bench.measured import Measured
from tests.bench.wire import calls
from tests.bench.wire.load import answered, loaded, merged
from tests.bench.wire.servers import FLOOR, FLOORS, floor

ANSWER_BYTES = 56_000
CONNECTIONS = 8
SECONDS = 2
ROUNDS = 3


def measure() -> Iterator[Measured]:
    """Processor time a call of each server against that of the one that carries the floor, in turns."""
    for call in (calls.typical(), calls.heavy()):
        stretches = {name: [] for name in FLOORS}
        for _ in range(ROUNDS):
            for name, found in stretches.items():
                with floor(name) as server:
                    url = f"{server.url}/{ANSWER_BYTES}"
                    answered(url, call.body)
                    found.append(loaded(url, call.body, server.process, connections=CONNECTIONS, seconds=SECONDS))
        whole = {name: merged(found) for name, found in stretches.items()}
        for name, load in whole.items():
            yield Measured(
                f"{call.name} call on {name}: {load.rate:.0f} calls/s, p50 {load.p50:.1f}, p99 {load.p99:.1f} ms, "
                f"{load.refused + load.lost} refused or lost",
                load.cost,
                whole[FLOOR].cost,
                FLOOR,
                "ms of processor time",
            )
