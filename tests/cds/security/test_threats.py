"""The threats of docs/threats.md: each names a test, and for nine of them the control is taken out here and the attack then works.

For the others a fault is planted (``tests/planted``), or the page says why none can be.

Each attack returns whether it succeeded. With the control it must not; with the control taken out it must, or the test of
the control would show nothing.
"""

import asyncio
import io
import json
import re
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.fhir_client import client as fhir_client
from cds.fhir_client.client import FhirClient
from cds.observability import logging as logs
from cds.security import jwt_auth, pseudonymisation, ssrf_guard
from cds.settings import Settings
from cds.storage import jti_replay_cache
from cds.storage.database import Store
from cds.storage.database_schema import metadata
from cds.web.middleware import authentication, request_limits
from tests.cds import ehr
from tests.cds.conftest import AT
from tests.cds.faults.fhir_server import TOKEN
from tests.cds.faults.processes import ROOT, FaultyFhir, faulty_fhir
from tests.cds.fhir_client.test_client import READ, SEARCH, hook_request, settings
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.web.test_guarded_service import SELECT, signed
from tests.planted.__main__ import faults

THREATS = ROOT / "docs" / "threats.md"
Patch = Callable[[pytest.MonkeyPatch], None]


def service(folder: Path, **changed: Any) -> TestClient:
    given = {
        "trust": "jwt",
        "clients": ehr.clients_file(folder),
        "audiences": (ehr.BASE,),
        "pseudonym_key": "k" * 32,
        "store_url": f"sqlite:///{folder / 'store.sqlite3'}",
    }
    return TestClient(create_app(Settings(**{**given, **changed}), clock=lambda: AT))


@pytest.fixture(scope="module")
def fhir_processes() -> Iterator[tuple[FaultyFhir, FaultyFhir]]:
    with faulty_fhir() as one, faulty_fhir() as other:
        yield one, other


def fetch(server: FaultyFhir, query: str, **reach_settings: Any) -> None:
    async def work() -> None:
        client = FhirClient(settings(server.origin, **reach_settings))
        await client.fetch(hook_request(server.base), {"x": query})
        await client.aclose()

    asyncio.run(work())


# --- attacks -------------------------------------------------------------------------------------------------------


def replays_a_token(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    bearer = signed()
    with service(folder) as client:
        client.post(SELECT, json=order_select(*MEASURED), headers=bearer)
        return client.post(SELECT, json=order_select(*MEASURED), headers=bearer).status_code == 200


def calls_without_a_token(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    with service(folder) as client:
        return client.post("/decisions", json={"facts": {"age_years": 40}}).status_code == 200


def uses_a_token_made_for_another_service(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    with service(folder) as client:
        bearer = signed(aud="https://elsewhere.example/cds-services/x")
        return client.post(SELECT, json=order_select(*MEASURED), headers=bearer).status_code == 200


def calls_a_demonstration_from_the_network(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    app = service(folder, trust="open", clients=None).app
    with TestClient(app, base_url="http://10.1.2.3:8000", client=("10.1.2.9", 5000)) as client:  # type: ignore[arg-type]
        return client.get("/facts").status_code == 200


def has_us_call_a_private_address(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    server, _ = fhir
    server.break_as("none")
    fetch(server, READ, private_networks=())
    return bool(server.seen())


def has_the_access_token_sent_elsewhere(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    server, other = fhir
    other.break_as("none")
    fetch(server, f"{other.base}/{SEARCH}", fhir_servers=(server.origin, other.origin))
    # Connections are kept apart by server, so without the check the request would reach the wrong one with the token.
    return any(TOKEN in seen["headers"].get("authorization", "") for seen in other.seen())


def reads_patients_from_a_stolen_store(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    call = json.loads(json.dumps(order_select(*MEASURED)).replace("p1", "patient-4711"))
    with service(folder) as client:
        assert client.post(SELECT, json=call, headers=signed()).json()["cards"]
    with Store(Settings(store_url=f"sqlite:///{folder / 'store.sqlite3'}")) as store, store.reading() as connection:
        text = str([tuple(row) for table in metadata.sorted_tables for row in connection.execute(sa.select(table))])
    return "patient-4711" in text


def reads_patients_from_the_log(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    written = io.StringIO()
    name = f"Invented {uuid.uuid4()}"
    try:
        raise ValueError(f"cannot decide for {name}")
    except ValueError as error:
        written.write(json.dumps(logs.failure(error)))
    return name in written.getvalue()


def floods_with_a_long_body(folder: Path, fhir: tuple[FaultyFhir, FaultyFhir]) -> bool:
    with service(folder, body_bytes=2000) as client:
        pieces = (b" " * 1000 for _ in range(50))
        headers = {**signed(), "Content-Type": "application/json"}
        return client.post(SELECT, content=pieces, headers=headers).status_code != 413


# --- the same with the control taken out ---------------------------------------------------------------------------


async def _always_new(*given: object) -> bool:
    return True


def no_replay_memory(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(jti_replay_cache.StoredReplay, "first_use", _always_new)


def everything_open(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(authentication, "is_always_open", lambda *given: True)


def no_audience(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(jwt_auth.Trust, "_check_claims", lambda *given: None)


def no_look_at_the_socket(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(jwt_auth, "check_local", lambda *given: None)


def every_address(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(ssrf_guard, "address_problem", lambda *given: None)


def every_next_page(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(fhir_client._PagedQuery, "_check_url", lambda *given: None)
    # The transport refuses other servers a second time; both stand in the way and both have to go.
    patch.setattr(ssrf_guard.Origin, "__eq__", lambda *given: True)
    original = ssrf_guard.PinnedTransport.handle_async_request

    async def anywhere(self: ssrf_guard.PinnedTransport, request: Any) -> Any:
        self.origin = ssrf_guard.Origin.of(request.url)
        return await original(self, request)

    patch.setattr(ssrf_guard.PinnedTransport, "handle_async_request", anywhere)


def no_pseudonym(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(pseudonymisation.Secrecy, "_hash", lambda self, *parts: parts[-1][:64])


def whole_errors(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(logs, "failure", lambda error: {"error": repr(error)})


def no_body_limit(patch: pytest.MonkeyPatch) -> None:
    class Endless(request_limits._Body):
        def __init__(self, most: int) -> None:
            super().__init__(10**9)

    patch.setattr(request_limits, "_Body", Endless)


ATTACKS = [
    (replays_a_token, no_replay_memory),
    (calls_without_a_token, everything_open),
    (uses_a_token_made_for_another_service, no_audience),
    (calls_a_demonstration_from_the_network, no_look_at_the_socket),
    (has_us_call_a_private_address, every_address),
    (has_the_access_token_sent_elsewhere, every_next_page),
    (reads_patients_from_a_stolen_store, no_pseudonym),
    (reads_patients_from_the_log, whole_errors),
    (floods_with_a_long_body, no_body_limit),
]


@pytest.mark.parametrize(("attack", "take_out"), ATTACKS, ids=[attack.__name__ for attack, _ in ATTACKS])
def test_the_attack_fails_and_would_succeed_without_the_control(
    attack: Callable[..., bool],
    take_out: Patch,
    tmp_path: Path,
    fhir_processes: tuple[FaultyFhir, FaultyFhir],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    (tmp_path / "with").mkdir()
    (tmp_path / "without").mkdir()
    assert attack(tmp_path / "with", fhir_processes) is False
    with monkeypatch.context() as patch:
        take_out(patch)
        assert attack(tmp_path / "without", fhir_processes) is True


# --- the page ------------------------------------------------------------------------------------------------------


LINES = [line for line in THREATS.read_text().splitlines() if line.startswith("| ") and "| threat |" not in line]
PLANTED = {test.partition("::")[2].partition("[")[0] for fault in faults() for test in fault.tests}
NOT_TAKEN_OUT = "Not taken out: "
"""Begins the sentence of a line that says why no fault is planted for it."""


def is_shown(line: str) -> bool:
    """Whether it was seen that the evidence of ``line`` fails without the control, or the line says why not."""
    tests = set(re.findall(r"`(test_\w+)`", line))
    attack = re.search(r"attack: (\w+) \|$", line)
    known = attack is not None and attack[1] in {attack.__name__ for attack, _ in ATTACKS}
    return known or not PLANTED.isdisjoint(tests) or NOT_TAKEN_OUT in line


def test_the_evidence_of_every_threat_is_seen_to_fail_without_its_control() -> None:
    assert len(LINES) >= 20
    assert [line for line in LINES if not is_shown(line)] == []


@pytest.mark.parametrize(
    ("line", "shown"),
    [
        ("| a | b | `test_the_attacks_shown_here_are_all_in_the_page` |", False),
        ("| a | b | `test_of_nothing`; attack: walks_in |", False),
        ("| a | b | `test_of_nothing`; attack: replays_a_token |", True),
        ("| a | b | `test_of_nothing`, `test_what_can_hurt_is_refused` |", True),
        ("| a | b. Not taken out: two have to go at once | `test_of_nothing` |", True),
    ],
)
def test_a_line_without_is_noticed(line: str, shown: bool) -> None:
    assert is_shown(line) is shown


def test_every_threat_names_a_control_and_a_test_that_exists() -> None:
    assert len(LINES) >= 20
    for line in LINES:
        threat, control, tests = (part.strip() for part in line.strip("|").split("|"))
        assert threat and control and "`test_" in tests, line
    known = "\n".join(path.read_text() for path in (ROOT / "tests").rglob("test_*.py"))
    missing = [name for line in LINES for name in re.findall(r"`(test_\w+)`", line) if f"def {name}(" not in known]
    assert missing == []


def test_the_attacks_shown_here_are_all_in_the_page() -> None:
    page = THREATS.read_text()
    assert [attack.__name__ for attack, _ in ATTACKS if attack.__name__ not in page] == []
