"""Those who call while the service is disturbed, and what each was answered.

Each call is a connection of its own, so that the workers share them. Feedback that was not acknowledged is sent again, as an EHR
does. Decisions are each for a patient of their own, whose id must be the only one in the answer.
"""

from __future__ import annotations

import json
import random
import re
import threading
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.client import HTTPConnection, HTTPException
from typing import Any
from urllib.parse import urlsplit

from tests.cds.hook_calls import Json, discharge, observation, order_select, order_sign, patient_view
from tests.load.hostile_load import signed

CLIENTS = tuple(f"https://ehr-{number}.example" for number in range(3))
PATIENCE_SECONDS = 60.0
REASONS = "https://nuque.example.org/fhir/CodeSystem/override-reasons"
_PACE_SECONDS = 0.25
"""From one call of a caller to its next."""
_PATIENT = re.compile(r"p-[0-9a-f]{12}")
_MADE: dict[str, Callable[..., Json]] = {
    "collar-order-select": order_select,
    "collar-order-sign": order_sign,
    "collar-patient-view": patient_view,
    "collar-discharge": discharge,
}
_NECKS_MM = ((52, 330), (58, 360), (66, 380), (74, 410), (82, 450))
"""Height and circumference, as invented: what is answered must differ between callers."""
_NONSENSE: tuple[Any, ...] = (
    None,
    True,
    -1,
    10**60,
    "",
    "\x00",
    "2026-02-30",
    [],
    {},
    [[]],
    {"resourceType": "Bundle"},
)


@dataclass(frozen=True)
class Call:
    """One call: when it began and ended (seconds, monotonic), and its status, or how it ended without one."""

    kind: str
    outcome: str
    began: float
    ended: float
    text: str = ""
    request: str = ""


@dataclass(frozen=True)
class Statement:
    """Feedback as it is sent: by which client, on which card, and what it says."""

    client: str
    service: str
    card: str
    reason: str
    at: str
    is_own: bool
    """Whether the card went to this client."""

    def body(self) -> bytes:
        """The body of the call."""
        why = {"reason": {"code": self.reason, "system": REASONS}}
        item = {"card": self.card, "outcome": "overridden", "overrideReason": why, "outcomeTimestamp": self.at}
        return json.dumps({"feedback": [item]}).encode()


@dataclass(frozen=True)
class Card:
    """A card that was answered: to whom, by which service, and when."""

    card: str
    client: str
    service: str
    at: float


@dataclass
class Told:
    """What all callers were told so far."""

    calls: list[Call] = field(default_factory=list)
    cards: list[Card] = field(default_factory=list)
    sent: set[Statement] = field(default_factory=set)
    acknowledged: list[Statement] = field(default_factory=list)
    mixed: list[str] = field(default_factory=list)
    """Answers that held another's patient, or said something else than in peace."""


def exchange(url: str, path: str, body: bytes | None, headers: dict[str, str]) -> tuple[str, bytes, dict[str, str]]:
    """Status or the way it ended without one, body, and headers of one call on a connection of its own; GET without ``body``."""
    address = urlsplit(url)
    connection = HTTPConnection(address.hostname or "", address.port, timeout=PATIENCE_SECONDS)
    try:
        connection.request(
            "GET" if body is None else "POST", path, body, {"Content-Type": "application/json", **headers}
        )
        answer = connection.getresponse()
        return str(answer.status), answer.read(), {name.lower(): value for name, value in answer.getheaders()}
    except ConnectionRefusedError:
        return "refused", b"", {}
    except TimeoutError:
        return "no answer", b"", {}
    except (OSError, HTTPException) as error:
        return "cut off", type(error).__name__.encode(), {}
    finally:
        connection.close()


class Callers:
    """Callers at a steady pace, two for each client, until the end of the block."""

    def __init__(self, url: str, seed: int) -> None:
        """Ask each call once, in peace, so as to know what is to be said."""
        self.url, self.told = url, Told()
        self._seed, self._lock, self._ended = seed, threading.Lock(), threading.Event()
        self.written = datetime.now(UTC).isoformat()
        self.expected = {variant: self._in_peace(*variant) for variant in self._variants()}
        self._threads = [
            threading.Thread(target=self._caller, args=(client, 2 * number + half))
            for number, client in enumerate(CLIENTS)
            for half in (0, 1)
        ]
        self.failures: list[str] = []

    def __enter__(self) -> Callers:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._ended.set()
        for thread in self._threads:
            thread.join()

    def until_answered(self, count: int, kind: str = "decision", outcome: str = "200") -> bool:
        """Whether ``count`` calls of the kind that began from now on end so, however long it takes within patience."""
        began, give_up = time.monotonic(), time.monotonic() + PATIENCE_SECONDS
        with self._lock:
            before = len(self.told.calls)
        while time.monotonic() < give_up:
            with self._lock:
                recent = self.told.calls[before:]
            if sum((call.kind, call.outcome) == (kind, outcome) and call.began > began for call in recent) >= count:
                return True
            time.sleep(0.05)
        return False

    def snapshot(self) -> Told:
        """What all were told so far, as of now."""
        with self._lock:
            told = self.told
            return Told(list(told.calls), list(told.cards), set(told.sent), list(told.acknowledged), list(told.mixed))

    # --- one caller

    def _caller(self, client: str, number: int) -> None:
        chance, unacknowledged = random.Random(self._seed * 100 + number), list[Statement]()
        while not self._ended.is_set():
            began = time.monotonic()
            try:
                self._act(client, chance, unacknowledged)
            except Exception as error:  # A caller that died would be missed by nobody.
                self.failures.append(f"{type(error).__name__}: {error}")
                return
            self._ended.wait(max(0.0, _PACE_SECONDS - (time.monotonic() - began)))

    def _act(self, client: str, chance: random.Random, unacknowledged: list[Statement]) -> None:
        what = chance.random()
        if what < 0.6:
            self._decide(client, chance)
        elif what < 0.9:
            self._say(client, chance, unacknowledged)
        else:
            self._nonsense(client, chance)

    def _note(self, kind: str, began: float, outcome: str, said: bytes, headers: dict[str, str]) -> None:
        text = "" if outcome == "200" else said.decode(errors="replace")[:300]
        with self._lock:
            call = Call(kind, outcome, began, time.monotonic(), text, headers.get("nuque-request", ""))
            self.told.calls.append(call)

    # --- decisions

    @staticmethod
    def _variants() -> list[tuple[str, int]]:
        return [(service, neck) for service in _MADE for neck in range(len(_NECKS_MM))]

    def _body(self, service: str, neck: int, patient: str) -> bytes:
        height, girth = _NECKS_MM[neck]
        measured = (
            observation("neck-height", height, time=self.written),
            observation("neck-circumference", girth, time=self.written),
        )
        made = {**_MADE[service](*measured), "hookInstance": str(uuid.uuid4())}
        return json.dumps(made).replace("Patient/p1", f"Patient/{patient}").replace('"p1"', f'"{patient}"').encode()

    @staticmethod
    def _said(body: bytes) -> list[tuple[str, str]]:
        return [(card["indicator"], card["summary"]) for card in json.loads(body)["cards"]]

    def _in_peace(self, service: str, neck: int) -> list[tuple[str, str]]:
        path = f"/cds-services/{service}"
        outcome, body, _ = exchange(
            self.url, path, self._body(service, neck, f"p-{uuid.uuid4().hex[:12]}"), signed(path, CLIENTS[0])
        )
        if outcome != "200":
            raise RuntimeError(f"{service} in peace: {outcome} {body[:300]!r}")
        return self._said(body)

    def _decide(self, client: str, chance: random.Random) -> None:
        service, neck = chance.choice(self._variants())
        path, patient = f"/cds-services/{service}", f"p-{uuid.uuid4().hex[:12]}"
        headers, body = signed(path, client), self._body(service, neck, patient)
        began = time.monotonic()
        outcome, said, answered = exchange(self.url, path, body, headers)
        self._note("decision", began, outcome, said, answered)
        if outcome != "200":
            return
        here, others = self._said(said), set(_PATIENT.findall(said.decode())) - {patient}
        at = time.monotonic()
        cards = [Card(card["uuid"], client, service, at) for card in json.loads(said)["cards"]]
        with self._lock:
            self.told.cards += cards
            if others or here != self.expected[service, neck]:
                self.told.mixed.append(f"{service} {_NECKS_MM[neck]}: patients {sorted(others)}, {here}")

    # --- feedback

    def _say(self, client: str, chance: random.Random, unacknowledged: list[Statement]) -> None:
        """Say again what was not acknowledged, or something new on a card of this client, now and then of another."""
        statement = unacknowledged.pop(0) if unacknowledged else self._new(client, chance)
        if statement is None:
            return
        path = f"/cds-services/{statement.service}/feedback"
        headers = signed(path, client)
        with self._lock:
            self.told.sent.add(statement)
        began = time.monotonic()
        outcome, said, answered = exchange(self.url, path, statement.body(), headers)
        self._note("feedback", began, outcome, said, answered)
        if outcome != "200":
            unacknowledged.append(statement)
            return
        with self._lock:
            self.told.acknowledged.append(statement)
        if chance.random() < 0.1:  # The acknowledgement may be lost on its way: the same again is kept once.
            unacknowledged.append(statement)

    def _new(self, client: str, chance: random.Random) -> Statement | None:
        is_own = chance.random() < 0.8
        with self._lock:
            recent = [card for card in self.told.cards[-200:] if (card.client == client) == is_own]
        if not recent:
            return None
        card = recent[-1] if chance.random() < 0.5 else chance.choice(recent)
        reason = f"reason-{chance.randrange(10**9)}"
        return Statement(client, card.service, card.card, reason, datetime.now(UTC).isoformat(), is_own)

    # --- what nobody should send

    def _nonsense(self, client: str, chance: random.Random) -> None:
        service, neck = chance.choice(self._variants())
        path = f"/cds-services/{service}"
        body = self._body(service, neck, "p-none")
        if chance.random() < 0.5:
            body = body[: chance.randrange(len(body))]
        else:
            made = json.loads(body)
            made[chance.choice(sorted(made))] = chance.choice(_NONSENSE)
            body = json.dumps(made).encode()
        headers = signed(path, client)
        began = time.monotonic()
        outcome, said, answered = exchange(self.url, path, body, headers)
        self._note("nonsense", began, outcome, said, answered)
