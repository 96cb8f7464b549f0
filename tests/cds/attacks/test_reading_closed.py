"""One client's mistakes at a FHIR server close the reading of it for nobody else: attacks on the running service."""

import uuid
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from tests.cds.faults.fhir_server import PATIENT, TOKEN
from tests.cds.faults.processes import FaultyFhir, faulty_fhir
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

UNSENDABLE = ("line\nbreak", "white space", "k\u00f6nig")


@pytest.fixture(scope="module")
def fhir() -> Iterator[FaultyFhir]:
    with faulty_fhir() as started:
        yield started


@pytest.fixture
def live(fhir: FaultyFhir, store_url: str) -> Iterator[LiveService]:
    reach = {"NUQUE_FHIR_SERVERS": fhir.origin, "NUQUE_PRIVATE_NETWORKS": "127.0.0.0/8"}
    with running(**reach, NUQUE_BREAKER_FAILURES="3", NUQUE_FETCH_BUDGET_SECONDS="20") as started:
        yield started


def nothing_brought(server: str, token: str = TOKEN) -> dict[str, Any]:
    """A call that leaves everything to be read from ``server``."""
    return {
        "hook": "patient-view",
        "hookInstance": str(uuid.uuid4()),
        "context": {"userId": "Practitioner/invented", "patientId": PATIENT},
        "fhirServer": server,
        "fhirAuthorization": {
            "access_token": token,
            "token_type": "Bearer",
            "expires_in": 300,
            "scope": "patient/*.read",
            "subject": "nuque",
        },
    }


def view(live: LiveService, server: str, token: str = TOKEN) -> httpx.Response:
    body = nothing_brought(server, token)
    return httpx.post(f"{live.url}/cds-services/collar-patient-view", json=body, timeout=PATIENCE_SECONDS)


def test_tokens_that_cannot_be_sent_and_wrong_bases_close_reading_for_nobody(
    live: LiveService, fhir: FaultyFhir
) -> None:
    assert view(live, fhir.base).status_code == 200
    for token in UNSENDABLE:
        assert [view(live, fhir.base, token).status_code for _ in range(4)] == [412] * 4
    assert [view(live, f"{fhir.origin}/wrong").status_code for _ in range(4)] == [412] * 4
    assert view(live, fhir.base).status_code == 200
