"""Through nginx with its default limits: searches of the FHIR server, and hooks."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest

from rules.testing.generators import Generator
from tests.cds.faults.fhir_server import TOKEN
from tests.cds.faults.nginx import nginx
from tests.cds.faults.processes import running as process
from tests.cds.faults.processes import without_prefetch
from tests.cds.hook_calls import MEASURED, discharge, order_select, order_sign, patient_view, recorded
from tests.cds.hooks.cds_hooks_standard import check_discovery, check_response
from tests.cds.live_service import PATIENCE_SECONDS, running
from tests.published.fhir_r4.official import problems
from tests.shipped_content import RULESET

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("faults")]

SELECT = "/cds-services/collar-order-select"
CALLS = {
    "collar-order-select": order_select,
    "collar-order-sign": order_sign,
    "collar-patient-view": patient_view,
    "collar-discharge": discharge,
}
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


def test_every_answer_about_generated_patients_conforms_behind_it(tmp_path: Path) -> None:
    """The standard of CDS Hooks, and R4 by its official definitions, for 60 patients in every hook.

    Sources: as in ``cds_hooks_standard`` and ``tests.published.fhir_r4``.
    """
    sized, resources = 0, 0
    with running() as live, nginx(live.url, tmp_path / "nginx") as proxy, httpx.Client(timeout=PATIENCE_SECONDS) as ehr:
        check_discovery(ehr.get(f"{proxy}/cds-services").json())
        for facts in Generator(RULESET, 60).patients(60):
            for service, call in CALLS.items():
                answer = ehr.post(f"{proxy}/cds-services/{service}", json=of_now(call(*recorded(RULESET, facts))))
                assert answer.status_code == 200, (service, facts, answer.text)
                check_response(answer.json())
                for resource in suggested(answer.json()):
                    assert problems(resource) == [], (service, facts)
                    resources += 1
                    sized += resource["resourceType"] == "DeviceRequest"
    assert resources > 100
    assert sized > 5


def of_now(call: dict[str, Any]) -> dict[str, Any]:
    """``call`` with records of this moment, where it has any: the service behind the proxy goes by the clock."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    moved: dict[str, Any] = json.loads(json.dumps(call).replace("2026-01-31T10:00:00Z", now))
    assert (moved != call) == bool(call["prefetch"]["observations"]["entry"])
    return moved


def suggested(answer: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        action["resource"]
        for card in answer["cards"]
        for suggestion in card.get("suggestions", ())
        for action in suggestion["actions"]
        if "resource" in action
    ]
