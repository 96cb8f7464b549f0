"""Steady load on a real process for some minutes: no failure, and memory that stays flat.

``make soak`` runs ten minutes; ``make soak ARGS="--minutes 1"`` is a rehearsal. The load: signed hook calls with and without
prefetch (the rest is read from a FHIR server behind a proxy that breaks every so often), feedback, broken calls, replayed
tokens and reloads. Exit code 1 where anything was answered otherwise than is meant, or not at all; where a kind of call was
never made; or where memory grew: ten minutes show a leak of some 3 kB a call, one minute one of some 30 kB.
``make soak ARGS=--hostile`` and ``make soak ARGS=--outages`` are other runs: ``tests/load/hostile_load.py``, ``tests/outages``.
"""

from __future__ import annotations

import argparse
import json
import random
import statistics
import sys
import tempfile
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx

from tests.cds import ehr
from tests.cds.faults.processes import FaultyFhir, faulty_fhir
from tests.cds.faults.test_faults import unfetched
from tests.cds.hook_calls import MEASURED, discharge, order_select, order_sign, patient_view
from tests.cds.live_service import AS_DEPLOYED, running
from tests.load import hostile_load
from tests.load.hostile_load import signed
from tests.outages import run as outages

SELECT = "/cds-services/collar-order-select"
ADMIN = "a" * 40
MOST_GROWTH = 1.10
"""Ratio of the memory of the last quarter to that of the second; the first quarter fills caches."""
BREAKS = ("none", "none", "none", "slow", "500", "reset", "endless_paging", "huge", "none")


class Load:
    """Callers that keep a steady pace, and what they were answered."""

    def __init__(self, url: str, fhir: FaultyFhir, seconds: float, pace: float) -> None:
        self.url, self.fhir, self.seconds, self.pace = url, fhir, seconds, pace
        self.outcomes: Counter[tuple[str, int | str]] = Counter()
        self.milliseconds: list[float] = []
        self.lock = threading.Lock()

    def call(self, kind: str, path: str, client: httpx.Client, **given: Any) -> None:
        """One call, counted by its status, or by the error where there is no answer."""
        started = time.perf_counter()
        outcome: int | str
        try:
            outcome = client.post(self.url + path, **given).status_code
        except httpx.HTTPError as error:
            outcome = type(error).__name__
        with self.lock:
            self.outcomes[kind, outcome] += 1
            if kind != "reload":  # Nobody at a bedside waits for one.
                self.milliseconds.append((time.perf_counter() - started) * 1000)

    def caller(self, number: int) -> None:
        """One caller until the end."""
        chance, end = random.Random(number), time.monotonic() + self.seconds
        acts: list[Callable[[httpx.Client, random.Random], None]] = [
            self.hook, self.hook, self.hook, self.hook, self.fetched, self.feedback, self.broken, self.replayed
        ]  # fmt: skip
        with httpx.Client(timeout=30) as client:
            while time.monotonic() < end:
                started = time.monotonic()
                chance.choice(acts)(client, chance)
                time.sleep(max(0.0, self.pace - (time.monotonic() - started)))

    def hook(self, client: httpx.Client, chance: random.Random) -> None:
        """A whole call."""
        service, make = chance.choice(
            [
                ("order-select", order_select),
                ("order-sign", order_sign),
                ("patient-view", patient_view),
                ("discharge", discharge),
            ]
        )
        path = f"/cds-services/collar-{service}"
        body = {**make(*MEASURED), "hookInstance": str(uuid.uuid4())}
        self.call("hook", path, client, json=body, headers=signed(path))

    def fetched(self, client: httpx.Client, chance: random.Random) -> None:
        """A call that has to be completed from the FHIR server."""
        self.call("fetched", SELECT, client, json=unfetched(self.fhir), headers=signed(SELECT))

    def feedback(self, client: httpx.Client, chance: random.Random) -> None:
        """Feedback on a card that nobody issued."""
        path = f"{SELECT}/feedback"
        item = {"card": str(uuid.uuid4()), "outcome": "overridden", "outcomeTimestamp": "2026-01-31T10:00:00Z"}
        self.call("feedback", path, client, json={"feedback": [item]}, headers=signed(path))

    def broken(self, client: httpx.Client, chance: random.Random) -> None:
        """A call that must be refused."""
        body = json.dumps(order_select(*MEASURED)).encode()[: chance.randrange(1, 2000)]
        headers = {**signed(SELECT), "Content-Type": "application/json"}
        self.call("broken", SELECT, client, content=body, headers=headers)

    def replayed(self, client: httpx.Client, chance: random.Random) -> None:
        """A token used twice."""
        bearer = signed("/decisions")
        for kind in ("first", "replayed"):
            self.call(kind, "/decisions", client, json={"facts": {"age_years": 41}}, headers=bearer)

    def disturb(self) -> None:
        """Break the FHIR server, and reload, every few seconds."""
        end, number = time.monotonic() + self.seconds, 0
        with httpx.Client(timeout=120) as client:
            while time.monotonic() < end:
                self.fhir.break_as(BREAKS[number % len(BREAKS)])
                if number % 12 == 5:
                    self.call("reload", "/admin/reload", client, headers={"Authorization": f"Bearer {ADMIN}"})
                number += 1
                time.sleep(5)


def resident(pid: int) -> int:
    """Memory of the process, in kB."""
    status = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS:"))


def main() -> int:
    """Run, report, and give the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hostile", action="store_true", help="eight hostile clients beside a good one, for a minute")
    parser.add_argument("--outages", action="store_true", help="two workers and their store killed, frozen, restarted")
    parser.add_argument(
        "--database", choices=["sqlite", "postgresql"], action="append", help="of outages; default: both"
    )
    parser.add_argument("--seed", type=int, default=1, help="of outages")
    parser.add_argument("--minutes", type=float, help="default: 10, hostile 1, outages as long as each takes once")
    parser.add_argument("--callers", type=int, default=4)
    parser.add_argument("--pace", type=float, default=0.25, help="seconds from one call of a caller to its next")
    asked = parser.parse_args()
    if asked.hostile:
        return hostile_load.report(hostile_load.run(60 * (asked.minutes or 1)))
    if asked.outages:
        return outages.main(asked.database or ["sqlite", "postgresql"], asked.seed, 60 * (asked.minutes or 0))
    seconds = 60 * (asked.minutes or 10)
    with tempfile.TemporaryDirectory() as folder, faulty_fhir() as fhir:
        environment = {
            "NUQUE_STORE_URL": f"sqlite:///{folder}/store.sqlite3",
            "NUQUE_TRUST": "jwt",
            "NUQUE_CLIENTS": str(ehr.clients_file(Path(folder))),
            "NUQUE_AUDIENCES": ehr.BASE,
            "NUQUE_PSEUDONYM_KEY": "k" * 32,
            "NUQUE_ADMIN_TOKEN": ADMIN,
            "NUQUE_FHIR_SERVERS": fhir.origin,
            "NUQUE_PRIVATE_NETWORKS": "127.0.0.0/8",
            "NUQUE_CALLS_PER_MINUTE": "60000",
            "NUQUE_LOG_LEVEL": "info",
            **AS_DEPLOYED,
        }
        with running(**environment) as live:
            load = Load(live.url, fhir, seconds, asked.pace)
            threads = [threading.Thread(target=load.caller, args=(number,)) for number in range(asked.callers)]
            threads.append(threading.Thread(target=load.disturb))
            for thread in threads:
                thread.start()
            memory, end = [], time.monotonic() + seconds
            while time.monotonic() < end:
                memory.append(resident(live.process.pid))
                time.sleep(min(2.0, seconds / 60))
            for thread in threads:
                thread.join()
    return report(load, memory)


ALLOWED = {
    "hook": {200},
    "fetched": {200, 412},
    "feedback": {200},
    "broken": {400},
    "first": {200},
    "replayed": {401},
    "reload": {200},
}


def report(load: Load, memory: list[int]) -> int:
    """Print what was seen; 1 where it must not be."""
    quarter = len(memory) // 4
    second, last = statistics.median(memory[quarter : 2 * quarter]), statistics.median(memory[-quarter:])
    growth = last / second
    wrong = {key: count for key, count in load.outcomes.items() if key[1] not in ALLOWED[key[0]]}
    never = sorted(set(ALLOWED) - {kind for kind, _ in load.outcomes})
    cuts = statistics.quantiles(load.milliseconds, n=100)
    print(f"calls: {sum(load.outcomes.values())}")
    for (kind, outcome), count in sorted(load.outcomes.items(), key=str):
        print(f"  {kind} {outcome}: {count}")
    print(f"milliseconds: median {cuts[49]:.0f}, 95th percentile {cuts[94]:.0f}, longest {max(load.milliseconds):.0f}")
    tenths = [memory[len(memory) * tenth // 10] // 1024 for tenth in range(10)]
    print(f"memory, MB, at each tenth of the time: {', '.join(map(str, tenths))}")
    print(f"memory, kB: start {memory[0]}, second quarter {second:.0f}, last quarter {last:.0f}, ratio {growth:.3f}")
    print(f"not as meant: {wrong or 'nothing'}; never called: {', '.join(never) or 'nothing'}")
    return int(bool(wrong or never) or growth > MOST_GROWTH)


if __name__ == "__main__":
    sys.exit(main())
