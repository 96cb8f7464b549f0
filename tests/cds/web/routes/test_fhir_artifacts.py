"""Published content over HTTP: what cards and drafts point to can be looked up."""

import json
from typing import Any
from urllib.parse import parse_qsl, urlencode

import fhirkit
import pytest
from fastapi.testclient import TestClient

from cds.fhir.publishing.artifacts import artefacts
from tests.cds.hook_calls import MEASURED, order_select
from tests.published.fhir_r4.official import problems
from tests.shipped_content import RULESET

BASE = "https://nuque.example.org/fhir/"


def codings(value: Any) -> set[tuple[str, str]]:
    """Every coding of our own systems in ``value``."""
    found: set[tuple[str, str]] = set()
    if isinstance(value, dict):
        if str(value.get("system", "")).startswith(BASE) and "code" in value:
            found.add((value["system"], value["code"]))
        for item in value.values():
            found |= codings(item)
    elif isinstance(value, list):
        for item in value:
            found |= codings(item)
    return found


def test_everything_published_is_served_under_its_canonical_address(client: TestClient) -> None:
    every = artefacts(RULESET)
    assert {kind for kind, _ in every} >= {"PlanDefinition", "ActivityDefinition", "CodeSystem", "Questionnaire"}
    for (resource_type, name), published in every.items():
        answer = client.get(f"/fhir/{resource_type}/{name}")
        assert answer.headers["content-type"] == "application/fhir+json"
        assert answer.json() == published
        assert published["url"] == f"{BASE}{resource_type}/{name}"


@pytest.mark.parametrize("patient", [MEASURED, ()], ids=["measured", "unmeasured"])
def test_every_code_of_ours_on_a_card_can_be_looked_up(client: TestClient, patient: tuple[Any, ...]) -> None:
    response = client.post("/cds-services/collar-order-select", json=order_select(*patient)).json()
    used = codings(response["cards"])
    assert used
    for system, code in used:
        published = client.get("/fhir/" + system.removeprefix(BASE))
        assert published.status_code == 200, system
        assert code in {concept["code"] for concept in published.json()["concept"]}, (system, code)


def test_what_is_not_published_is_not_found(client: TestClient) -> None:
    assert client.get("/fhir/CodeSystem/colours").status_code == 404


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("", True),
        (f"url={BASE}PlanDefinition/rigid-neck-collar", True),
        (f"url={BASE}PlanDefinition/another", False),
        (f"url={BASE}PlanDefinition/another,{BASE}PlanDefinition/rigid-neck-collar", True),
        ("_id=rigid-neck-collar&status=draft", True),
        ("_id=rigid-neck-collar&status=active", False),
        ("name=rigid", True),
        ("title=another", False),
        ("publisher=nobody", True),
        # FHIR R4, Search, 3.1.1.5.6 (string modifiers) and 3.1.1.4.10 (token).
        ("name:contains=Neck", True),
        ("name:exact=rigid", False),
        ("status=http://hl7.org/fhir/publication-status|draft", True),
        ("status=http://hl7.org/fhir/publication-status|", True),
        ("status=http://example.org/other|draft", False),
        ("status=|draft", False),
        ("_id=|rigid-neck-collar", True),
    ],
)
def test_artefacts_are_found_as_a_client_resolves_a_canonical(client: TestClient, query: str, found: bool) -> None:
    answer = client.get(f"/fhir/PlanDefinition?{query}")
    bundle = answer.json()
    assert answer.headers["content-type"] == "application/fhir+json"
    assert problems(bundle) == []
    assert bundle["total"] == len(bundle.get("entry", ())) == int(found)
    # What is not searched by is left out of the link (FHIR R4, Search, 3.1.1.7).
    assert "publisher" not in bundle["link"][0]["url"]


@pytest.mark.parametrize(
    ("query", "headers", "said"),
    [
        ("name:missing=true", {}, "the modifier 'missing' of name is not supported; exact and contains are"),
        ("url:below=https://nuque.example.org", {}, "the modifier 'below' of url is not supported"),
        ("status:not=active", {}, "the modifier 'not' of status is not supported"),
        ("_count=many", {}, "_count is not a whole number from 0"),
        ("publisher=nobody", {"Prefer": "handling=strict"}, "'publisher' is not searched by; _id, url, version"),
    ],
)
def test_what_would_be_answered_wrongly_is_refused(
    client: TestClient, query: str, headers: dict[str, str], said: str
) -> None:
    """FHIR R4, Search, 3.1.1.4.5: a modifier that is not supported is rejected; 3.1.1.6.1: handling=strict."""
    answer = client.get(f"/fhir/CodeSystem?{query}", headers=headers)
    assert answer.status_code == 400 and problems(answer.json()) == []
    assert answer.json()["issue"][0]["diagnostics"].startswith(said)


def test_a_search_is_had_page_by_page(client: TestClient) -> None:
    """FHIR R4, Search, 3.1.1.5.4 (``_count``) and 3.1.1.5.9 (``_summary=count``)."""
    whole = client.get("/fhir/CodeSystem").json()
    assert whole["total"] == len(whole["entry"]) > 4 and [link["relation"] for link in whole["link"]] == ["self"]
    address, seen, pages = "/fhir/CodeSystem?_count=2&status=draft", [], 0
    while address:
        page = client.get(address).json()
        assert problems(page) == [] and page["total"] == whole["total"] and len(page["entry"]) <= 2
        seen += [entry["fullUrl"] for entry in page["entry"]]
        pages += 1
        address = next((link["url"] for link in page["link"] if link["relation"] == "next"), "")
    assert seen == [entry["fullUrl"] for entry in whole["entry"]] and pages == (whole["total"] + 1) // 2
    for query in ("_summary=count", "_count=0"):
        counted = client.get(f"/fhir/CodeSystem?{query}").json()
        assert problems(counted) == [] and counted["total"] == whole["total"] and "entry" not in counted


NOT_FOLLOWED = [
    "_summary=true",
    "_summary=text",
    "_summary=data",
    "_summary=zzz",
    "_summary=count,text",
    "_elements=url,name",
    "_sort=name",
    "_include=PlanDefinition:definition",
]


@pytest.mark.parametrize("asked", NOT_FOLLOWED)
def test_what_is_not_followed_stands_in_no_link_and_strictly_is_refused(client: TestClient, asked: str) -> None:
    """FHIR R4, Search, 3.1.1.5.9: no server has to send a summary; 3.1.1.7: the link holds what was followed."""
    whole = client.get("/fhir/CodeSystem?_count=2").json()
    assert client.get(f"/fhir/CodeSystem?_count=2&{asked}").json() == whole
    assert client.post("/fhir/CodeSystem/_search?_count=2", data=dict([asked.split("=")])).json() == whole
    assert asked.partition("=")[0] not in json.dumps(whole["link"])
    answer = client.get(f"/fhir/CodeSystem?{asked}", headers={"Prefer": "handling=strict"})
    assert answer.status_code == 400 and problems(answer.json()) == []


@pytest.mark.parametrize("how", [{}, {"Prefer": "handling=strict"}])
def test_what_is_followed_of_a_summary_stands_in_the_link(client: TestClient, how: dict[str, str]) -> None:
    whole = client.get("/fhir/CodeSystem").json()
    counted = client.get("/fhir/CodeSystem?_summary=count&_count=2&status=draft", headers=how).json()
    assert (counted["type"], counted["total"], counted.get("entry")) == ("searchset", whole["total"], None)
    (link,) = counted["link"]
    assert link["url"].endswith("/fhir/CodeSystem?status=draft&_count=2&_summary=count")
    all_of_it = client.get("/fhir/CodeSystem?_summary=false", headers=how).json()
    assert all_of_it["entry"] == whole["entry"] and all_of_it["link"][0]["url"].endswith("?_summary=false")


@pytest.mark.parametrize(
    ("query", "form"),
    [
        ("", {"name": "rigid", "status": "draft"}),
        ("?name=rigid", {"status": "draft"}),
        ("?name=rigid&status=draft", {}),
        ("", {"name:contains": "Neck", "_count": "1"}),
    ],
)
def test_a_search_can_be_sent_in_a_form(client: TestClient, query: str, form: dict[str, str]) -> None:
    """FHIR R4, Search, 3.1.1.3: servers support GET and POST; parameters stand in the body, the address, or both."""
    headers = {"content-type": "application/x-www-form-urlencoded"}
    answer = client.post(f"/fhir/PlanDefinition/_search{query}", content=urlencode(form), headers=headers)
    asked = urlencode([*parse_qsl(query.removeprefix("?")), *form.items()])
    assert answer.json() == client.get(f"/fhir/PlanDefinition?{asked}").json()
    assert answer.json()["total"] == 1 and answer.headers["content-type"] == "application/fhir+json"


def test_a_search_that_is_sent_in_another_body_is_refused(client: TestClient) -> None:
    answer = client.post("/fhir/PlanDefinition/_search", json={"name": "rigid"})
    assert answer.status_code == 415 and problems(answer.json()) == []
    assert "application/x-www-form-urlencoded" in answer.text


JSON_TAKEN = [
    ("", "*/*"),
    ("", "application/fhir+json;fhirVersion=4.0"),
    ("", "application/fhir+xml;q=0.5, application/json"),
    ("", "text/html, application/*;q=0.8"),
    ("_format=json", "application/fhir+xml"),
    ("_format=application/fhir%2Bjson", "*/*"),
    ("_format=application/fhir+json", "*/*"),
]
OTHERS_ASKED_FOR = [
    ("_format=xml", "*/*"),
    ("_format=ttl", "application/fhir+json"),
    ("", "application/fhir+xml"),
    ("", "application/fhir+json;q=0, text/turtle"),
    ("", "application/json;q=0.000, application/fhir+json;fhirVersion=4.0;q=0"),
]


@pytest.mark.parametrize("path", ["metadata", "PlanDefinition", "PlanDefinition/rigid-neck-collar"])
def test_only_json_is_sent_and_another_format_is_not_acceptable(client: TestClient, path: str) -> None:
    """FHIR R4, RESTful API, 3.1.0.1.11: ``_format`` goes before ``Accept``; 406 where the format is not supported."""
    for query, accept in JSON_TAKEN:
        answer = client.get(f"/fhir/{path}?{query}", headers={"accept": accept})
        assert answer.status_code == 200, (query, accept)
    for query, accept in OTHERS_ASKED_FOR:
        answer = client.get(f"/fhir/{path}?{query}", headers={"accept": accept})
        assert answer.status_code == 406 and problems(answer.json()) == [], (query, accept)
        assert "_format=json" in answer.text


def test_the_operations_are_declared_by_the_definitions_of_the_standards(client: TestClient) -> None:
    """Clinical Practice Guidelines 2.0.0, Using CQL with FHIR 2.0.0, Structured Data Capture 3.0.0."""
    named = client.get("/fhir/metadata").json()["rest"][0]["resource"]
    assert {resource["type"]: resource["operation"] for resource in named if "operation" in resource} == {
        "PlanDefinition": [
            {"name": "apply", "definition": "http://hl7.org/fhir/uv/cpg/OperationDefinition/cpg-plandefinition-apply"}
        ],
        "Library": [
            {"name": "evaluate", "definition": "http://hl7.org/fhir/uv/cql/OperationDefinition/cql-library-evaluate"}
        ],
        "Questionnaire": [
            {"name": "populate", "definition": "http://hl7.org/fhir/uv/sdc/OperationDefinition/Questionnaire-populate"}
        ],
    }


def test_a_refusal_comes_under_the_media_type_of_fhir(client: TestClient) -> None:
    for answer in (client.get("/fhir/Measure"), client.post("/fhir/PlanDefinition/$apply", json={})):
        assert answer.headers["content-type"] == "application/fhir+json"


def test_a_type_of_which_nothing_is_published_is_named_as_such(client: TestClient) -> None:
    answer = client.get("/fhir/Measure")
    assert answer.status_code == 404 and "PlanDefinition" in answer.text


def test_the_capability_statement_names_what_is_there_and_nothing_else(client: TestClient) -> None:
    statement = client.get("/fhir/metadata").json()
    assert problems(statement) == [] and fhirkit.validate(statement) == []
    named = statement["rest"][0]["resource"]
    assert {resource["type"] for resource in named} == {kind for kind, _ in artefacts(RULESET)}
    for resource in named:
        for parameter in resource["searchParam"]:
            held = client.get(f"/fhir/{resource['type']}?{parameter['name']}=no-such-value").json()
            assert held["total"] == 0, (resource["type"], parameter["name"])
