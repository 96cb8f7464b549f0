"""Every normative statement is held: over all hooks, every invented patient, generated ones, and through nginx."""

from __future__ import annotations

import copy
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings

from tests.cds.faults.nginx import nginx
from tests.cds.hook_calls import MEASURED, changed, discharge, order_select, order_sign, patient_view, recorded
from tests.cds.hooks.cds_hooks_standard import check_discovery
from tests.cds.hooks.normative_statements import STATEMENTS, Exchange, check
from tests.cds.live_service import PATIENCE_SECONDS, running
from tests.demo.reading_load import HOOKS, INDEX, call
from tests.rules.patients import patients
from tests.shipped_content import RULESET

MAKE = dict(zip(HOOKS, (order_select, order_sign, patient_view, discharge), strict=True))
FILES = [entry["file"] for entry in INDEX]
TESTS = Path(__file__).parents[2]


PERMISSION = {
    "fhirServer": "https://fhir.hollowmere.example/r4",
    "fhirAuthorization": {
        "access_token": "SECRET-OF-THE-EHR",
        "token_type": "Bearer",
        "expires_in": 300,
        "scope": "user/*.rs",
        "subject": "nuque",
    },
}
"""As a client sends it along; the server is none that these services may read."""


def exchanged(client: Any, service: str, sent: dict[str, Any]) -> Exchange:
    answer = client.post(f"/cds-services/{service}", json=sent)
    return Exchange(sent, answer.status_code, answer.headers["content-type"], answer.json())


def test_each_statement_is_held_by_a_check_or_by_tests_that_exist() -> None:
    written = "".join(path.read_text(encoding="utf-8") for path in TESTS.rglob("test_*.py"))
    assert len(STATEMENTS) > 40
    assert [one.words for one in STATEMENTS if one.check is None and not one.tests] == []
    named = {name for one in STATEMENTS for name in one.tests}
    assert {name for name in named if not re.search(rf"^(async )?def {name}\(", written, re.MULTILINE)} == set()


def test_discovery_holds(client: TestClient) -> None:
    check_discovery(client.get("/cds-services").json())


@pytest.mark.parametrize("service", MAKE)
@pytest.mark.parametrize("file", FILES)
def test_every_answer_for_an_invented_patient_holds(client: TestClient, file: str, service: str) -> None:
    templates = client.get("/cds-services").json()["services"][0]["prefetch"]
    check(exchanged(client, service, {**call(service, file, templates), **PERMISSION}))


@pytest.mark.parametrize("service", MAKE)
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(facts=patients(RULESET))
def test_every_answer_for_a_generated_patient_holds(client: TestClient, service: str, facts: dict[str, Any]) -> None:
    check(exchanged(client, service, MAKE[service](*recorded(RULESET, facts))))


@pytest.mark.parametrize("service", MAKE)
@pytest.mark.parametrize("missing", ["hook", "hookInstance", "context", "context.patientId", "context.userId"])
def test_whatever_is_required_and_missing_is_400(client: TestClient, service: str, missing: str) -> None:
    answer = client.post(f"/cds-services/{service}", json=changed(MAKE[service](*MEASURED), missing, ...))
    assert answer.status_code == 400, answer.text
    assert missing.split(".")[-1] in answer.text


def spoilt(exchange: Exchange, path: str, value: object) -> Exchange:
    return Exchange(exchange.sent, exchange.status, exchange.content_type, changed(exchange.answer, path, value))


@pytest.mark.parametrize(
    ("path", "value", "noticed"),
    [
        ("cards", None, "HTTP response"),
        ("cards.0.summary", "x" * 140, "140"),
        ("cards.0.indicator", "hard-stop", "indicator"),
        ("cards.0.source.label", "", "empty"),
        ("cards.0.selectionBehavior", ..., "selectionBehavior"),
        ("cards.0.uuid", "1", "UUID"),
        ("cards.0.overrideReasons.0.display", ..., "Override reason"),
        ("cards.0.suggestions.0.label", ..., "label"),
        ("cards.0.suggestions.0.actions.0.type", "modify", "type"),
        ("cards.0.suggestions.0.actions.0.description", ..., "description"),
        ("cards.0.suggestions.0.actions.0.resource.id", "other", "update"),
        ("cards.0.suggestions.0.actions.1.resource.id", "made-up", "created"),
        ("cards.0.detail", "<b>bold</b>", "HTML"),
        ("extension", {"decision": 1}, "reverse domain"),
        ("cards.0.detail", "SECRET-OF-THE-EHR", "access token"),
    ],
)
def test_a_fault_in_an_answer_is_noticed(client: TestClient, path: str, value: object, noticed: str) -> None:
    exchange = exchanged(client, "collar-order-select", {**order_select(*MEASURED), **PERMISSION})
    check(exchange)
    with pytest.raises(AssertionError, match=noticed):
        check(spoilt(copy.deepcopy(exchange), path, value))


@pytest.mark.slow
@pytest.mark.xdist_group("faults")
def test_every_answer_through_nginx_holds(tmp_path: Path) -> None:
    with (
        running() as live,
        nginx(live.url, tmp_path / "nginx") as proxy,
        httpx.Client(base_url=proxy, timeout=PATIENCE_SECONDS) as client,
    ):
        discovered = client.get("/cds-services").json()
        check_discovery(discovered)
        templates = discovered["services"][0]["prefetch"]
        assert FILES
        for file in FILES:
            for service in MAKE:
                check(exchanged(client, service, {**call(service, file, templates), **PERMISSION}))
