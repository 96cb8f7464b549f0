"""Eight hostile clients beside a good one, on the real service: the good one gets every answer, and soon.

``make soak ARGS=--hostile`` runs a minute of it. The hostile clients are listed and signed like any other, each with a name of
its own, and do what ``tests/cds/attacks`` holds, one pattern after the other: addresses and tokens that spoil the reading from a
FHIR server, huge and held bodies, records that take long to read, calls given up, connections with nothing or half of a call,
too many statements of feedback; and somebody locks the file of the store. They run in a process of their own, so that their
work does not slow what is measured.
"""

from __future__ import annotations

import json
import multiprocessing
import socket
import statistics
import tempfile
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from http.client import HTTPException
from itertools import count
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
from joserfc.jwk import ECKey

from tests.cds import ehr
from tests.cds.attacks.service_monitor import MOST_MEMORY_BYTES, ServiceMonitor
from tests.cds.attacks.test_hostile_bodies import UNITS, held_back, many_values, send
from tests.cds.attacks.test_hostile_connections import LITTLE, connected
from tests.cds.attacks.test_hostile_feedback import FEEDBACK, statements
from tests.cds.attacks.test_hostile_records import TANGLED, unknown_names, view
from tests.cds.attacks.test_reading_closed import UNSENDABLE, nothing_brought
from tests.cds.faults import processes
from tests.cds.hook_calls import INSTANCE, discharge, observation, order_select, order_sign, patient_view
from tests.cds.live_service import AS_DEPLOYED, running
from tests.cds.storage.databases import locked

HOSTILE = 8
MOST_P99_SECONDS = 2.0
MOST_HEALTH_SECONDS = 1.0
PACE_SECONDS = 0.2
"""From one call of the good client to its next."""
PATIENCE_SECONDS = 60
"""How long a client waits for an answer before it counts as none."""
VIEW = "/cds-services/collar-patient-view"
SELECT = "/cds-services/collar-order-select"


def signed(path: str, iss: str = ehr.ISS, key: Any = ehr.EC384) -> dict[str, str]:
    """Headers with a fresh token of ``iss`` for ``path``."""
    now = time.time()
    payload = ehr.claims(iss=iss, aud=ehr.BASE + path, iat=now, exp=now + 120)
    return {"Authorization": f"Bearer {ehr.token(payload, key=key)}"}


# --- the hostile clients -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Goal:
    """What is attacked: the service, the origin of the FHIR server that it may read, its store; and the key to sign with."""

    url: str
    fhir: str
    store: Path
    key: dict[str, Any]


class Attackers:
    """The hostile clients, and how what each pattern sent was answered."""

    def __init__(self, goal: Goal) -> None:
        self.goal = goal
        self.key = ECKey.import_key(goal.key)
        self.outcomes: Counter[tuple[str, str]] = Counter()
        self._counting, self._locking = threading.Lock(), threading.Lock()

    def run(self, seconds: float) -> None:
        """All of them at once; each goes through all patterns, beginning where no other does, and through two at least."""
        end = time.monotonic() + seconds

        def one(number: int) -> None:
            patterns = list(PATTERNS)
            for turn in count(number * len(patterns) // HOSTILE):
                PATTERNS[patterns[turn % len(patterns)]](self, number, turn)
                if time.monotonic() > end and turn > number * len(patterns) // HOSTILE:
                    return

        with ThreadPoolExecutor(HOSTILE) as pool:
            for done in [pool.submit(one, number) for number in range(HOSTILE)]:
                done.result()

    def note(self, pattern: str, outcome: object) -> None:
        """Count what was sent by how it was answered."""
        with self._counting:
            self.outcomes[pattern, str(outcome)] += 1

    def signed(self, path: str, number: int) -> dict[str, str]:
        """The headers of hostile client ``number``."""
        return signed(path, issuer(number), self.key)

    def post(self, pattern: str, number: int, path: str, body: bytes) -> None:
        """One call, counted."""
        headers = self.signed(path, number)
        try:
            outcome: object = send(self.goal.url, body, path, **headers)[0]
        except (OSError, HTTPException):  # Refused while it was still being sent.
            outcome = "closed"
        self.note(pattern, outcome)

    @cached_property
    def long(self) -> list[bytes]:
        """Bodies of millions of values."""
        return [many_values(unit) for unit in UNITS.values()]

    @cached_property
    def tangled(self) -> list[bytes]:
        """Calls with records that point at each other."""
        return [json.dumps(view(*records())).encode() for records in TANGLED]

    @cached_property
    def unknown(self) -> bytes:
        """A call with thousands of facts that nobody knows."""
        return json.dumps(unknown_names()).encode()

    @cached_property
    def feedback(self) -> bytes:
        """A call with too many statements."""
        return json.dumps(statements(66_000)).encode()

    # --- the patterns

    def unsendable_tokens(self, number: int, turn: int) -> None:
        """Access tokens that cannot stand in a header."""
        for token in UNSENDABLE:
            body = json.dumps(nothing_brought(f"{self.goal.fhir}/fhir", token)).encode()
            self.post("unsendable tokens", number, VIEW, body)

    def wrong_bases(self, number: int, turn: int) -> None:
        """Several calls at once that have a listed server asked below an address where it has nothing."""

        def one(_: int) -> None:
            body = json.dumps(nothing_brought(f"{self.goal.fhir}/wrong")).encode()
            self.post("wrong bases", number, VIEW, body)

        with ThreadPoolExecutor(6) as pool:
            list(pool.map(one, range(6)))

    def silent_bases(self, number: int, turn: int) -> None:
        """Calls that have a listed server asked where it takes every call and answers none."""

        def one(place: int) -> None:
            body = json.dumps(nothing_brought(f"{self.goal.fhir}/silent/{turn}/{place}")).encode()
            self.post("silent bases", number, VIEW, body)

        with ThreadPoolExecutor(6) as pool:
            list(pool.map(one, range(6)))

    def huge_bodies(self, number: int, turn: int) -> None:
        """As many values as a body can hold."""
        self.post("huge bodies", number, "/decisions", self.long[turn % len(self.long)])

    def deep_bodies(self, number: int, turn: int) -> None:
        """Lists in lists without end."""
        self.post("deep bodies", number, "/decisions", b"[" * 1_000_000)

    def held_bodies(self, number: int, turn: int) -> None:
        """Long bodies whose end never comes."""

        def one(_: int) -> None:
            try:
                answer = held_back(self.goal.url, **self.signed("/decisions", number))
            except OSError:
                answer = b"refused"
            self.note("held bodies", answer[9:12].decode() if answer.startswith(b"HTTP") else "closed")

        with ThreadPoolExecutor(4) as pool:
            list(pool.map(one, range(4)))

    def little_connections(self, number: int, turn: int) -> None:
        """Connections with nothing on them, half of a call, or a call and half of the next; then left open for some seconds."""
        with ExitStack() as opened:
            for name, sent in LITTLE.items():
                for _ in range(10):
                    try:
                        connected(self.goal.url, opened).sendall(sent)
                    except OSError:
                        self.note("connections held", "closed")
                    else:
                        self.note("connections held", name)
            time.sleep(3)

    def tangled_records(self, number: int, turn: int) -> None:
        """Thousands of records that point at each other."""
        self.post("tangled records", number, VIEW, self._fresh(turn))

    def many_unknown_names(self, number: int, turn: int) -> None:
        """Thousands of misspelt facts."""
        self.post("unknown names", number, "/decisions", self.unknown)

    def many_statements(self, number: int, turn: int) -> None:
        """Feedback of 66,000 items."""
        self.post("66,000 items of feedback", number, FEEDBACK, self.feedback)

    def calls_given_up(self, number: int, turn: int) -> None:
        """Calls whose caller hangs up as soon as all is sent."""
        address = urlsplit(self.goal.url)
        for _ in range(2):
            body = self._fresh(turn)
            sent = {"Host": "127.0.0.1", "Content-Type": "application/json", "Content-Length": str(len(body))}
            sent |= self.signed(VIEW, number)
            head = (
                f"POST {VIEW} HTTP/1.1\r\n" + "".join(f"{name}: {value}\r\n" for name, value in sent.items()) + "\r\n"
            )
            try:
                with socket.create_connection((address.hostname, address.port), timeout=PATIENCE_SECONDS) as call:
                    call.sendall(head.encode() + body)
                    time.sleep(0.2)
                self.note("calls given up", "hung up")
            except OSError:
                self.note("calls given up", "closed")

    def locked_store(self, number: int, turn: int) -> None:
        """The file of the store is locked for some seconds; by one of them at a time."""
        if self._locking.acquire(blocking=False):
            try:
                with locked(self.goal.store):
                    time.sleep(3)
                self.note("locked store", "locked for 3 s")
            finally:
                self._locking.release()

    def _fresh(self, turn: int) -> bytes:
        return self.tangled[turn % len(self.tangled)].replace(INSTANCE.encode(), str(uuid.uuid4()).encode())


PATTERNS: dict[str, Callable[[Attackers, int, int], None]] = {
    "unsendable tokens": Attackers.unsendable_tokens,
    "wrong bases": Attackers.wrong_bases,
    "silent bases": Attackers.silent_bases,
    "huge bodies": Attackers.huge_bodies,
    "deep bodies": Attackers.deep_bodies,
    "held bodies": Attackers.held_bodies,
    "connections held": Attackers.little_connections,
    "tangled records": Attackers.tangled_records,
    "unknown names": Attackers.many_unknown_names,
    "66,000 items of feedback": Attackers.many_statements,
    "calls given up": Attackers.calls_given_up,
    "locked store": Attackers.locked_store,
}
"""What the hostile clients do, by the name under which it is counted."""


def issuer(number: int) -> str:
    """The name of hostile client ``number``."""
    return f"https://hostile-{number}.example"


def _attack(goal: Goal, seconds: float, told: Connection) -> None:
    attackers = Attackers(goal)
    assert attackers.long and attackers.tangled and attackers.unknown and attackers.feedback  # Made before it begins.
    told.send("ready")
    attackers.run(seconds)
    told.send(attackers.outcomes)


@contextmanager
def attacked(goal: Goal, seconds: float) -> Iterator[Callable[[], Counter[tuple[str, str]]]]:
    """While the block runs the hostile clients are at work, for ``seconds`` or so; what is given waits for their counts."""
    spawning = multiprocessing.get_context("spawn")
    here, there = spawning.Pipe()
    process = spawning.Process(target=_attack, args=(goal, seconds, there), daemon=True)
    process.start()
    there.close()
    try:
        here.recv()
        yield here.recv
    finally:
        process.terminate()
        process.join()


# --- the good client -----------------------------------------------------------------------------------------------


READ = "order-select, to be read"


def _calls(base: str) -> dict[str, tuple[str, dict[str, Any]]]:
    """What the good client asks: each service with all that it needs, and one with what is to be read from ``base``."""
    written = datetime.now(UTC).isoformat()
    records = (
        observation("neck-height", 66, time=written),
        observation("neck-circumference", 380, time=written),
        {
            "resourceType": "DeviceUseStatement",
            "id": "use-1",
            "status": "active",
            "subject": {"reference": "Patient/p1"},
            "device": {"display": "Rigid neck collar"},
            "timingPeriod": {"start": (datetime.now(UTC) - timedelta(hours=10.5)).isoformat()},
        },
    )
    return {
        "order-select": (SELECT, order_select(*records)),
        READ: (SELECT, processes.without_prefetch(base)),
        "order-sign": ("/cds-services/collar-order-sign", order_sign(*records)),
        "patient-view": (VIEW, patient_view(*records)),
        "discharge": ("/cds-services/collar-discharge", discharge(*records)),
    }


class Good:
    """The good client: an answer is good where it says what was said before the attack."""

    def __init__(self, url: str, base: str) -> None:
        """Ask each call once, in peace; what is to be read stands at ``base``."""
        self.url, self.calls = url, _calls(base)
        self.seconds: list[float] = []
        self.good: Counter[str] = Counter()
        self.wrong: list[str] = []
        self._client = httpx.Client(timeout=PATIENCE_SECONDS)
        self.expected = {name: self._asked(name) for name in self.calls}

    def _asked(self, name: str) -> list[tuple[str, str]]:
        path, made = self.calls[name]
        body = {**made, "hookInstance": str(uuid.uuid4())}
        answer = self._client.post(self.url + path, json=body, headers=signed(path))
        if answer.status_code != 200:
            raise NoAnswer(f"{answer.status_code} {answer.text[:600]}")
        return [(card["indicator"], card["summary"]) for card in answer.json()["cards"]]

    def ask(self, name: str) -> None:
        """One call, measured and compared."""
        started = time.perf_counter()
        try:
            said = self._asked(name)
        except (NoAnswer, httpx.HTTPError) as error:
            self.wrong.append(f"{name}: {type(error).__name__} {error}")
        else:
            if said == self.expected[name]:
                self.good[name] += 1
            else:
                self.wrong.append(f"{name}: {said}")
        self.seconds.append(time.perf_counter() - started)

    def ask_for(self, seconds: float) -> None:
        """Ask at a steady pace, each call twice at least; what is to be read comes between all others."""
        end = time.monotonic() + seconds
        others = [name for name in self.calls if name != READ]
        for turn in count():
            if time.monotonic() > end and turn >= 4 * len(others):
                break
            started = time.monotonic()
            self.ask(READ if turn % 2 else others[turn // 2 % len(others)])
            time.sleep(max(0.0, PACE_SECONDS - (time.monotonic() - started)))
        self._client.close()


class NoAnswer(Exception):
    """The good client was refused."""


# --- the run and what is said of it --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Seen:
    """What there was to see."""

    good: Good
    outcomes: Counter[tuple[str, str]]
    watch: ServiceMonitor

    def counts(self) -> dict[str, int]:
        """How often each pattern reached the service."""
        return {
            pattern: sum(number for (name, _), number in self.outcomes.items() if name == pattern)
            for pattern in PATTERNS
        }

    def failures(self) -> list[str]:
        """Answers that say that the service itself failed."""
        return sorted(f"{pattern}: {outcome}" for pattern, outcome in self.outcomes if outcome == "500")


def clients_file(folder: Path) -> Path:
    """The good client and the hostile ones, each listed."""
    path = ehr.clients_file(folder)
    (good,) = json.loads(path.read_text())["clients"]
    hostile = [{**good, "iss": issuer(number)} for number in range(HOSTILE)]
    path.write_text(json.dumps({"clients": [good, *hostile]}))
    return path


def run(seconds: float, **settings: str) -> Seen:
    """Start the service, with ``settings`` beside its defaults, and let all of them at it."""
    with tempfile.TemporaryDirectory() as name, processes.running("tests.cds.faults.fhir_server") as port:
        folder, fhir = Path(name), f"http://127.0.0.1:{port}"
        store = folder / "store.sqlite3"
        environment = {
            "NUQUE_STORE_URL": f"sqlite:///{store}",
            "NUQUE_TRUST": "jwt",
            "NUQUE_CLIENTS": str(clients_file(folder)),
            "NUQUE_AUDIENCES": ehr.BASE,
            "NUQUE_PSEUDONYM_KEY": "k" * 32,
            "NUQUE_FHIR_SERVERS": fhir,
            "NUQUE_PRIVATE_NETWORKS": "127.0.0.0/8",
            **AS_DEPLOYED,
            **settings,
        }
        with running(**environment) as live:
            good = Good(live.url, f"{fhir}/fhir")
            goal = Goal(live.url, fhir, store, ehr.EC384.as_dict(private=True))
            with attacked(goal, seconds) as counted, ServiceMonitor(live) as watch:
                good.ask_for(seconds)
                outcomes = counted()
    return Seen(good, outcomes, watch)


def report(seen: Seen) -> int:
    """Print what was seen, and which bar was missed; 1 where one was."""
    good, watch = seen.good, seen.watch
    p99 = statistics.quantiles(good.seconds, n=100)[98]
    print("hostile clients, by what they did and how it was answered:")
    for pattern, number in seen.counts().items():
        ways = {outcome: n for (name, outcome), n in sorted(seen.outcomes.items()) if name == pattern}
        print(f"  {pattern}: {number} ({', '.join(f'{outcome}: {n}' for outcome, n in ways.items())})")
    print("the good client, good answers by call:")
    for name in good.calls:
        print(f"  {name}: {good.good[name]}")
    for wrong in good.wrong[:20]:
        print(f"  not good: {wrong}")
    never = [pattern for pattern, number in seen.counts().items() if not number]
    bars = {
        f"good answers {good.good.total()} of {len(good.seconds)}": good.good.total() == len(good.seconds) > 0,
        f"p99 of the good client {p99:.2f} s (< {MOST_P99_SECONDS:g} s; median "
        f"{statistics.median(good.seconds):.2f} s, longest {max(good.seconds):.2f} s)": p99 < MOST_P99_SECONDS,
        f"slowest health {watch.slowest_health:.2f} s of {watch.asked} (< {MOST_HEALTH_SECONDS:g} s)": (
            watch.slowest_health < MOST_HEALTH_SECONDS
        ),
        f"health not told: {', '.join(watch.unwell) or 'never'}": not watch.unwell,
        f"highest memory {watch.most_memory / (1 << 20):.0f} MiB (< {MOST_MEMORY_BYTES >> 20} MiB)": (
            watch.most_memory < MOST_MEMORY_BYTES
        ),
        f"patterns never seen: {', '.join(never) or 'none'}": not never,
        f"answers 500: {', '.join(seen.failures()) or 'none'}": not seen.failures(),
    }
    for said, held in bars.items():
        print(f"{'held' if held else 'MISSED'}: {said}")
    return int(not all(bars.values()))
