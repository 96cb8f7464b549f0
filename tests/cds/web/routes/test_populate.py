"""``Questionnaire/$populate``: what the records answer, with its source; what is not known stays open.

Source: Structured Data Capture 3.0.0, http://hl7.org/fhir/uv/sdc/STU3/OperationDefinition-Questionnaire-populate.html; the inputs
``data`` and ``dataEndpoint`` as in 4.0.0.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import fhirkit
import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.defaults import DEFAULT_BASE
from cds.fhir.operations.definitions import POPULATE
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.reader import read, read_called
from cds.fhir.validation import validate
from cds.settings import Settings
from rules.deciding.decider import Decider
from rules.deciding.fit_check import FROM_HISTORY
from tests.cds.hook_calls import MEASURED, bundle, observation, patient
from tests.cds.web.routes.operation_calls import Json, data, parameters
from tests.cds.web.routes.test_apply import demo_calls
from tests.published.fhir_r4.official import problems
from tests.shipped_content import RULESET

CODE_MAP = load_code_map(RULESET)
FACTS = "/fhir/Questionnaire/patient-facts/$populate"
MARCH = datetime(2026, 3, 2, 10, tzinfo=UTC)
SUBJECT = {"name": "subject", "valueReference": {"reference": "Patient/p1"}}
SOURCE = f"{DEFAULT_BASE}/StructureDefinition/fact-source"
RECORDS = bundle(patient(), *MEASURED)

DEFINED_INPUTS = {
    "identifier": ("0", "1"),
    "canonical": ("0", "1"),
    "questionnaire": ("0", "1"),
    "questionnaireRef": ("0", "1"),
    "subject": ("1", "1"),
    "context": ("0", "*"),
    "content": ("0", "*"),
    "data": ("0", "1"),
    "dataEndpoint": ("0", "1"),
    "local": ("0", "1"),
}
"""The table of the operation: 3.0.0, and what stands in 4.0.0 and in the operation before. ``canonical`` is from memory."""


def test_the_inputs_are_those_of_the_definitions() -> None:
    taken = {each.name: (str(each.least), "*" if each.most is None else str(each.most)) for each in POPULATE.takes}
    refused = {each.name for each in POPULATE.takes if each.refused is not None}
    assert taken.keys() == DEFINED_INPUTS.keys()
    assert {name for name, numbers in taken.items() if numbers != DEFINED_INPUTS[name]} <= refused
    (context,) = (each for each in POPULATE.takes if each.name == "context")
    assert [(each.name, each.least, each.most) for each in context.parts] == [("name", 1, 1), ("content", 1, None)]


def response(answer: Any) -> Json:
    """The response in the answer, which is sound as it is."""
    assert answer.status_code == 200, answer.text
    out = answer.json()
    for resource in (out, *(each["resource"] for each in out["parameter"])):
        assert problems(resource) == [] and fhirkit.validate(resource) == []
        validate(resource)
    assert out["parameter"][0]["name"] == "response"
    found: Json = out["parameter"][0]["resource"]
    return found


def answered(items: list[Json]) -> Iterator[Json]:
    for item in items:
        if "answer" in item:
            yield item
        yield from answered(item.get("item", []))


def links(items: list[Json]) -> list[Any]:
    return [[item["linkId"], links(item.get("item", []))] for item in items]


def test_known_facts_are_answers_with_their_source(client: TestClient) -> None:
    found = response(client.post(FACTS, json=parameters(SUBJECT, data(RECORDS))))
    answers = {item["linkId"]: item["answer"] for item in answered(found["item"])}
    assert answers.keys() == {
        "age_years",
        "sex",
        "neck_height_mm",
        "neck_circumference_mm",
        "head_position",
        "bed_rest",
    }
    (height,) = answers["neck_height_mm"]
    assert height["valueQuantity"]["value"] == 66 and height["valueQuantity"]["code"] == "mm"
    (source,) = height["extension"]
    assert source["url"] == SOURCE and source["valueReference"]["reference"] == "Observation/neck-height-1"
    assert "2026-01-31T08:00:00Z" in source["valueReference"]["display"]
    assert answers["bed_rest"][0]["valueBoolean"] is False
    assert answers["sex"][0]["extension"][0]["valueReference"]["reference"] == "Patient/p1"
    assert found["status"] == "in-progress" and found["subject"] == {"reference": "Patient/p1"}


def test_the_response_has_the_structure_of_the_questionnaire(client: TestClient) -> None:
    """SDC: an unanswered set of questions following the group and question structure of the Questionnaire."""
    for name in ("patient-facts", "fit-check"):
        form = client.get(f"/fhir/Questionnaire/{name}").json()
        found = response(client.post(f"/fhir/Questionnaire/{name}/$populate", json=parameters(SUBJECT)))
        assert links(found["item"]) == links(form["item"])
        assert list(answered(found["item"])) == []
        assert found["questionnaire"] == f"{form['url']}|{form['version']}"


@pytest.fixture
def in_march(store_url: str) -> Iterator[TestClient]:
    """The service at the moment of the demo patients."""
    with TestClient(create_app(Settings(), clock=lambda: MARCH)) as client:
        yield client


@pytest.mark.slow
def test_a_completed_response_is_read_back_and_decides_the_same(in_march: TestClient) -> None:
    decider, sizes, answers = Decider(RULESET), set(), 0
    for name, records, at in demo_calls():
        assert datetime.fromisoformat(at) == MARCH
        whose = next(e["resource"]["id"] for e in records["entry"] if e["resource"]["resourceType"] == "Patient")
        called = {"name": "subject", "valueReference": {"reference": f"Patient/{whose}"}}
        answer = in_march.post(FACTS, json=parameters(called, data(records)))
        filled = answer.json()["parameter"][0]["resource"] | {"status": "completed"}
        before = read_called(records, RULESET, CODE_MAP, MARCH, f"Patient/{whose}", None).facts
        after = read(filled, RULESET, CODE_MAP, MARCH, f"Patient/{whose}").facts
        asked = {fact.name: fact.value for fact in before if not RULESET.vocabulary[fact.name].finding}
        asked.pop("identity_doubtful", None)
        for counted in FROM_HISTORY:  # From the earlier checks of a fitting; no questionnaire asks for it.
            asked.pop(counted, None)
        kept = {fact.name: fact.value for fact in after}
        assert kept.keys() == asked.keys(), name
        assert all(kept[fact] == pytest.approx(value) for fact, value in asked.items()), name
        size = decider.decide(asked, MARCH).size_class
        assert decider.decide(kept, MARCH).size_class == size
        sizes.add(size and size.code)
        answers += len(kept)
    assert len(sizes) > 5 and answers > 300


def test_findings_of_the_fit_check_are_answered_and_the_size_worn_is_asked(client: TestClient) -> None:
    found = bundle(patient(), observation("ear-pressed", True, time="2026-01-31T09:55:00Z"))
    check = response(client.post("/fhir/Questionnaire/fit-check/$populate", json=parameters(SUBJECT, data(found))))
    assert [(item["linkId"], item["answer"][0]["valueBoolean"]) for item in answered(check["item"])] == [
        ("ear-pressed", True)
    ]


def test_what_cannot_be_an_answer_is_an_issue(client: TestClient) -> None:
    stale = observation("neck-height", 66, time="2025-01-01T08:00:00Z")
    answer = client.post(FACTS, json=parameters(SUBJECT, data(bundle(patient(), stale))))
    assert "neck_height_mm" not in {item["linkId"] for item in answered(response(answer)["item"])}
    (issues,) = (each["resource"] for each in answer.json()["parameter"] if each["name"] == "issues")
    (issue,) = issues["issue"]
    assert issue["severity"] == "warning" and "Observation/neck-height-1" in issue["diagnostics"]


def context(name: str, *contents: Json) -> Json:
    held = [{"name": "content", "resource": each} for each in contents]
    return {"name": "context", "part": [{"name": "name", "valueString": name}, *held]}


def test_records_come_as_data_as_content_or_in_contexts(client: TestClient) -> None:
    whole = client.post(FACTS, json=parameters(SUBJECT, data(RECORDS))).json()
    contents = [{"name": "content", "resource": each["resource"]} for each in RECORDS["entry"]]
    assert client.post(FACTS, json=parameters(SUBJECT, *contents)).json() == whole
    apart = [context("patient", patient()), context("sourceQueries", bundle(*MEASURED))]
    assert client.post(FACTS, json=parameters(SUBJECT, *apart, {"name": "local", "valueBoolean": True})).json() == whole


def test_the_questionnaire_is_named_in_each_way_of_the_definitions(client: TestClient) -> None:
    url = f"{DEFAULT_BASE}/Questionnaire/patient-facts"
    whole = client.post(FACTS, json=parameters(SUBJECT, data(RECORDS))).json()
    for named in (
        {"name": "canonical", "valueUri": url},
        {"name": "questionnaire", "valueCanonical": url},
        {"name": "questionnaire", "resource": client.get("/fhir/Questionnaire/patient-facts").json()},
        {"name": "questionnaireRef", "valueReference": {"reference": "Questionnaire/patient-facts"}},
    ):
        assert (
            client.post("/fhir/Questionnaire/$populate", json=parameters(named, SUBJECT, data(RECORDS))).json() == whole
        )
        # SDC: at the instance level these parameters are ignored.
        assert client.post(FACTS, json=parameters(named, SUBJECT, data(RECORDS))).json() == whole


@pytest.mark.parametrize(
    ("path", "entries", "status"),
    [
        ("/fhir/Questionnaire/$populate", [SUBJECT], 400),
        ("/fhir/Questionnaire/another/$populate", [SUBJECT], 404),
        (FACTS, [], 400),
        (FACTS, [{"name": "subject", "valueReference": {"reference": "Group/g"}}], 400),
        (FACTS, [SUBJECT, context("records", RECORDS)], 400),
        (FACTS, [SUBJECT, {"name": "context", "part": [{"name": "name", "valueString": "patient"}]}], 400),
        (FACTS, [SUBJECT, {"name": "content", "valueReference": {"reference": "Observation/1"}}], 400),
        (FACTS, [SUBJECT, {"name": "identifier", "valueIdentifier": {"value": "fit-check"}}], 400),
    ],
)
def test_what_cannot_be_populated_is_refused(client: TestClient, path: str, entries: list[Json], status: int) -> None:
    answer = client.post(path, json=parameters(*entries))
    assert answer.status_code == status and answer.json()["issue"], answer.text
