"""Rounds of disturbances in random order, each with all that is held after it; and what is said of them.

A round is one trouble of the store (none, locked, frozen, restarted) and, within it, one thing that is done to the processes of
the service. It ends when the service is ready again and what callers were told has been compared with the store.
"""

from __future__ import annotations

import json
import random
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import cycle, zip_longest
from pathlib import Path

from tests.cds import ehr
from tests.cds.storage.databases import emptied, postgresql
from tests.outages import findings
from tests.outages.callers import CLIENTS, Callers, Told
from tests.outages.disturbances import (
    EVENTS,
    LOSES_AT_ONCE,
    LOSES_WITHOUT_STORE,
    NotAsMeant,
    Served,
    Span,
    eventually,
    troubles,
)

MOST_DECISION_SECONDS = 1.0
"""While the store is in trouble."""
MOST_GROWTH = 1.5
"""Ratio of the memory of the largest worker at the end of any round to that before the first."""
_ANSWERS = 12
"""Decisions that have to be answered within each round, and once more after it; in trouble as many statements are refused."""
_MOST_SHOWN = 20

Round = tuple[str, str]
"""The trouble of the store, and what is done to the processes."""


@dataclass
class Seen:
    """What there was to see."""

    rounds: list[Round] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    told: Told = field(default_factory=Told)
    seconds: dict[str, list[float]] = field(default_factory=dict)
    memory: list[int] = field(default_factory=list)
    """kB."""

    def growth(self) -> float:
        """Ratio of the highest memory after any round to that before the first."""
        return max(self.memory) / self.memory[0]


def every_round(url: str, chance: random.Random) -> list[Round]:
    """Each trouble of the store at ``url`` with each thing that is done to the processes, in random order."""
    rounds = [(trouble, event) for trouble in troubles(url) for event in EVENTS if (trouble, event) != ("nothing",) * 2]
    chance.shuffle(rounds)
    return rounds


def few_rounds(url: str, chance: random.Random) -> list[Round]:
    """Everything that is done to the processes once, and each trouble of the store alone or with one of them, by chance."""
    kinds = [trouble for trouble in troubles(url) if trouble != "nothing"]
    events = [event for event in EVENTS if event != "nothing"]
    chance.shuffle(kinds)
    chance.shuffle(events)
    rounds = [*zip_longest(kinds, events, fillvalue="nothing"), (chance.choice(kinds), "nothing")]
    chance.shuffle(rounds)
    return rounds


class Run:
    """One run on one database."""

    def __init__(self, url: str, folder: Path, seed: int, contents: tuple[str, ...] = ()) -> None:
        """``contents``: versions of the content, as in ``Served``."""
        self.url, self.seed, self.seen = url, seed, Seen()
        self._in_store_until = 0.0
        """All cards that were answered before are known to be in the store."""
        self.served = Served(url, folder, clients_file(folder), contents)

    def rounds(self, rounds: list[Round], seconds: float = 0.0) -> Seen:
        """Do ``rounds``, from the first again for ``seconds``. What goes otherwise than is meant stands in what is seen."""
        self.served.start()
        try:
            eventually("not ready at the start", self.served.is_ready)
            callers = Callers(self.served.url, self.seed)
            with callers:
                self._all(callers, rounds, time.monotonic() + seconds)
            self.seen.problems += [f"a caller ended: {why}" for why in callers.failures]
            told = self.seen.told = callers.snapshot()
        finally:
            self.served.close()
        self.seen.problems += findings.against_the_store(told, self.served.times, self.url)
        self.seen.problems += findings.unsaid_in(told, self.url)
        self.seen.problems += findings.against_the_times(told, self.served.times)
        self.seen.seconds = findings.seconds(told, self.served.times)
        self.seen.memory = self.served.memory
        return self.seen

    def _all(self, callers: Callers, rounds: list[Round], end: float) -> None:
        callers.until_answered(_ANSWERS * 3)
        self.served.weigh()
        for number, each in enumerate(cycle(rounds)):
            if number >= len(rounds) and time.monotonic() > end:
                return
            try:
                self._one(callers, *each)
            except NotAsMeant as error:
                self.seen.problems.append(f"{' and '.join(each)}: {error}")
                return
            self.seen.rounds.append(each)
            at, told = time.monotonic(), callers.snapshot()
            problems = findings.against_the_store(told, self.served.times, self.url)
            self.seen.problems += [f"after {' and '.join(each)}: {problem}" for problem in problems]
            if problems:
                return
            self._in_store_until = at

    def _one(self, callers: Callers, trouble: str, event: str) -> None:
        times, began = self.served.times, time.monotonic()
        with troubles(self.url)[trouble]():
            EVENTS[event](self.served)
            if event in LOSES_AT_ONCE or (event in LOSES_WITHOUT_STORE and trouble != "nothing"):
                times.at_risk.append(Span(self._in_store_until, time.monotonic()))
            if not callers.until_answered(_ANSWERS):
                raise NotAsMeant("decisions do not go on")
            if trouble in ("locked", "frozen"):
                if not callers.until_answered(_ANSWERS, "feedback", "503"):
                    raise NotAsMeant("no feedback is refused that cannot be kept")
                eventually("readiness does not say the trouble", lambda: self.served.readiness() == "trouble")
        if trouble != "nothing":
            times.troubled.append(Span(began, time.monotonic()))
        eventually("readiness does not recover", self.served.is_ready)
        if trouble != "nothing":
            times.unsaid.append(Span(began, time.monotonic()))
        if not callers.until_answered(_ANSWERS):
            raise NotAsMeant("decisions do not go on after it")
        self.served.weigh()


def clients_file(folder: Path) -> Path:
    """All clients, each listed."""
    path = ehr.clients_file(folder)
    (one,) = json.loads(path.read_text())["clients"]
    path.write_text(json.dumps({"clients": [{**one, "iss": client} for client in CLIENTS]}))
    return path


@contextmanager
def database(name: str, folder: Path) -> Iterator[str]:
    """URL of an empty store: "sqlite", or "postgresql" on a server of this run."""
    if name == "sqlite":
        yield f"sqlite:///{folder / 'store.sqlite3'}"
        return
    with postgresql() as server:
        yield emptied(server)


def main(names: list[str], seed: int, seconds: float) -> int:
    """Run on each database of ``names`` for ``seconds`` at least, and print what was seen; the exit code."""
    failed = 0
    for name in names:
        with tempfile.TemporaryDirectory() as made, database(name, Path(made)) as url:
            run = Run(url, Path(made), seed, contents=("98.0.0", "99.0.0"))
            failed |= report(name, run.rounds(every_round(url, random.Random(seed)), seconds))
    return failed


def report(name: str, seen: Seen) -> int:
    """Print what was seen on one database; 1 where anything was not as it is meant."""
    outcomes = Counter((call.kind, call.outcome) for call in seen.told.calls)
    print(f"{name}: {len(seen.rounds)} rounds, {len(seen.told.calls)} calls")
    for (kind, outcome), number in sorted(outcomes.items()):
        print(f"  {kind} {outcome}: {number}")
    print(f"  feedback acknowledged: {len(set(seen.told.acknowledged))}, cards: {len(seen.told.cards)}")
    for when, taken in seen.seconds.items():
        if len(taken) > 1:
            p99 = statistics.quantiles(taken, n=100)[98]
            print(
                f"  decisions {when}: {len(taken)}, median {statistics.median(taken):.2f} s, p99 {p99:.2f} s, "
                f"longest {max(taken):.2f} s"
            )
    slowest = max(seen.seconds["while the store was in trouble"], default=float("inf"))  # None at all is no good sign.
    for problem in seen.problems[:_MOST_SHOWN]:
        print(f"  not as meant: {problem}")
    bars = {
        f"not as meant: {len(seen.problems)}": not seen.problems,
        f"slowest decision while the store was in trouble {slowest:.2f} s (< {MOST_DECISION_SECONDS:g} s)": (
            slowest < MOST_DECISION_SECONDS
        ),
        f"memory of the largest worker, ratio of the highest to the first {seen.growth():.2f} (< {MOST_GROWTH:g}; "
        f"first {seen.memory[0] // 1024} MB)": seen.growth() < MOST_GROWTH,
    }
    for said, held in bars.items():
        print(f"{'held' if held else 'MISSED'}: {name}: {said}", flush=True)
    return int(not all(bars.values()))
