"""Every answer is what CDS Hooks asks of it, whatever patient and whatever request; and no request brings the service down."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import fhirkit
import pytest
from fastapi.testclient import TestClient
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cds.bootstrap.app import create_app
from cds.settings import Settings
from rules.deciding.decider import Decider
from tests.cds.conftest import AT
from tests.cds.hook_calls import (
    COLLAR_ORDER,
    MEASURED,
    changed,
    discharge,
    observation,
    order_select,
    order_sign,
    patient_view,
    recorded,
)
from tests.cds.hooks.cds_hooks_standard import check_discovery, check_response
from tests.demo import reading_load
from tests.published.fhir_r4.official import problems
from tests.rules.patients import patients
from tests.shipped_content import RULESET

DECIDER = Decider(RULESET)
CALLS = {
    "collar-order-select": order_select,
    "collar-order-sign": order_sign,
    "collar-patient-view": patient_view,
    "collar-discharge": discharge,
}
NAMELESS = {"resourceType": "Patient", "id": "p1"}
SERVICE_OF = {
    "order-select": "collar-order-select",
    "order-sign": "collar-order-sign",
    "patient-view": "collar-patient-view",
    "encounter-discharge": "collar-discharge",
}
DEMO = Path(__file__).parents[3] / "demo_bundles"
DEMO_CALLS = sorted((DEMO / "hooks").glob("*.json"))
DEMO_AT = datetime(2026, 3, 2, 10, tzinfo=UTC)


def test_discovery_is_what_the_standard_asks_for(client: TestClient) -> None:
    answer = client.get("/cds-services")
    assert answer.status_code == 200
    check_discovery(answer.json())
    assert {service["id"]: service["hook"] for service in answer.json()["services"]} == {
        service: hook for hook, service in SERVICE_OF.items()
    }


def prefetch(client: TestClient) -> dict[str, str]:
    """The templates, which are the same for every service."""
    first, *others = [service["prefetch"] for service in client.get("/cds-services").json()["services"]]
    assert others == [first] * 3
    return dict(first)


def test_discovery_asks_for_every_observation_that_rules_read(client: TestClient) -> None:
    asked = [
        code
        for key, template in prefetch(client).items()
        if key.startswith("observations")
        for code in template.partition("&code=")[2].split(",")
    ]
    facts = [RULESET.vocabulary[name] for name in RULESET.facts_read]
    observed = {fact.code for fact in facts if fact.given != "concluded"}
    assert len(observed) > 100
    assert observed - set(asked) == set()
    assert "9269-2" in asked
    assert len(asked) == len(set(asked))


def test_no_template_is_too_long_for_an_address(client: TestClient) -> None:
    """A stock proxy answers 414 from 8 kB on, some servers from 2 kB; a client may encode every mark."""
    templates = prefetch(client)
    assert {"observations", "observations2", "deviceOrders"} <= set(templates)
    lengths = {key: len(quote(template, safe="")) for key, template in templates.items()}
    assert {key: length for key, length in lengths.items() if length >= 2000} == {}


@pytest.mark.parametrize("service", CALLS)
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(facts=patients(RULESET))
def test_every_answer_conforms_for_every_patient(client: TestClient, service: str, facts: dict[str, Any]) -> None:
    call = changed(
        CALLS[service](*recorded(RULESET, facts)), "prefetch.patient", {"resourceType": "Patient", "id": "p1"}
    )
    answer = client.post(f"/cds-services/{service}", json=call)
    assert answer.status_code == 200, answer.text
    check_response(answer.json())
    for card in answer.json()["cards"]:
        rules = set(card.get("extension", {}).get("org.example.nuque.rules", ()))
        assert rules <= set(RULESET.rules)
        # Without a rule behind it a card only asks to look.
        assert rules or re.search(r"\b[Ll]ook\b", card["summary"]), card


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(facts=patients(RULESET))
def test_every_resource_in_an_action_is_valid_r4(client: TestClient, facts: dict[str, Any]) -> None:
    """Against the official R4 definitions, fhirkit (R4) and fhir.resources (R4B models)."""
    for call in (order_select, order_sign):
        request = call(*recorded(RULESET, facts))
        answer = client.post(f"/cds-services/{SERVICE_OF[request['hook']]}", json=request).json()
        # Before signing there may be nothing to say; while an order is written the size is always spoken of.
        assert answer["cards"] or request["hook"] == "order-sign"
        resources = [
            action["resource"]
            for card in answer["cards"]
            for suggestion in card.get("suggestions", ())
            for action in suggestion["actions"]
        ]
        for resource in resources:
            get_fhir_model_class(resource["resourceType"]).model_validate(resource)
            assert fhirkit.validate(resource) == []
            assert problems(resource) == []


ALWAYS = ["size_class", "candidates", "confidence", "axes", "measure_next", "cautions", "tasks", "not_used", "ruleset"]
ON_REQUEST = ["trace", "sources", "ask", "dangers_not_recorded", "assessments", "leaflets", "disclaimer"]
ASKED_FOR = {"org.example.nuque.whole-decision": True}


@pytest.mark.parametrize("file", [entry["file"] for entry in reading_load.INDEX[::6]])
def test_how_a_decision_came_about_is_sent_where_it_is_asked_for(client: TestClient, file: str) -> None:
    templates = client.get("/cds-services").json()["services"][0]["prefetch"]
    call = reading_load.call("collar-order-select", file, templates)
    short, whole, other = (
        client.post("/cds-services/collar-order-select", json={**call, **more}).json()
        for more in ({}, {"extension": ASKED_FOR}, {"extension": "of another making"})
    )
    assert short == other
    assert short["cards"] == whole["cards"]
    told, all_of_it = (answer["extension"]["org.example.nuque.decision"] for answer in (short, whole))
    assert all_of_it["trace"] and all_of_it["sources"]
    assert any("reference" in fact for fact in all_of_it["facts"])
    in_short = {**all_of_it, "facts": parts(all_of_it, "facts", "name", "value")}
    in_short["tasks"] = parts(all_of_it, "tasks", "task", "title", "timing", "people", "rules")
    assert told == {key: value for key, value in in_short.items() if key not in ON_REQUEST and value != []}
    assert {key for key in ALWAYS if key in all_of_it} == {key for key in ALWAYS if key in told}


def parts(decision: dict[str, Any], name: str, *kept: str) -> list[dict[str, Any]]:
    return [{key: part[key] for key in kept if key in part} for part in decision.get(name, ())]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(facts=patients(RULESET))
def test_the_hook_decides_what_the_rules_decide_for_the_same_facts(client: TestClient, facts: dict[str, Any]) -> None:
    call = changed(order_select(*recorded(RULESET, facts)), "prefetch.patient", NAMELESS)
    call = changed(call, "prefetch.encounter", None) | {"extension": ASKED_FOR}
    sent = client.post("/cds-services/collar-order-select", json=call).json()["extension"]["org.example.nuque.decision"]
    assert {fact["name"]: fact["value"] for fact in sent.get("facts", ())} == facts
    plain = DECIDER.decide(facts, AT).as_json()
    for part in ("size_class", "candidates", "confidence", "holds", "cautions", "tasks", "measure_next"):
        assert sent.get(part) == plain.get(part)


ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.text(max_size=20),
    st.sampled_from(["2026-02-30", "Patient/nowhere", "urn:uuid:x", "\ud800", "", " ", "0000", "9999-99-99T99:99:99Z"]),
    st.just([]),
    st.just({}),
    st.just([[[[None]]]]),
    st.just({"resourceType": "Observation"}),
    st.just({"coding": [{"system": 1, "code": None}, "x", None]}),
    st.just({"value": "12", "code": "mm"}),
)


def places(value: Any, path: str = "") -> list[str]:
    """Every path into ``value``."""
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = []
    for key, item in parts:
        here = f"{path}.{key}" if path else str(key)
        found += [here, *places(item, here)]
    return found


@pytest.mark.parametrize("service", CALLS)
@settings(max_examples=250, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_whatever_is_wrong_anywhere_is_refused_or_listed_and_never_fails(
    client: TestClient, service: str, data: st.DataObject
) -> None:
    call = CALLS[service](*MEASURED, observation("airway-threat", True))
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(places(call)))
        call = changed(call, path, data.draw(st.one_of(ODD, st.just(...))))
    body = json.dumps(call).encode()
    answer = client.post(f"/cds-services/{service}", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code in (200, 400, 412), answer.text
    if answer.status_code == 200:
        check_response(answer.json())
    else:
        issues = answer.json()["issue"]
        assert all(issue["diagnostics"] for issue in issues)


def test_five_thousand_resources_are_read(client: TestClient) -> None:
    others = [
        observation("neck-circumference", 300 + n % 50, number=n, time="2026-01-20T08:00:00Z") for n in range(2500)
    ]
    foreign = [
        {**observation("neck-height", 90, number=n), "subject": {"reference": "Patient/p2"}} for n in range(2500)
    ]
    answer = client.post("/cds-services/collar-order-select", json=order_select(*others, *MEASURED, *foreign))
    assert answer.status_code == 200
    check_response(answer.json())
    decision = answer.json()["extension"]["org.example.nuque.decision"]
    assert len(decision["not_used"]) >= 2500
    assert ["sizing.hold.identity"] in [hold["rules"] for hold in decision["holds"]], "records of two people are mixed"
    assert all(len(card["detail"]) < 20_000 for card in answer.json()["cards"])


def test_eight_threads_get_the_answers_of_one(client: TestClient) -> None:
    calls = [
        (
            "collar-order-select",
            order_select(*MEASURED, drafts=({**COLLAR_ORDER, "id": f"o{n}"},), selections=(f"ServiceRequest/o{n}",)),
        )
        for n in range(10)
    ] + [("collar-order-sign", order_sign(observation("neck-circumference", 300 + 40 * n))) for n in range(10)]

    def ask(service_and_call: tuple[str, dict[str, Any]]) -> Any:
        service, call = service_and_call
        return client.post(f"/cds-services/{service}", json=call).json()

    alone = [ask(call) for call in calls]
    with ThreadPoolExecutor(8) as threads:
        together = list(threads.map(ask, calls * 4))
    assert together == alone * 4


@pytest.fixture(scope="module")
def demo_hospital() -> Iterator[TestClient]:
    """The invented hospital's own service: its overlay, its codes, its shelf."""
    settings = Settings(
        catalogue=DEMO / "catalogue.yaml", code_map=DEMO / "site_codes.yaml", overlays=(DEMO / "site.yaml",)
    )
    with TestClient(create_app(settings, clock=lambda: DEMO_AT)) as client:
        yield client


def test_there_is_a_demo_call_for_each_service() -> None:
    assert {path.stem for path in DEMO_CALLS} == set(CALLS)


@pytest.mark.parametrize("path", DEMO_CALLS, ids=lambda path: path.stem)
def test_every_demo_call_gets_cards_that_conform(client: TestClient, demo_hospital: TestClient, path: Path) -> None:
    call = json.loads(path.read_text())
    for asked in (client, demo_hospital):
        answer = asked.post(f"/cds-services/{path.stem}", json=call)
        assert answer.status_code == 200, answer.text
        check_response(answer.json())
    assert answer.json()["cards"]


def test_the_hospitals_own_codes_and_thresholds_decide_and_are_named(demo_hospital: TestClient) -> None:
    """Its own code for the neck height, written in the words of its monitors; its own edge of 58 mm for H3 makes it H3."""
    height = observation("neck-height", 60, time="2026-03-02T08:00:00Z")
    height["code"] = {"coding": [{"system": "https://records.hollowmere.example/codes", "code": "NECK-UP"}]}
    height["valueQuantity"] = {"value": 6, "unit": "centimetre"}
    rest = [observation(name, value, time="2026-03-02T08:00:00Z") for name, value in (("neck-circumference", 380),)]
    order = {
        **COLLAR_ORDER,
        "code": {"coding": [{"system": "https://records.hollowmere.example/codes", "code": "COLLAR-RIGID"}]},
    }
    call = order_select(height, *rest, drafts=(order,))
    response = demo_hospital.post("/cds-services/collar-order-select", json=call).json()
    decision = response["extension"]["org.example.nuque.decision"]
    assert "H3" in decision["axes"]["height_band"]["candidates"]
    assert {change["name"] for change in decision["local_changes"]} >= {"height_edge_h3_mm", "measure_within_hours"}
    (card,) = [card for card in response["cards"] if card["source"]["topic"]["code"] == "size"]
    assert "Changed by this site" in card["detail"]
    assert "The lower edge of the Hillside collar on our shelf lies at 58 mm" in card["detail"]
    assert "HM-2" in card["detail"]


def test_the_interactive_documentation_works(client: TestClient) -> None:
    described = client.get("/openapi.json").json()
    assert {f"/cds-services/{service}" for service in CALLS} <= set(described["paths"])
    body = described["paths"]["/cds-services/collar-order-select"]["post"]["requestBody"]
    assert "OrderSelectRequest" in json.dumps(body)
    assert client.get("/docs").status_code == 200


def test_no_other_origin_may_read_answers_by_default(client: TestClient) -> None:
    answer = client.get("/cds-services", headers={"Origin": "https://ehr.example.org"})
    assert "access-control-allow-origin" not in answer.headers
