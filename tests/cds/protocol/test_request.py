"""What is wrong with a call is refused, and the field named (HL7 CDS Hooks 2.0, "Calling a CDS Service")."""

import asyncio
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.hooks.engine.service import DECISION
from cds.protocol.prefetch import gather
from cds.protocol.request import FULL_TEXT, OrderSelectRequest
from cds.settings import Settings
from cds.site.content import Content
from tests.cds.hook_calls import (
    COLLAR_ORDER,
    MEASURED,
    OTHER_ORDER,
    answer_of,
    bundle,
    changed,
    discharge,
    observation,
    order_select,
    order_sign,
    patient_view,
)

AUTHORIZATION = {
    "access_token": "secret-token-0001",
    "token_type": "Bearer",
    "expires_in": 300,
    "scope": "patient/*.read",
    "subject": "cds",
}
SELECT = order_select(*MEASURED)


def refusal(client: TestClient, service: str, call: Any) -> tuple[int, list[str], str]:
    answer = client.post(f"/cds-services/{service}", json=call)
    outcome = answer.json()
    assert outcome["resourceType"] == "OperationOutcome"
    fields = [field for issue in outcome["issue"] for field in issue.get("expression", ())]
    return answer.status_code, fields, " ".join(issue["diagnostics"] for issue in outcome["issue"])


@pytest.mark.parametrize(
    ("path", "value", "field"),
    [
        ("hook", ..., "hook"),
        ("hook", "order-sign", "hook"),
        ("hook", 7, "hook"),
        ("hookInstance", ..., "hookInstance"),
        ("hookInstance", "not-a-uuid", "hookInstance"),
        ("hookInstance", "d1577c69dfbe44adba6d3e05e953b2ea", "hookInstance"),
        ("hookInstance", "urn:uuid:d1577c69-dfbe-44ad-ba6d-3e05e953b2ea", "hookInstance"),
        ("hookInstance", "{d1577c69-dfbe-44ad-ba6d-3e05e953b2ea}", "hookInstance"),
        ("hookInstance", "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea\n", "hookInstance"),
        ("hookInstance", None, "hookInstance"),
        ("context", ..., "context"),
        ("context", [], "context"),
        ("context.userId", ..., "context.userId"),
        ("context.userId", "dr1", "context.userId"),
        ("context.patientId", ..., "context.patientId"),
        ("context.patientId", "p 1", "context.patientId"),
        ("context.patientId", 1, "context.patientId"),
        ("context.encounterId", "", "context.encounterId"),
        ("context.selections", ..., "context.selections"),
        ("context.selections", [], "context.selections"),
        ("context.selections", "ServiceRequest/order-1", "context.selections"),
        ("context.draftOrders", ..., "context.draftOrders"),
        ("context.draftOrders", {"resourceType": "Patient"}, "context.draftOrders.resourceType"),
        ("context.draftOrders.entry.0", {}, "context.draftOrders.entry[0].resource"),
        ("context.draftOrders.entry.0.resource", {}, "context.draftOrders.entry[0].resource"),
        ("prefetch", [], "prefetch"),
        ("prefetch.patient", 5, "prefetch.patient"),
        ("prefetch.patient", {"resourceType": "Observation"}, "prefetch.patient"),
        ("prefetch.patient.id", "p2", "prefetch.patient.id"),
        ("prefetch.encounter.id", "e2", "prefetch.encounter.id"),
        ("prefetch.observations", "none", "prefetch.observations"),
        ("prefetch.observations.entry", {}, "prefetch.observations.entry"),
        ("fhirServer", "ftp://x", "fhirServer"),
        ("fhirAuthorization", {}, "fhirAuthorization.access_token"),
        ("fhirAuthorization", {**AUTHORIZATION, "token_type": "MAC"}, "fhirAuthorization.token_type"),
    ],
)
def test_a_wrong_field_is_named(client: TestClient, path: str, value: Any, field: str) -> None:
    status, fields, _ = refusal(client, "collar-order-select", changed(SELECT, path, value))
    assert status == 400
    assert field in fields


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("context.patientId", "Patient/p1", "context.patientId: expected the id alone, as p1, not Type/p1"),
        ("context.patientId", "p1\n", "context.patientId: expected the id alone"),
        ("context.patientId", "a" * 65, "context.patientId: expected the id alone"),
        ("context.encounterId", "Encounter/e1", "context.encounterId: expected the id alone"),
        ("context.userId", "dr1", "context.userId: expected Type/id, as Practitioner/abc"),
        ("context.userId", "Practitioner/dr1/_history/2", "without address and version"),
        ("context.userId", "https://ehr.example/Practitioner/dr1", "without address and version"),
        ("context.userId", "Device/d1", "Practitioner, PractitionerRole, Patient, RelatedPerson"),
        ("context.selections", [], "context.selections: must not be empty"),
        ("context.selections", ["urn:uuid:7"], "name it as Type/id"),
        ("fhirServer", "ehr.example", "fhirServer: expected the base address of a FHIR server: http:// or https://"),
        ("fhirAuthorization", {**AUTHORIZATION, "access_token": ""}, "fhirAuthorization.access_token: "),
    ],
)
def test_a_refusal_says_what_to_send_instead(client: TestClient, path: str, value: Any, said: str) -> None:
    """CDS Hooks 2.0 and FHIR R4 (id): said in words, never as the pattern or the type that did not match."""
    status, fields, text = refusal(client, "collar-order-select", changed(SELECT, path, value))
    assert (status, len(fields)) == (400, 1)
    assert said in text
    for puzzle in ("pattern", "tuple", "after validation", "item", "^["):
        assert puzzle not in text


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("prefetch.conditions", "none"),
        ("prefetch.conditions", []),
        ("prefetch.encounter", {"resourceType": "Patient", "id": "e1"}),
        ("prefetch.orders", {"resourceType": "ServiceRequest"}),
        ("prefetch.devices.entry", {}),
    ],
)
def test_a_malformed_value_that_is_not_needed_costs_only_itself(client: TestClient, path: str, value: Any) -> None:
    sent = changed(changed(SELECT, "prefetch.devices", {"resourceType": "Bundle"}), path, value)
    answer = client.post("/cds-services/collar-order-select", json=sent)
    assert answer.status_code == 200, answer.text
    assert [card["summary"] for card in answer.json()["cards"]] == [
        card["summary"] for card in client.post("/cds-services/collar-order-select", json=SELECT).json()["cards"]
    ]
    gathered = asyncio.run(gather(OrderSelectRequest.model_validate(sent), Content.load(Settings()).queries, None))
    key = ".".join(path.split(".")[:2])
    assert [note.kind for note in gathered.not_had if note.value == key] == ["incomplete"]


def test_a_selection_that_is_not_among_the_drafts_is_refused(client: TestClient) -> None:
    call = order_select(*MEASURED, selections=("ServiceRequest/nowhere",))
    status, _, text = refusal(client, "collar-order-select", call)
    assert status == 400
    assert "selections[0]" in text and "ServiceRequest/nowhere" in text


def test_a_token_without_a_server_is_refused_and_never_repeated(client: TestClient) -> None:
    status, _, text = refusal(client, "collar-order-select", {**SELECT, "fhirAuthorization": AUTHORIZATION})
    assert status == 400
    assert "fhirServer is required" in text
    assert "secret-token-0001" not in text


def test_a_call_that_is_written_out_does_not_show_its_token() -> None:
    sent = {**SELECT, "fhirServer": "https://ehr.example/fhir", "fhirAuthorization": AUTHORIZATION}
    call = OrderSelectRequest.model_validate(sent)
    written = f"{call} {call!r} {call.model_dump()} {call.model_dump_json()}"
    assert "https://ehr.example/fhir" in written and AUTHORIZATION["access_token"] not in written


def test_a_draft_of_another_patient_is_refused(client: TestClient) -> None:
    other = {**COLLAR_ORDER, "subject": {"reference": "https://ehr.example.org/Patient/p2"}}
    status, _, text = refusal(client, "collar-order-sign", order_sign(*MEASURED, drafts=(other,)))
    assert status == 400
    assert "draftOrders.entry[0].resource.subject" in text


@pytest.mark.parametrize(
    ("kind", "element"),
    [
        # Where an order of FHIR R4 says whose it is; order-select of CDS Hooks 2.0 names these types among others.
        ("NutritionOrder", "patient"),
        ("VisionPrescription", "patient"),
        ("Task", "for"),
        ("MedicationRequest", "subject"),
        ("DeviceRequest", "subject"),
    ],
)
@pytest.mark.parametrize("service", ["collar-order-select", "collar-order-sign"])
def test_a_draft_of_another_patient_is_refused_whatever_its_type(
    client: TestClient, service: str, kind: str, element: str
) -> None:
    call = order_select if service == "collar-order-select" else order_sign

    def sent(reference: str, **more: str) -> dict[str, Any]:
        draft = {
            "resourceType": kind,
            "id": "x",
            "status": "draft",
            "intent": "order",
            element: {"reference": reference},
        }
        return {**call(*MEASURED, drafts=(COLLAR_ORDER, draft)), **more}

    elsewhere = sent("https://other.example/fhir/Patient/p1", fhirServer="https://ehr.example/fhir")
    for refused in (sent("Patient/p2"), elsewhere):
        status, _, text = refusal(client, service, refused)
        assert status == 400
        assert f"draftOrders.entry[1].resource.{element} is not the patient of context.patientId" in text
    here = sent("https://ehr.example/fhir/Patient/p1", fhirServer="https://ehr.example/fhir")
    for own in (sent("Patient/p1"), here):
        assert client.post(f"/cds-services/{service}", json=own).status_code == 200


def test_a_discharge_needs_its_encounter(client: TestClient) -> None:
    status, fields, _ = refusal(client, "collar-discharge", changed(discharge(*MEASURED), "context.encounterId", ...))
    assert (status, fields) == (400, ["context.encounterId"])


@pytest.mark.parametrize("service", ["collar", "collar-order-select/", "COLLAR-ORDER-SELECT"])
def test_an_unknown_service_is_not_found(client: TestClient, service: str) -> None:
    assert client.post(f"/cds-services/{service}", json=SELECT, follow_redirects=False).status_code == 404
    assert client.post("/cds-services/collar", json=SELECT).json()["issue"][0]["code"] == "not-found"


@pytest.mark.parametrize("body", [b"", b"[]", b"null", b"7", b'"text"', b"{", b"\xff\xfe"])
def test_a_body_that_is_no_request_is_refused(client: TestClient, body: bytes) -> None:
    answer = client.post(
        "/cds-services/collar-order-select", content=body, headers={"Content-Type": "application/json"}
    )
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_what_the_standard_does_not_name_is_ignored(client: TestClient) -> None:
    plain = client.post("/cds-services/collar-order-select", json=SELECT)
    more = client.post(
        "/cds-services/collar-order-select", json={**SELECT, "extension": {"org.example.x": 1}, "new": []}
    )
    assert more.status_code == 200
    assert more.json() == plain.json()


# --- missing data: "If the CDS Service cannot obtain needed data, it SHOULD respond with 412" -----------------------------


@pytest.mark.parametrize("key", ["patient", "observations"])
@pytest.mark.parametrize("failed", [False, True])
def test_needed_data_that_cannot_be_had_is_412_with_the_key(client: TestClient, key: str, failed: bool) -> None:
    value: Any = {"resourceType": "OperationOutcome", "issue": []} if failed else ...
    status, fields, text = refusal(client, "collar-order-select", changed(SELECT, f"prefetch.{key}", value))
    assert (status, fields) == (412, [f"prefetch.{key}"])
    assert "{{context.patientId}}" in text


def test_a_call_without_prefetch_names_every_key_that_is_needed(client: TestClient) -> None:
    status, fields, _ = refusal(client, "collar-order-select", changed(SELECT, "prefetch", ...))
    assert (status, fields) == (412, ["prefetch.patient", "prefetch.observations"])


REPORT = {
    "resourceType": "DiagnosticReport",
    "id": "r1",
    "status": "final",
    "subject": {"reference": "Patient/p1"},
    "code": {"text": "CT of the neck"},
    "conclusion": "Unstable fracture of C5",
}
NEXT_PAGE = {"link": [{"relation": "next", "url": "https://ehr.example/fhir?page=2"}]}
FAILED_QUERY = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "timeout"}]}


@pytest.mark.parametrize(
    ("value", "named", "listed"),
    [
        # CDS Hooks 2.0, Prefetch: a client may prefetch more than was asked for.
        (bundle(REPORT), "Unstable fracture of C5", "read it yourself"),
        (REPORT, "Unstable fracture of C5", "read it yourself"),
        (bundle(bundle(REPORT)), "Unstable fracture of C5", "read it yourself"),
        (bundle(observation("airway-threat", True)), "irway", None),
        ({**bundle(), **NEXT_PAGE}, "not all could be read", "goes on in a page that was not sent"),
        (FAILED_QUERY, "not all could be read", "answered with an error"),
        ({"resourceType": "Bundle"}, "", None),
        ({"resourceType": "Bundle", "entry": "x"}, "Not used: 1 record", "Bundle.entry is not an array"),
        (bundle({**REPORT, "subject": {"reference": "Patient/p2"}}), "", None),
        (bundle(observation("airway-threat", True, subject={"reference": "Patient/p2"})), "", "belongs to Patient/p2"),
        (None, "", None),
        ("x", "Not used: 1 record", "this key was not asked for"),
        ([REPORT], "Not used: 1 record", "this key was not asked for"),
        ({"resourceType": 7}, "Not used: 1 record", "this key was not asked for"),
        ({}, "Not used: 1 record", "this key was not asked for"),
    ],
)
def test_what_stands_under_a_key_of_the_clients_own_is_read_or_listed(
    client: TestClient, value: Any, named: str, listed: str | None
) -> None:
    answer = answer_of(client, "collar-order-select", changed(SELECT, "prefetch.reports", value))
    said = " ".join(card["summary"] + card["detail"] for card in answer["cards"])
    assert named in said
    reasons = [one["reason"] for one in answer["extension"]["org.example.nuque.decision"].get("not_used", [])]
    assert reasons == [] if listed is None else any(listed in reason for reason in reasons)


def test_an_order_under_a_key_of_the_clients_own_stands(client: TestClient) -> None:
    standing = {**COLLAR_ORDER, "id": "standing", "status": "active"}
    answer = answer_of(client, "collar-order-select", changed(SELECT, "prefetch.allOrders", bundle(standing)))
    assert "A collar is ordered already" in answer["cards"][0]["detail"]


def test_a_key_that_holds_null_was_asked_and_nothing_was_found(client: TestClient) -> None:
    answer = client.post("/cds-services/collar-order-select", json=changed(SELECT, "prefetch.observations", None))
    assert answer.status_code == 200
    assert answer.json()["cards"]


def test_nothing_is_asked_for_where_the_call_does_not_concern_us(client: TestClient) -> None:
    call = order_select(drafts=(OTHER_ORDER,), prefetch={})
    assert client.post("/cds-services/collar-order-select", json=call).json() == {"cards": []}


def test_opening_a_chart_needs_data_too(client: TestClient) -> None:
    status, fields, _ = refusal(client, "collar-patient-view", patient_view(prefetch={}))
    assert (status, fields) == (412, ["prefetch.patient", "prefetch.observations"])


def test_what_is_not_needed_and_missing_is_on_the_card(client: TestClient) -> None:
    call = changed(SELECT, "prefetch.conditions", {"resourceType": "OperationOutcome"})
    assert_counted_and_listed(client, call, "prefetch.conditions: the conditions could not be had")


def test_pages_that_were_not_read_are_on_the_card(client: TestClient) -> None:
    link = [{"relation": "next", "url": "https://ehr.example.org/next"}]
    call = changed(SELECT, "prefetch.observations.link", link)
    assert_counted_and_listed(client, call, "prefetch.observations: further pages were not read")


def assert_counted_and_listed(client: TestClient, call: dict[str, Any], what: str) -> None:
    """``what`` was not had is counted on the card, and listed with the decision and in the full text."""
    asked = {**call, "extension": {FULL_TEXT: True}}
    answer = client.post("/cds-services/collar-order-select", json=asked).json()
    (card,), (not_had,) = answer["cards"], answer["extension"][DECISION]["not_used"]
    assert "Not used: 1 record" in card["detail"]
    assert what in card["extension"][FULL_TEXT]
    assert what in f"{not_had['value']}: {not_had['reason']}"
