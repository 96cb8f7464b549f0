"""``PlanDefinition/$apply``: the decision of every other door, as one CarePlan, by the names and numbers of the standard.

Sources: FHIR R4 (4.0.1), PlanDefinition $apply, http://hl7.org/fhir/R4/operation-plandefinition-apply.html; Clinical Practice
Guidelines 2.0.0, http://hl7.org/fhir/uv/cpg/OperationDefinition-cpg-plandefinition-apply.html, for what R4 leaves out.
"""

import json
from collections.abc import Iterator
from typing import Any

import fhirkit
import pytest
from fastapi.testclient import TestClient

from cds.defaults import DEFAULT_BASE
from cds.fhir.operations.applied_plan import DECEASED
from cds.fhir.operations.definitions import APPLY
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.reader import read_called
from cds.fhir.validation import validate
from cds.site.demo_patients import SHIPPED, DemoIndex
from tests.cds.conftest import AT
from tests.cds.hook_calls import MEASURED, OTHER_ORDER, bundle, observation, order_select, patient
from tests.cds.web.routes.operation_calls import Json, data, parameters, subject
from tests.published.engines import generated_records
from tests.published.fhir_r4.official import problems
from tests.shipped_content import RULESET

URL = f"{DEFAULT_BASE}/PlanDefinition/rigid-neck-collar"
NAMED = "/fhir/PlanDefinition/$apply"
ONE = "/fhir/PlanDefinition/rigid-neck-collar/$apply"

CODE_MAP = load_code_map(RULESET)

R4_INPUTS = {
    "planDefinition": ("0", "1"),
    "subject": ("1", "*"),
    "encounter": ("0", "1"),
    "practitioner": ("0", "1"),
    "organization": ("0", "1"),
    "userType": ("0", "1"),
    "userLanguage": ("0", "1"),
    "userTaskContext": ("0", "1"),
    "setting": ("0", "1"),
    "settingContext": ("0", "1"),
}
"""The table of the R4 operation."""
CPG_INPUTS = {
    "url": ("0", "1"),
    "version": ("0", "1"),
    "parameters": ("0", "1"),
    "useServerData": ("0", "1"),
    "data": ("0", "1"),
    "prefetchData": ("0", "*"),
    "dataEndpoint": ("0", "1"),
    "contentEndpoint": ("0", "1"),
    "terminologyEndpoint": ("0", "1"),
}
"""What the guidelines' operation has beyond it. The numbers of its last five are from memory."""


def test_the_inputs_are_those_of_the_definitions() -> None:
    taken = {each.name: (str(each.least), "*" if each.most is None else str(each.most)) for each in APPLY.takes}
    defined = R4_INPUTS | CPG_INPUTS
    assert taken.keys() == defined.keys()
    stricter = {name for name, numbers in taken.items() if numbers != defined[name]}
    refused = {each.name for each in APPLY.takes if each.refused is not None}
    # One patient a call, and no records but those that are sent.
    assert stricter - refused == {"subject", "data"}


# --- the same through every door -----------------------------------------------------------------------------------------


def demo_calls() -> Iterator[tuple[str, Json, str]]:
    assert SHIPPED is not None
    for each in DemoIndex.read(SHIPPED).patients:
        yield each.file, each.bundle(SHIPPED), each.at.isoformat()


def generated_calls() -> Iterator[tuple[str, Json, str]]:
    for number, made in enumerate(generated_records.RecordWriter(RULESET, CODE_MAP, seed=8).bundles(200)):
        yield f"generated {number}", made, generated_records.AT.isoformat()


def said_by(plan: Json) -> Json:
    """The size, the cautions in their order, and the people of each task in ``plan``."""
    contained = plan.get("contained", [])
    sizes = [each["codeCodeableConcept"] for each in contained if each["resourceType"] == "DeviceRequest"]
    orders = [each for each in contained if each["resourceType"] == "ServiceRequest"]
    planned = [activity["detail"] for activity in plan["activity"] if "detail" in activity]
    notes = [each["text"] for each in plan.get("note", ())]
    return {
        "size": [size["coding"][0]["code"] for size in sizes],
        "cautions": [note for note in notes if note.split(": ")[0] in ("Critical", "Warning", "Info")],
        "tasks": {each["code"]["coding"][0]["code"]: people(each) for each in orders}
        | {each["code"]["coding"][0]["code"]: people(each) or 1 for each in planned},
    }


def people(element: Json) -> int | None:
    url = f"{DEFAULT_BASE}/StructureDefinition/people-needed"
    return next((each["valuePositiveInt"] for each in element.get("extension", ()) if each["url"] == url), None)


def expected_of(decision: Json) -> Json:
    """The same of a decision as ``POST /decisions`` gives it. While a size is withheld, no fitting is ordered."""
    size = decision.get("size_class")
    tasks = {task["task"].replace("_", "-"): task["people"] for task in decision.get("tasks", ())}
    fitting = tasks.pop("fit-collar", None)
    return {
        "size": [size["code"]] if size else [],
        "cautions": [f"{each['severity'].capitalize()}: {each['text']}" for each in decision.get("cautions", ())],
        "tasks": {**tasks, **({"fit-rigid-neck-collar": fitting} if size else {})},
    }


def sound(resource: Json) -> None:
    assert problems(resource) == []
    assert fhirkit.validate(resource) == []
    validate(resource)


@pytest.mark.parametrize("calls", [demo_calls, pytest.param(generated_calls, marks=pytest.mark.slow)])
def test_what_is_applied_is_what_is_decided(client: TestClient, calls: Any) -> None:
    sizes, count = set(), 0
    for name, records, at in calls():
        whose = next(e["resource"]["id"] for e in records["entry"] if e["resource"]["resourceType"] == "Patient")
        answer = client.post(ONE, json=parameters(subject(whose), data(records), at=at))
        assert answer.status_code == 200, (name, answer.text)
        reading = read_called(records, RULESET, CODE_MAP, AT.fromisoformat(at), f"Patient/{whose}", None)
        facts = {fact.name: fact.value for fact in reading.facts}
        decision = client.post("/decisions", json={"facts": facts, "at": at}).json()
        said, expected = said_by(answer.json()), expected_of(decision)
        # Where a reason to withhold the size is seen to by no task, a review is ordered.
        assert said["tasks"].pop("review-before-collar", None) is None or not said["size"]
        assert said == expected, name
        if count % 8 == 0:  # It takes ten times as long as the rest.
            sound(answer.json())
        sizes.update(said["size"])
        count += 1
    assert count >= 61 and len(sizes) > 5


def test_it_is_the_plan_that_a_hook_suggests(client: TestClient) -> None:
    """The names of our resources tell patient, moment, rule set, and facts with their records: equal names are equal decisions."""
    records = (*MEASURED, observation("neck-swelling", True))
    call = order_select(*records)
    sent = [
        each["resource"]
        for each in bundle(call["prefetch"]["patient"], call["prefetch"]["encounter"], *records)["entry"]
    ]
    plan = client.post(ONE, json=parameters(subject("p1"), data(bundle(*sent)))).json()
    hook = client.post("/cds-services/collar-order-select", json=call).json()
    offers = [offer for card in hook["cards"] for offer in card.get("suggestions", ())]
    (suggested,) = (
        action["resource"] for action in offers[0]["actions"] if action["resource"]["resourceType"] == "CarePlan"
    )
    assert plan["identifier"] == suggested["identifier"]
    assert [each for each in plan["activity"] if "detail" in each] == [
        each for each in suggested["activity"] if "detail" in each
    ]
    assert plan["note"] == suggested["note"] and plan["encounter"] == suggested["encounter"]


def test_the_plan_holds_everything_that_it_refers_to(client: TestClient) -> None:
    """FHIR R4, PlanDefinition, Applying a PlanDefinition: the activity is a RequestGroup; and References, contained resources."""
    plan = client.post(ONE, json=parameters(subject("p1"), data(bundle(patient(), *MEASURED)))).json()
    (ordered,) = (activity["reference"] for activity in plan["activity"] if "reference" in activity)
    inside = {f"#{each['id']}": each for each in plan["contained"]}
    group = inside[ordered["reference"]]
    assert group["resourceType"] == "RequestGroup"
    together, *others = group["action"][0]["action"]
    named = [action["resource"]["reference"] for action in (*together["action"], *others)]
    requests = [place for place, each in inside.items() if each["resourceType"] in ("ServiceRequest", "DeviceRequest")]
    assert sorted(named) == sorted(requests) and len(named) > 2
    assert plan["status"] == "draft" and plan["intent"] == "proposal"
    assert plan["instantiatesCanonical"] == [f"{URL}|{RULESET.version}"]


# --- which plan, for whom, when ------------------------------------------------------------------------------------------


def test_the_plan_is_named_by_its_address_its_url_or_as_it_is(client: TestClient) -> None:
    records = data(bundle(patient(), *MEASURED))
    published = client.get("/fhir/PlanDefinition/rigid-neck-collar").json()
    first = client.post(ONE, json=parameters(subject("p1"), records)).json()
    for named in (
        [{"name": "url", "valueUri": URL}],
        [{"name": "url", "valueCanonical": f"{URL}|{RULESET.version}"}],
        [{"name": "url", "valueUri": URL}, {"name": "version", "valueString": RULESET.version}],
        [{"name": "planDefinition", "resource": published}],
    ):
        assert client.post(NAMED, json=parameters(*named, subject("p1"), records)).json() == first


@pytest.mark.parametrize(
    ("path", "named", "status"),
    [
        (NAMED, [], 400),
        (NAMED, [{"name": "url", "valueUri": f"{URL}s"}], 404),
        (NAMED, [{"name": "url", "valueUri": f"{URL}|0.0.0"}], 404),
        (NAMED, [{"name": "url", "valueUri": URL}, {"name": "version", "valueString": "0"}], 404),
        (NAMED, [{"name": "planDefinition", "resource": {"resourceType": "PlanDefinition", "url": URL}}], 422),
        ("/fhir/PlanDefinition/another/$apply", [], 404),
        (ONE, [{"name": "url", "valueUri": URL}], 400),
    ],
)
def test_no_other_plan_is_applied(client: TestClient, path: str, named: list[Json], status: int) -> None:
    answer = client.post(path, json=parameters(*named, subject("p1"), data(bundle(patient()))))
    assert answer.status_code == status
    assert answer.json()["resourceType"] == "OperationOutcome" and answer.json()["issue"]


def test_encounter_and_practitioner_stand_in_the_plan(client: TestClient) -> None:
    more = [
        {"name": "encounter", "valueString": "Encounter/e9"},
        {"name": "practitioner", "valueString": "Practitioner/d"},
    ]
    plan = client.post(ONE, json=parameters(subject("p1"), data(bundle(patient())), *more)).json()
    assert plan["encounter"] == {"reference": "Encounter/e9"} and plan["author"] == {"reference": "Practitioner/d"}


def test_the_moment_is_the_parameter_of_the_library(client: TestClient) -> None:
    """Guidelines' $apply: ``parameters`` are bound by name to those of the libraries; the Library has ``At``."""
    old = observation("neck-height", 66, time="2026-01-01T08:00:00Z")
    call = [subject("p1"), data(bundle(patient(), old, observation("neck-circumference", 380)))]
    now = client.post(ONE, json=parameters(*call)).json()
    then = client.post(ONE, json=parameters(*call, at="2026-01-01T09:00:00+00:00")).json()
    assert now["created"] == "2026-01-31T10:00:00Z" and then["created"] == "2026-01-01T09:00:00Z"
    assert any("neck-height" in note["text"] for note in now["note"] if "not used" in note["text"])
    assert not any("neck-height" in note["text"] for note in then["note"] if "not used" in note["text"])


def test_records_of_another_put_the_identity_in_doubt_as_in_a_hook(client: TestClient) -> None:
    other = observation("bed-rest", True) | {"subject": {"reference": "Patient/p2"}}
    plan = client.post(ONE, json=parameters(subject("p1"), data(bundle(patient(), *MEASURED, other)))).json()
    assert said_by(plan)["size"] == []


def test_a_patient_who_has_died_is_doubted_first(client: TestClient) -> None:
    dead = patient() | {"deceasedBoolean": True}
    plan = client.post(ONE, json=parameters(subject("p1"), data(bundle(dead, *MEASURED)))).json()
    assert plan["note"][0]["text"] == DECEASED


# --- what is refused -----------------------------------------------------------------------------------------------------

RECORDS = data(bundle(patient()))


@pytest.mark.parametrize(
    ("body", "where"),
    [
        ({"resourceType": "Bundle"}, "Parameters.resourceType"),
        ({**parameters(subject("p1"), RECORDS), "implicitRules": "x:y"}, "Parameters.implicitRules"),
        ({"resourceType": "Parameters", "parameter": {}}, "Parameters.parameter"),
        (parameters(RECORDS), "Parameters.parameter"),
        (parameters(subject("p1")), "Parameters.parameter"),
        (parameters(subject("p1"), subject("p2"), RECORDS), "Parameters.parameter"),
        (
            parameters(subject("p1"), RECORDS, {"name": "patient", "valueString": "Patient/p1"}),
            "Parameters.parameter[2].name",
        ),
        (
            parameters({"name": "subject", "valueReference": {"reference": "Patient/p1"}}, RECORDS),
            "Parameters.parameter[0]",
        ),
        (parameters({"name": "subject", "valueString": " "}, RECORDS), "Parameters.parameter[0].valueString"),
        (parameters({"name": "subject", "valueString": "Group/g"}, RECORDS), "Parameters.parameter[0].valueString"),
        (parameters(subject("p1") | {"part": []}, RECORDS), "Parameters.parameter[0]"),
        (parameters(subject("p1"), data(OTHER_ORDER)), "Parameters.parameter[1].resource"),
        (
            parameters(subject("p1"), RECORDS, {"name": "useServerData", "valueBoolean": "no"}),
            "Parameters.parameter[2].valueBoolean",
        ),
        (
            parameters(subject("p1"), RECORDS, {"name": "setting", "valueCodeableConcept": {}}),
            "Parameters.parameter[2]",
        ),
        (
            parameters(subject("p1"), RECORDS, {"name": "dataEndpoint", "resource": {"resourceType": "Endpoint"}}),
            "Parameters.parameter[2]",
        ),
        (
            parameters(subject("p1"), RECORDS, at="2026-01-31"),
            "Parameters.parameter[2].resource.parameter[0].valueDateTime",
        ),
        (
            parameters(subject("p1"), RECORDS, at="2026-01-31T10:00:00"),
            "Parameters.parameter[2].resource.parameter[0].valueDateTime",
        ),
    ],
)
def test_what_is_wrong_is_named_with_its_place(client: TestClient, body: Json, where: str) -> None:
    answer = client.post(ONE, json=body)
    assert answer.status_code == 400, answer.text
    assert where in [place for issue in answer.json()["issue"] for place in issue["expression"]]
    sound(answer.json())


@pytest.mark.parametrize("wrong", [{}, subject("p1"), {"name": "subject", "valueString": "x"}, {"name": "setting"}])
def test_thousands_of_wrong_parameters_get_no_long_answer(client: TestClient, wrong: Json) -> None:
    answer = client.post(ONE, json=parameters(RECORDS, *[wrong] * 5000))
    assert answer.status_code == 400 and 1 <= len(answer.json()["issue"]) <= 20 + len(APPLY.takes)


def test_a_body_that_is_no_json_object_or_not_said_to_be_json_is_refused(client: TestClient) -> None:
    for name in (ONE, NAMED, "/fhir/Library/$evaluate", "/fhir/Questionnaire/patient-facts/$populate"):
        for body in ([], None, "text", 7, [{}]):
            answer = client.post(name, content=json.dumps(body), headers={"Content-Type": "application/fhir+json"})
            assert answer.status_code == 400 and problems(answer.json()) == [], (name, body)
    assert client.post(ONE, content=b"{}", headers={"Content-Type": "text/plain"}).status_code == 415
