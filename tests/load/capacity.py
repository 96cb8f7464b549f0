"""Writes docs/capacity.md out of the figures that the benchmark recorded:  python -m tests.load.capacity"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

from cds.settings import LimitSettings, StoreSettings
from tests.bench.child import ROOT
from tests.bench.over_http.figures import Figures
from tests.bench.service import BUSY

PAGE = ROOT / "docs" / "capacity.md"

CALLS_PER_BED_DAY = 40
"""Hook calls for each bed and day: charts opened, orders selected and signed, discharges."""
CONCERNED = 0.02
"""Part of the calls that is about a collar and gets cards; the others are answered at once."""
CARDS = 2
"""Cards of a call that gets some."""
FED_BACK = 0.5
"""Part of the cards that feedback is sent on."""
PEAK = 4.0
"""How far the busiest moment is above the mean of the day."""
LOADED = 0.7
"""Part of a processor that may be used at the peak."""
DAYS = 365

SITES = {"a hospital": 1_000, "a network of 40 hospitals": 40_000, "a national service": 400_000}
"""Beds."""


@dataclass(frozen=True)
class Need:
    """What so many beds need at the busiest moment, and in a year."""

    beds: int
    figures: Figures

    @property
    def calls(self) -> float:
        """Calls a second."""
        return self.beds * CALLS_PER_BED_DAY / 86_400 * PEAK

    @property
    def processors(self) -> float:
        """Seconds of processor time a second."""
        cost = CONCERNED * self._cost("typical") + (1 - CONCERNED) * self._cost("silent")
        return self.calls * cost / 1000

    @property
    def processes(self) -> int:
        """Workers, each with a processor of its own."""
        return ceil(self.processors / LOADED)

    @property
    def commits(self) -> float:
        """Commits a second: one for each token and each feedback, and the groups of cards and audit rows."""
        groups = 1000 / StoreSettings().store_delay_ms
        return self.calls + self._fed_back + min(self.calls, groups * self.processes)

    @property
    def rows(self) -> float:
        """Rows a second: a token and an audit row for each call, cards, feedback with its own token and audit row."""
        return 2 * self.calls + self.calls * CONCERNED * CARDS + 3 * self._fed_back

    @property
    def gigabytes(self) -> float:
        """Of a year; tokens are deleted after a day and left out."""
        size, calls = self.figures.row_bytes, self.beds * CALLS_PER_BED_DAY * DAYS
        cards = calls * CONCERNED * CARDS
        return (calls * size["audit"] + cards * size["issued_cards"] + cards * FED_BACK * size["feedback"]) / 1e9

    @property
    def _fed_back(self) -> float:
        return self.calls * CONCERNED * CARDS * FED_BACK

    def _cost(self, call: str) -> float:
        (row,) = [row for row in self.figures.rows if row.call == call and row.connections == BUSY]
        return row.service.cost


def page(figures: Figures) -> str:
    """The page as Markdown."""
    return "\n".join(_lines(figures, {name: Need(beds, figures) for name, beds in SITES.items()})) + "\n"


def _lines(figures: Figures, needs: dict[str, Need]) -> Iterator[str]:
    yield "# Capacity"
    yield ""
    yield (
        f"Written by `python -m tests.load.capacity` out of `docs/benchmarks.json`, which `make bench "
        f'ARGS="service --record"` measured on {figures.day} ({figures.processors} processors). '
        "Run both on your own machine before you order one."
    )
    yield ""
    yield "| for | beds | calls/s at peak | processors in use | workers | commits/s | rows/s | storage a year |"
    yield "|---|---|---|---|---|---|---|---|"
    for name, need in needs.items():
        yield (
            f"| {name} | {need.beds:,} | {need.calls:.1f} | {need.processors:.2f} | {need.processes} "
            f"| {need.commits:.0f} | {need.rows:.0f} | {need.gigabytes:,.0f} GB |"
        )
    yield ""
    yield from _assumptions()
    yield ""
    yield from _limits(figures, needs["a hospital"])


def _assumptions() -> Iterator[str]:
    yield "## What is assumed"
    yield ""
    yield "Local estimates, without a source: count your own calls for a week (`nuque_answers_total`) and put them in."
    yield ""
    yield f"- {CALLS_PER_BED_DAY} hook calls for each bed and day; at the busiest moment {PEAK:g} times the mean."
    yield f"- {CONCERNED:.0%} of them are about a collar and get {CARDS} cards; the others are answered as silent calls."
    yield f"- Feedback on {FED_BACK:.0%} of the cards. Signed tokens, each used once; no decision records."
    yield "- The signature of a token is not in the processor time: the benchmark calls in open mode."
    yield f"- At the peak a processor is used to {LOADED:.0%}; each worker has one."


def _limits(figures: Figures, one: Need) -> Iterator[str]:
    limit = LimitSettings().calls_per_minute / 60
    processor = one.calls / one.processors * LOADED
    sqlite = one.calls / one.commits * figures.commits_a_second
    yield "## Where the limits lie"
    yield ""
    yield f"- **A worker** answers about {processor:.0f} calls/s of this mixture."
    yield (
        f"- **A client** may send {limit:.0f} calls/s to one worker unless `NUQUE_CALLS_PER_MINUTE` says otherwise: "
        f"an EHR that calls as one client needs it raised beyond {limit:.0f} times the number of workers."
    )
    yield (
        f"- **SQLite** has one writer, which made {figures.commits_a_second:.0f} commits/s on the disk of this "
        f"machine: enough for about {sqlite:.0f} calls/s. Beyond that, and for more than one machine, PostgreSQL: its "
        "sessions commit together, and the figure above is what it has to take."
    )
    yield (
        "- **One machine** ends at its processors, one worker each. Beyond that run `nuque serve --workers` on several "
        "machines behind a proxy, with one PostgreSQL; nothing else is shared."
    )
    yield (
        f"- **Storage** is the audit trail above all: {figures.row_bytes['audit']:.0f} bytes a call, "
        f"{figures.row_bytes['issued_cards']:.0f} a card, {figures.row_bytes['feedback']:.0f} for feedback (SQLite, with "
        "indexes). `nuque store purge` keeps it at what the `NUQUE_KEEP_..._DAYS` settings say; for a national service "
        "that is a reason to keep the trail for a shorter time, or to export it every night."
    )
    yield (
        f"- **Memory**: {figures.memory_at_start:.0f} MiB for a process after its first answer, "
        f"{figures.memory_after:.0f} MiB after {figures.service_calls:,} calls; workers share a part of it."
    )


if __name__ == "__main__":
    PAGE.write_text(page(Figures.kept()))
