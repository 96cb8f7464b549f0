"""A hook call over the wire: ``nuque serve`` against a floor on the same machine, under the same load, in turns."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from math import ceil

from tests.bench.measured import Measured
from tests.bench.over_http import calls, growth, pictures, servers, storage
from tests.bench.over_http.calls import Call
from tests.bench.over_http.figures import Figures, Load, Row
from tests.bench.over_http.load import answered, loaded, memory, merged, processor_time
from tests.bench.over_http.servers import Server

LEAST_SHARES = {"typical": 0.15, "heavy": 0.40, "silent": 0.60}
"""Of each call the floor must take at least this part of its processor time."""
BUSY = 8
"""Connections at which the bars are held."""
LEAST_CALLS = 10
"""Of each connection in a stretch, where it has the time."""
STEADY_SHARE = 0.7
"""Part of the highest rate at which the service must still answer quickly."""
MOST_P99 = 15.0
MOST_START_SECONDS = 1.5
MOST_MEMORY = 130.0
LEAST_GAIN = 1.6
"""Of a second worker, on two processors."""


@dataclass(frozen=True)
class Plan:
    """How long and how often is measured: seconds of each stretch, stretches of each pair, connections.

    A stretch of slow calls takes up to ``most_seconds``, so that the calls in progress at its end matter little.
    """

    seconds: int
    most_seconds: int
    rounds: int
    connections: tuple[int, ...]
    workers: tuple[int, ...]


FULL = Plan(seconds=2, most_seconds=6, rounds=3, connections=(1, BUSY, 32), workers=(1, 2))
SHORT = Plan(seconds=1, most_seconds=1, rounds=1, connections=(1,), workers=(2,))
"""Only shows that everything can be measured."""


def measure() -> Iterator[Measured]:
    """Cost of a call, time to its answer, start and memory, each with its bar."""
    yield from bars(figures(FULL))


def record() -> Iterator[Measured]:
    """The same, and the page in docs/ shows it from now on."""
    found = figures(FULL)
    found.record()
    pictures.draw(found)
    yield from bars(found)


def figures(plan: Plan) -> Figures:
    """Everything that is measured over the wire."""
    with ExitStack() as running:
        floor = running.enter_context(servers.floor())
        with servers.service():
            pass  # A verdict on the content is kept from here on.
        first = calls.typical()
        service = running.enter_context(servers.service(checked=False))
        _, start = answered(service.url + calls.PATH, first.body)
        starting, at_start = processor_time(service.process), memory(service.process)
        by_stage = growth.stages(service, first.body, plan.seconds)
        rows = [row for call in (first, calls.heavy(), calls.silent()) for row in _in_turns(call, plan, service, floor)]
        highest = max(row.service.rate for row in rows if row.call == first.name)
        workers = [_with_workers(count, first, plan) for count in plan.workers]
        steady = loaded(
            service.url + calls.PATH,
            first.body,
            service.process,
            connections=BUSY,
            seconds=plan.seconds * plan.rounds,
            rate=STEADY_SHARE * highest,
        )
        sizes = {
            "by_resources": growth.by_resources(service, plan.seconds),
            "by_facts": growth.by_facts(service, plan.seconds),
            "by_rules": growth.by_rules(),
        }
        return Figures.of_this_machine(
            **sizes,
            stages=by_stage,
            floor_server=servers.FLOOR,
            rows=rows,
            workers=workers,
            steady=steady,
            start_seconds=start,
            start_processor=starting,
            memory_at_start=at_start,
            memory_after=memory(service.process),
            row_bytes=storage.row_bytes(),
            commits_a_second=storage.commits_a_second(),
        )


def _with_workers(count: int, call: Call, plan: Plan) -> tuple[int, Load]:
    """The load that so many workers carry, over many connections."""
    with servers.service("--workers", str(count)) as service:
        url, connections = service.url + calls.PATH, max(plan.connections)
        answered(url, call.body)
        loaded(url, call.body, service.process, connections=connections, seconds=plan.seconds)  # Each is warm then.
        seconds = plan.seconds * plan.rounds
        return count, loaded(url, call.body, service.process, connections=connections, seconds=seconds)


def _in_turns(call: Call, plan: Plan, service: Server, floor: Server) -> Iterator[Row]:
    """One row for each number of connections, the floor answering as many bytes as the service does."""
    answer, _ = answered(service.url + calls.PATH, call.body)
    if (b'"uuid"' in answer) != call.concerns:
        raise ValueError(f"the {call.name} call is not answered as it should be, so this is no measure of one")
    places = {"floor": (floor, f"/{len(answer)}"), "service": (service, calls.PATH)}

    def stretch(who: str, connections: int, seconds: int) -> Load:
        server, path = places[who]
        return loaded(server.url + path, call.body, server.process, connections=connections, seconds=seconds)

    warm = {who: stretch(who, 1, plan.seconds) for who in places}
    for connections in plan.connections:
        found: dict[str, list[Load]] = {who: [] for who in places}
        for _ in range(plan.rounds):
            for who in places:
                wanted = ceil(LEAST_CALLS * connections / warm[who].rate)
                found[who].append(stretch(who, connections, min(plan.most_seconds, max(plan.seconds, wanted))))
        yield Row(
            call=call.name,
            connections=connections,
            bytes_in=len(call.body),
            bytes_out=len(answer),
            floor=merged(found["floor"]),
            service=merged(found["service"]),
        )


def bars(found: Figures) -> Iterator[Measured]:
    """What is wanted of ``found``."""
    for row in found.rows:
        least = LEAST_SHARES[row.call] if row.connections == BUSY else None
        yield Measured(
            f"{row.call} call, {row.bytes_in / 1000:.0f} kB in, {row.bytes_out / 1000:.1f} kB out, "
            f"{row.connections} connections: {row.service.rate:.0f} calls/s, p50 {row.service.p50:.1f}, "
            f"p95 {row.service.p95:.1f}, p99 {row.service.p99:.1f} ms",
            row.service.cost,
            row.floor.cost,
            f"the floor ({found.floor_server}), a share of {row.share:.3f}",
            "ms of processor time",
            bar="" if least is None else f"a share of at least {least}",
            kept=least is None or row.share >= least,
        )
    yield from _bar_of_workers(found)
    refused = found.not_answered
    yield Measured.alone("calls refused or lost", refused, "", bar="none", kept=refused == 0)
    yield Measured.alone(
        f"p99 of the typical call at {STEADY_SHARE:.0%} of the highest rate ({found.steady.rate:.0f} calls/s), "
        f"{BUSY} connections",
        found.steady.p99,
        "ms",
        bar=f"at most {MOST_P99:g} ms",
        kept=found.steady.p99 <= MOST_P99,
    )
    yield Measured.alone(
        f"from the start of the process to its first answer ({found.start_processor:.2f} s of processor time)",
        found.start_seconds,
        "s",
        bar=f"at most {MOST_START_SECONDS:g} s",
        kept=found.start_seconds <= MOST_START_SECONDS,
    )
    yield Measured.alone(
        f"memory after the first answer (after {found.service_calls:,} calls: {found.memory_after:.0f} MiB)",
        found.memory_at_start,
        "MiB",
        bar=f"at most {MOST_MEMORY:g} MiB",
        kept=found.memory_at_start <= MOST_MEMORY,
    )


def _bar_of_workers(found: Figures) -> Iterator[Measured]:
    by_count = dict(found.workers)
    if {1, 2} <= set(by_count):
        gain = by_count[2].rate / by_count[1].rate
        yield Measured.alone(
            f"two workers ({by_count[2].rate:.0f} calls/s) against one ({by_count[1].rate:.0f} calls/s) on "
            f"{found.processors} processors, of which the generator took {by_count[2].generator_share:.0%}",
            gain,
            "x",
            bar=f"at least {LEAST_GAIN} x",
            kept=gain >= LEAST_GAIN,
        )
