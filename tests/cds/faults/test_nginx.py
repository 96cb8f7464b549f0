"""Through nginx with its default limits: searches of the FHIR server, and hooks."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

import httpx
import pytest

from tests.cds.faults.fhir_server import TOKEN
from tests.cds.faults.nginx import nginx
from tests.cds.faults.processes import running as process
from tests.cds.faults.processes import without_prefetch
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.live_service import PATIENCE_SECONDS, running

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("faults")]

SELECT = "/cds-services/collar-order-select"
LONGEST_ID = "x" * 64


def test_every_template_reaches_the_fhir_server(tmp_path: Path) -> None:
    """As a client may send it: every mark encoded, the longest id that FHIR allows."""
    headers = {"authorization": f"Bearer {TOKEN}"}
    with running() as live, process("tests.cds.faults.fhir_server") as fhir:
        services = httpx.get(f"{live.url}/cds-services", timeout=PATIENCE_SECONDS).json()["services"]
        searches = [template for template in services[0]["prefetch"].values() if "?" in template]
        assert len(searches) > 5
        with nginx(f"http://127.0.0.1:{fhir}", tmp_path / "nginx") as proxy:
            for template in searches:
                kind, _, search = template.replace("{{context.patientId}}", LONGEST_ID).partition("?")
                answer = httpx.get(
                    f"{proxy}/fhir/{kind}?{quote(search, safe='=&')}", headers=headers, timeout=PATIENCE_SECONDS
                )
                assert (answer.status_code, answer.json()["resourceType"]) == (200, "Bundle"), template


def test_what_the_prefetch_lacked_is_read_through_it(tmp_path: Path) -> None:
    with (
        process("tests.cds.faults.fhir_server") as fhir,
        nginx(f"http://127.0.0.1:{fhir}", tmp_path / "nginx") as proxy,
        running(
            NUQUE_FHIR_SERVERS=proxy, NUQUE_PRIVATE_NETWORKS="127.0.0.0/8", NUQUE_FETCH_BUDGET_SECONDS="30"
        ) as live,
    ):
        answer = httpx.post(live.url + SELECT, json=without_prefetch(f"{proxy}/fhir"), timeout=PATIENCE_SECONDS)
    assert answer.status_code == 200, answer.text
    decision = answer.json()["extension"]["org.example.nuque.decision"]
    assert not [
        refused for refused in decision["not_used"] if str(refused["value"]).startswith("prefetch.observations")
    ]


def test_a_hook_is_answered_through_it(tmp_path: Path) -> None:
    with running() as live, nginx(live.url, tmp_path / "nginx") as proxy:
        answer = httpx.post(proxy + SELECT, json=order_select(*MEASURED), timeout=PATIENCE_SECONDS)
    assert answer.status_code == 200, answer.text
    assert answer.json()["cards"][0]["suggestions"]
