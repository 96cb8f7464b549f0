"""Real answers against the published document: all invented patients in every hook, every other route, every refusal."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.hooks.engine.service import DECISION
from cds.hooks.services import SERVICES
from cds.protocol.request import WHOLE_DECISION
from cds.settings import Settings
from cds.site.demo_patients import DemoIndex
from cds.web.openapi.examples import shortened
from cds.web.pages.demonstration.hook_request import request_for
from tests.cds.conftest import AT
from tests.cds.declared_statuses import undeclared
from tests.cds.hook_calls import OTHER_ORDER, order_select
from tests.cds.web.openapi.outside_validator import Published

DEMO = Path("demo_bundles")
PATIENTS = DemoIndex.read(DEMO).patients
ADMIN = "a" * 40
HTML = {"Accept": "text/html"}


@pytest.fixture(scope="module")
def service(store_url: str) -> Iterator[TestClient]:
    """With all that a site may bring, and what an operator may do."""
    settings = Settings(
        catalogue=DEMO / "catalogue.yaml", overlays=(DEMO / "site.yaml",), admin_token=ADMIN, metrics=True
    )
    with TestClient(create_app(settings, clock=lambda: AT)) as client:
        yield client


@pytest.fixture(scope="module")
def published(service: TestClient) -> Published:
    return Published(service.get("/openapi.json").json())


def problems(published: Published, route: str, answer: Any) -> list[str]:
    media_type = answer.headers["content-type"]
    body = answer.json() if "json" in media_type else answer.text
    return published.problems(route, answer.status_code, media_type, body)


@pytest.mark.slow
@pytest.mark.parametrize("hook", SERVICES, ids=lambda hook: hook.id)
def test_the_cards_of_every_invented_patient_are_as_described(
    service: TestClient, published: Published, hook: Any
) -> None:
    content = service.app.state.service.content  # type: ignore[attr-defined]
    seen = 0
    for number, patient in enumerate(PATIENTS):
        call = request_for(hook, patient.bundle(DEMO), patient.at, AT, content)
        if number % 2:
            call["extension"] = {WHOLE_DECISION: True}
        answer = service.post(f"/cds-services/{hook.id}", json=call)
        assert answer.status_code == 200
        assert problems(published, f"POST /cds-services/{hook.id}", answer) == [], patient.file
        seen += bool(answer.json()["cards"])
    assert seen > 10


def test_a_site_and_a_whole_decision_are_described_too(service: TestClient, published: Published) -> None:
    """So that the schema is tried on the parts that few answers have."""
    content = service.app.state.service.content  # type: ignore[attr-defined]
    (hook,) = [one for one in SERVICES if one.hook == "order-select"]
    call = request_for(hook, PATIENTS[1].bundle(DEMO), PATIENTS[1].at, AT, content)
    answer = service.post(f"/cds-services/{hook.id}", json={**call, "extension": {WHOLE_DECISION: True}})
    decision = answer.json()["extension"][DECISION]
    assert {"trace", "sources", "local_changes", "measure_next"} <= set(decision)
    assert problems(published, f"POST /cds-services/{hook.id}", answer) == []


def test_the_example_of_a_hook_is_its_real_answer(published: Published, store_url: str) -> None:
    with TestClient(create_app(Settings())) as client:
        shown = client.get("/openapi.json").json()["paths"]
        assert SERVICES
        for hook in SERVICES:
            operation = shown[f"/cds-services/{hook.id}"]["post"]
            sent = operation["requestBody"]["content"]["application/json"]["examples"]["real"]["value"]
            example = operation["responses"]["200"]["content"]["application/json"]["examples"]["real"]["value"]
            moment = next(one.at for one in PATIENTS if f"hm-{one.number}" == sent["context"]["patientId"])
            with TestClient(create_app(Settings(), clock=lambda moment=moment: moment)) as then:  # type: ignore[misc]
                answer = shortened(then.post(f"/cds-services/{hook.id}", json=sent).json())
            assert example["cards"]
            for card in answer["cards"]:
                card.pop("links", None)
                # Each running service gives ids of its own to what it sends.
                card["detail"] = card["detail"].partition("\n\n[")[0]
            for card in example["cards"]:
                card["detail"] = card["detail"].partition("\n\n[")[0]
            assert example == answer


FEEDBACK = {"feedback": [{"card": "c", "outcome": "overridden", "outcomeTimestamp": "2026-01-31T10:00:00Z"}]}
PATIENT = PATIENTS[0].bundle(DEMO)
APPLIED = {
    "resourceType": "Parameters",
    "parameter": [
        {"name": "subject", "valueString": f"Patient/hm-{PATIENTS[0].number}"},
        {"name": "data", "resource": PATIENT},
    ],
}
GOOD = [
    (
        "POST /fhir/PlanDefinition/{name}/$apply",
        "/fhir/PlanDefinition/rigid-neck-collar/$apply",
        {"json": APPLIED},
    ),
    ("GET /cds-services", "/cds-services", {}),
    ("GET /facts", "/facts", {}),
    ("GET /rules", "/rules", {}),
    ("GET /rules", "/rules?q=halo", {"headers": HTML}),
    ("GET /rules/{rule_id}", "/rules/sizing.line.adult", {}),
    ("GET /rules/{rule_id}", "/rules/sizing.line.adult", {"headers": HTML}),
    ("GET /rules/parameters", "/rules/parameters", {"headers": HTML}),
    ("GET /rules/map", "/rules/map", {"headers": HTML}),
    ("GET /rules/versions", "/rules/versions", {"headers": HTML}),
    ("GET /Questionnaire/fit-check", "/Questionnaire/fit-check", {}),
    ("GET /fhir/metadata", "/fhir/metadata", {}),
    ("GET /fhir/{resource_type}", "/fhir/ValueSet", {}),
    ("GET /fhir/{resource_type}", "/fhir/ValueSet?url=none", {}),
    ("POST /fhir/{resource_type}/_search", "/fhir/ValueSet/_search", {"data": {"status": "draft"}}),
    ("GET /health/live", "/health/live", {}),
    ("GET /health/ready", "/health/ready", {}),
    ("GET /metrics", "/metrics", {}),
    ("GET /bedside", "/bedside", {}),
    ("GET /fit", "/fit", {}),
    ("GET /try", "/try", {}),
    ("GET /print/downtime", "/print/downtime", {}),
    ("POST /decisions", "/decisions", {"json": {"facts": {}}}),
    (
        "POST /decisions",
        "/decisions",
        {"json": {"facts": {"age_years": 41, "neck_height_mm": 66, "halo_in_place": True}}},
    ),
    ("POST /decisions", "/decisions", {"json": {"facts": {"age_years": 41, "neck_height_mm": 180}}}),
    ("POST /fit-checks", "/fit-checks", {"json": {"size": "adult H2 G2", "findings": {"no_finger_gap": True}}}),
    (
        "POST /fit-checks",
        "/fit-checks",
        {"json": {"size": "adult H2 G2", "findings": {"breathing_or_swallowing_trouble": True}}},
    ),
    ("POST /bedside", "/bedside", {"data": {"age_years": "41"}}),
    ("POST /bedside/answer", "/bedside/answer", {"data": {"age_years": "41"}}),
    ("POST /print/plan", "/print/plan", {"data": {"age_years": "41"}}),
    ("POST /print/staff", "/print/staff", {"data": {"age_years": "41"}}),
    ("POST /print/leaflet", "/print/leaflet", {"data": {"leaflet": "es"}}),
    (
        "POST /fit/record",
        "/fit/record",
        {"data": {"size.line": "adult", "size.height_band": "H3", "size.girth_band": "G2"}},
    ),
    (
        "POST /cds-services/{service_id}/feedback",
        "/cds-services/collar-order-select/feedback",
        {"json": FEEDBACK},
    ),
    (
        "POST /cds-services/collar-order-select",
        "/cds-services/collar-order-select",
        {"json": order_select(drafts=(OTHER_ORDER,))},
    ),
]

SELECT, JSON_BODY = "/cds-services/collar-order-select", {"Content-Type": "application/json"}
BAD = [
    (400, f"POST {SELECT}", SELECT, {"content": b"{", "headers": JSON_BODY}),
    (400, f"POST {SELECT}", SELECT, {"json": {}}),
    (412, f"POST {SELECT}", SELECT, {"json": {**order_select(), "prefetch": {}}}),
    (413, f"POST {SELECT}", SELECT, {"content": b" " * 20_000_000, "headers": JSON_BODY}),
    (415, f"POST {SELECT}", SELECT, {"content": b"{}", "headers": {"Content-Type": "text/plain"}}),
    (415, "GET /facts", "/facts", {"headers": {"Content-Encoding": "gzip"}}),
    (404, "POST /cds-services/{service_id}/feedback", "/cds-services/none/feedback", {"json": FEEDBACK}),
    (400, "POST /decisions", "/decisions", {"content": b"[1", "headers": JSON_BODY}),
    (422, "POST /decisions", "/decisions", {"json": {"fact": 1}}),
    (422, "POST /decisions", "/decisions", {"json": {"facts": {"neck_height_mm": 6600, "no_fact": None, "sex": [1]}}}),
    (422, "POST /fit-checks", "/fit-checks", {"json": {"size": "huge"}}),
    (422, "POST /fit-checks", "/fit-checks", {"json": {"size": "adult H2 G2", "history": [{"size": 1}]}}),
    (404, "GET /rules/{rule_id}", "/rules/none", {}),
    (404, "GET /rules/{rule_id}", "/rules/none", {"headers": HTML}),
    (404, "GET /fhir/{resource_type}", "/fhir/Patient", {}),
    (404, "POST /fhir/{resource_type}/_search", "/fhir/Patient/_search", {"data": {"status": "draft"}}),
    (406, "GET /fhir/{resource_type}", "/fhir/ValueSet?_format=xml", {}),
    (404, "GET /fhir/{resource_type}/{name}", "/fhir/ValueSet/none", {}),
    (400, "POST /fhir/PlanDefinition/{name}/$apply", "/fhir/PlanDefinition/none/$apply", {"json": {}}),
    (404, "POST /fhir/PlanDefinition/{name}/$apply", "/fhir/PlanDefinition/none/$apply", {"json": APPLIED}),
    (422, "POST /bedside", "/bedside", {"data": {"age_years": "old"}}),
    (422, "POST /bedside/answer", "/bedside/answer", {"data": {"age_years": "old"}}),
    (415, "POST /bedside", "/bedside", {"json": {}}),
    (403, "POST /bedside", "/bedside", {"data": {"x": "y"}, "headers": {"Sec-Fetch-Site": "cross-site"}}),
    (422, "POST /print/plan", "/print/plan", {"data": {"age_years": "old"}}),
    (422, "POST /fit", "/fit", {"data": {"x": "y"}}),
    (422, "POST /fit/record", "/fit/record", {"data": {"x": "y"}}),
    (404, "POST /try", "/try", {"data": {"x": "y"}}),
    (401, "POST /admin/reload", "/admin/reload", {}),
]  # fmt: skip


@pytest.mark.parametrize(("route", "path", "call"), GOOD, ids=lambda one: one if isinstance(one, str) else "")
def test_good_answers_are_as_described(
    service: TestClient, published: Published, route: str, path: str, call: Any
) -> None:
    answer = service.request(route.partition(" ")[0], path, **call)
    assert answer.status_code == 200, answer.text[:500]
    assert problems(published, route, answer) == []


@pytest.mark.parametrize(("status", "route", "path", "call"), BAD, ids=lambda one: one if isinstance(one, str) else "")
def test_refusals_are_as_described(
    service: TestClient, published: Published, status: int, route: str, path: str, call: Any
) -> None:
    answer = service.request(route.partition(" ")[0], path, **call)
    assert answer.status_code == status, answer.text[:500]
    assert problems(published, route, answer) == []


def test_whoever_calls_from_elsewhere_in_open_mode_is_refused_as_described(
    service: TestClient, published: Published
) -> None:
    elsewhere = TestClient(service.app, client=("192.0.2.1", 50_000))
    for route in ("GET /facts", "GET /bedside"):
        answer = elsewhere.get(route.removeprefix("GET "))
        assert answer.status_code == 403
        assert problems(published, route, answer) == []


def test_every_published_artefact_is_as_described(service: TestClient, published: Published) -> None:
    artefacts = service.app.state.service.content.artefacts  # type: ignore[attr-defined]
    assert len(artefacts) > 50
    for kind, name in artefacts:
        answer = service.get(f"/fhir/{kind}/{name}")
        assert problems(published, "GET /fhir/{resource_type}/{name}", answer) == []


def test_every_rule_is_as_described(service: TestClient, published: Published) -> None:
    rules = service.app.state.service.content.ruleset.rules  # type: ignore[attr-defined]
    assert len(rules) > 100
    for rule in rules:
        assert problems(published, "GET /rules/{rule_id}", service.get(f"/rules/{rule}")) == []


def test_what_is_not_ready_is_described(published: Published, dead_store: str) -> None:
    with TestClient(create_app(Settings(store_url=dead_store))) as client:
        answer = client.get("/health/ready")
        assert answer.status_code == 503 and answer.json()["failing"]
        assert problems(published, "GET /health/ready", answer) == []


WRONG = [
    ("Card", lambda card: card["properties"].pop("summary")),
    ("Card", lambda card: card["required"].append("nothing")),
    ("Coding", lambda coding: coding["properties"].update(code={"type": "integer"})),
    ("SizeClass", lambda size: size["properties"].update(code={"enum": ["another"]})),
    ("TaskOfHook", lambda task: task["properties"].update(people={"type": "string"})),
    ("Timing", lambda timing: timing.update(required=["every_hours", "times_per_day"])),
]


@pytest.mark.parametrize(("name", "planted"), WRONG)
def test_a_wrong_schema_is_caught(service: TestClient, published: Published, name: str, planted: Any) -> None:
    content = service.app.state.service.content  # type: ignore[attr-defined]
    (hook,) = [one for one in SERVICES if one.hook == "order-select"]
    call = request_for(hook, PATIENTS[0].bundle(DEMO), PATIENTS[0].at, AT + timedelta(0), content)
    answer = service.post(f"/cds-services/{hook.id}", json=call)
    assert problems(published, f"POST /cds-services/{hook.id}", answer) == []
    document = copy.deepcopy(published.document)
    planted(document["components"]["schemas"][name])
    assert problems(Published(document), f"POST /cds-services/{hook.id}", answer) != []


def test_an_undeclared_code_and_another_media_type_are_caught(service: TestClient, published: Published) -> None:
    document = json.loads(json.dumps(published.document))
    del document["paths"]["/rules/{rule_id}"]["get"]["responses"]["404"]
    document["paths"]["/facts"]["get"]["responses"]["200"]["content"] = {"text/plain": {"schema": {}}}
    held = Published(document)
    assert "404 is not declared" in problems(held, "GET /rules/{rule_id}", service.get("/rules/none"))[0]
    assert "application/json is not declared" in problems(held, "GET /facts", service.get("/facts"))[0]


def test_a_code_in_the_log_that_no_route_declares_is_caught() -> None:
    """By this every test of the service, those that attack it included, holds its codes to the document."""

    def line(method: str, route: str, status: int) -> str:
        return json.dumps({"event": "call", "method": method, "route": route, "status": status})

    fine = [line("GET", "/facts", 200), line("HEAD", "/facts", 200), line("GET", "none", 405), "no JSON", "[]"]
    assert undeclared(fine) == []
    wrong = [line("GET", "/facts", 418), line("POST", "/decisions", 404), line("GET", "none", 418)]
    assert undeclared([*fine, *wrong]) == ["GET /facts: 418", "GET none: 418", "POST /decisions: 404"]
