"""What was measured over the wire, as it is kept in ``docs/benchmarks.json`` and shown in ``docs/benchmarks.md``."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from tests.bench.child import ROOT
from tests.bench.over_http.load import Load

KEPT = ROOT / "docs" / "benchmarks.json"
PAGE = ROOT / "docs" / "benchmarks.md"
_BEGIN, _END = '<!-- over the wire: make bench ARGS="service --record" -->', "<!-- end of over the wire -->"


@dataclass(frozen=True)
class Row:
    """One kind of call over so many connections, on the floor and on the service."""

    call: str
    connections: int
    bytes_in: int
    bytes_out: int
    floor: Load
    service: Load

    @property
    def share(self) -> float:
        """The floor's processor time a call as a part of the service's."""
        return self.floor.cost / self.service.cost


Points = tuple[tuple[int, float], ...]
"""How many there were, and milliseconds of processor time."""


@dataclass(frozen=True)
class Figures:
    """Everything of one run. Times in seconds, memory in MiB."""

    day: str
    processors: int
    load_average: float
    """Of the machine over five minutes, this benchmark included: above the number of processors others wanted them too."""
    floor_server: str
    rows: tuple[Row, ...]
    workers: tuple[tuple[int, Load], ...]
    """The number of workers, and the load that they carried."""
    steady: Load
    start_seconds: float
    start_processor: float
    memory_at_start: float
    memory_after: float
    stages: dict[str, float]
    """Milliseconds of the typical call by stage, one connection."""
    by_resources: Points
    by_facts: Points
    by_rules: Points
    row_bytes: dict[str, float]
    """Bytes of a row in the store, by table."""
    commits_a_second: float
    """Of one writer on this disk, one row each."""

    @classmethod
    def of_this_machine(cls, **found: Any) -> Figures:
        """What was found, with today's date and the number of processors."""
        tuples = {name: tuple(found.pop(name)) for name in ("rows", "workers")}
        return cls(
            day=f"{datetime.now(UTC):%Y-%m-%d}",
            processors=len(os.sched_getaffinity(0)),
            load_average=os.getloadavg()[1],
            **tuples,
            **found,
        )

    @classmethod
    def kept(cls) -> Figures:
        """The figures of the last run that was recorded."""
        read = json.loads(KEPT.read_text())
        rows = tuple(
            Row(**{**row, "floor": Load(**row["floor"]), "service": Load(**row["service"])}) for row in read.pop("rows")
        )
        workers = tuple((count, Load(**load)) for count, load in read.pop("workers"))
        for name in ("by_resources", "by_facts", "by_rules"):
            read[name] = tuple(tuple(point) for point in read[name])
        return cls(**{**read, "rows": rows, "workers": workers, "steady": Load(**read["steady"])})

    @property
    def service_calls(self) -> int:
        """Calls that the service answered."""
        return sum(row.service.calls for row in self.rows) + self.steady.calls

    @property
    def not_answered(self) -> int:
        """Calls of floor and service that were refused, or whose connection broke."""
        loads = [
            self.steady,
            *(load for _, load in self.workers),
            *(load for row in self.rows for load in (row.floor, row.service)),
        ]
        return sum(load.refused + load.lost for load in loads)

    def record(self) -> None:
        """Keep the figures, and put their table into the page."""
        KEPT.write_text(json.dumps(asdict(self), indent=1) + "\n")
        before, _, rest = PAGE.read_text().partition(_BEGIN)
        after = rest.partition(_END)[2]
        PAGE.write_text(f"{before}{_BEGIN}\n{self.table()}\n{_END}{after}")

    def table(self) -> str:
        """The figures as Markdown."""
        return "\n".join(self._lines())

    def _lines(self) -> Iterator[str]:
        yield (
            f"Measured on {self.day}, {self.processors} processors, load average {self.load_average:.0f} (where that is "
            f"above the number of processors, others took part of them); the floor ran on {self.floor_server}."
        )
        yield ""
        yield (
            "| call | in, out | connections | floor, ms | service, ms | share | floor, calls/s | calls/s "
            "| p50 | p95 | p99 | generator |"
        )
        yield "|---|---|---|---|---|---|---|---|---|---|---|---|"
        for row in self.rows:
            service = row.service
            yield (
                f"| {row.call} | {row.bytes_in / 1000:.0f} kB, {row.bytes_out / 1000:.1f} kB | {row.connections} "
                f"| {row.floor.cost:.2f} | {service.cost:.2f} | {row.share:.3f} | {row.floor.rate:.0f} "
                f"| {service.rate:.0f} | {service.p50:.1f} | {service.p95:.1f} | {service.p99:.1f} "
                f"| {service.generator_share:.0%} |"
            )
        yield ""
        yield "| workers | calls/s | ms of processor a call | p50 | p99 | generator |"
        yield "|---|---|---|---|---|---|"
        for count, load in self.workers:
            yield (
                f"| {count} | {load.rate:.0f} | {load.cost:.2f} | {load.p50:.1f} | {load.p99:.1f} "
                f"| {load.generator_share:.0%} |"
            )
        yield ""
        yield (
            f"At {self.steady.rate:.0f} calls/s, 70 % of the highest rate, over eight connections: "
            f"p50 {self.steady.p50:.1f}, p95 {self.steady.p95:.1f}, p99 {self.steady.p99:.1f} ms. "
            f"Refused or lost, floor and service: {self.not_answered} calls. "
            f"Start to first answer: {self.start_seconds:.2f} s ({self.start_processor:.2f} s of processor "
            f"time). Memory: {self.memory_at_start:.0f} MiB after it, "
            f"{self.memory_after:.0f} MiB after {self.service_calls:,} calls. "
            f"One writer makes {self.commits_a_second:.0f} commits a second on this disk."
        )
