"""``collar-order-select``."""

import json
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.defaults import DEFAULT_BASE
from cds.protocol.request import FULL_TEXT, WHOLE_DECISION
from rules.deciding.decider import Decider
from rules.model.decision import RulesetIdentity
from tests.cds.conftest import AT
from tests.cds.hook_calls import (
    COLLAR_ORDER,
    MEASURED,
    OTHER_ORDER,
    answer_of,
    bundle,
    changed,
    observation,
    order_select,
    order_sign,
    recorded,
)
from tests.cds.hooks.cds_hooks_standard import check_response
from tests.shipped_content import RULESET

DEVICE_ORDER = {
    "resourceType": "DeviceRequest",
    "id": "device-1",
    "status": "draft",
    "intent": "order",
    "subject": {"reference": "Patient/p1"},
    "codeCodeableConcept": {
        "coding": [{"system": "http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets", "code": "L0172"}]
    },
    "note": [{"text": "written by the clinician"}],
}


def select(client: TestClient, call: dict[str, Any]) -> dict[str, Any]:
    return answer_of(client, "collar-order-select", call)


def actions(response: dict[str, Any]) -> list[dict[str, Any]]:
    return [action for card in response["cards"] for s in card.get("suggestions", ()) for action in s["actions"]]


def test_of_the_offers_of_one_card_at_most_one_is_taken(client: TestClient) -> None:
    """CDS Hooks 2.0, "Card attributes": both offers order the same collar, so accepting both would order it twice."""
    cards = [card for card in select(client, order_select(*MEASURED))["cards"] if "suggestions" in card]
    assert cards
    for card in cards:
        assert card["selectionBehavior"] == "at-most-one"


def test_another_order_gets_an_empty_answer(client: TestClient) -> None:
    assert select(client, order_select(*MEASURED, drafts=(OTHER_ORDER,))) == {"cards": []}


def test_a_draft_that_may_be_for_a_collar_is_named_to_the_integrator(client: TestClient) -> None:
    soft = {**OTHER_ORDER, "code": {"coding": [{"display": "Cervical collar, soft"}]}}
    assert select(client, order_select(*MEASURED, drafts=(soft,))) == {
        "cards": [],
        "extension": {"org.example.nuque.look-alikes": ["ServiceRequest/order-2: Cervical collar, soft"]},
    }


@pytest.mark.parametrize(("held", "cards"), [(COLLAR_ORDER, True), (OTHER_ORDER, False)], ids=["a collar", "another"])
def test_with_an_order_set_the_drafts_that_its_actions_name_are_selected(
    client: TestClient, held: dict[str, Any], cards: bool
) -> None:
    """FHIR R4, RequestGroup.action.resource: "The target of the action (e.g. a specific order)"; actions hold actions."""
    named = {"resource": {"reference": f"{held['resourceType']}/{held['id']}"}}
    order_set = {
        "resourceType": "RequestGroup",
        "id": "set-1",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": "Patient/p1"},
        "action": [
            {"title": "Care after an injury", "action": [{"resource": {"reference": "Device/elsewhere"}}, named]}
        ],
    }
    call = order_select(*MEASURED, drafts=(COLLAR_ORDER, OTHER_ORDER, order_set), selections=("RequestGroup/set-1",))
    said = select(client, call)
    assert bool(said["cards"]) is cards
    if cards:
        alone = order_select(*MEASURED, drafts=(COLLAR_ORDER, OTHER_ORDER), selections=("ServiceRequest/order-1",))
        assert len(actions(said)) == len(actions(select(client, alone))) > 0


def test_an_order_is_known_by_a_display_alone(client: TestClient) -> None:
    named = {**OTHER_ORDER, "code": {"coding": [{"display": "Collar, cervical, rigid"}]}}
    assert select(client, order_select(*MEASURED, drafts=(named,)))["cards"][0]["suggestions"]


def test_only_what_is_selected_counts(client: TestClient) -> None:
    call = order_select(*MEASURED, drafts=(COLLAR_ORDER, OTHER_ORDER), selections=("ServiceRequest/order-2",))
    assert select(client, call) == {"cards": []}


def test_a_measured_patient_gets_the_size_of_the_rules(client: TestClient) -> None:
    response = select(client, order_select(*MEASURED))
    (card,) = [card for card in response["cards"] if card["source"]["topic"]["code"] == "size"]
    assert card["indicator"] == "info"
    assert card["summary"].startswith("Neck collar adult H3 G2: height and circumference measured")
    decision = response["extension"]["org.example.nuque.decision"]
    assert decision["size_class"]["code"] == "adult H3 G2"
    assert RulesetIdentity(**decision["ruleset"]).hash == RULESET.hash
    assert set(card["extension"]["org.example.nuque.rules"]) <= set(RULESET.rules)


def test_the_decision_is_the_one_that_plain_facts_give(client: TestClient) -> None:
    asked = order_select(*MEASURED, extension={WHOLE_DECISION: True})
    sent = select(client, asked)["extension"]["org.example.nuque.decision"]
    facts = {fact["name"]: fact["value"] for fact in sent["facts"]}
    plain = Decider(RULESET).decide(facts, AT).as_json()
    for part in ("size_class", "candidates", "confidence", "measure_next", "cautions", "tasks"):
        assert sent.get(part) == plain.get(part)


def test_the_selected_order_is_updated_and_the_rest_is_created(client: TestClient) -> None:
    done = actions(select(client, order_select(*MEASURED)))
    (update,) = [action for action in done if action["type"] == "update"]
    assert update["resource"]["id"] == "order-1"
    assert update["resource"]["code"] == COLLAR_ORDER["code"]
    assert update["resource"]["orderDetail"][0]["coding"][0]["code"] == "adult H3 G2"
    created = [action["resource"] for action in done if action["type"] == "create"]
    assert "DeviceRequest" in {resource["resourceType"] for resource in created}
    assert all((resource["status"], resource["intent"]) == ("draft", "proposal") for resource in created)
    fitting = [
        r for r in created if r["resourceType"] == "ServiceRequest" and "fit-rigid-neck-collar" in str(r["code"])
    ]
    assert fitting == []


def test_a_selected_device_keeps_what_the_clinician_wrote(client: TestClient) -> None:
    done = actions(select(client, order_select(*MEASURED, drafts=(DEVICE_ORDER,))))
    (update,) = [action["resource"] for action in done if action["type"] == "update"]
    assert {key: update[key] for key in DEVICE_ORDER} == DEVICE_ORDER
    assert len(update["parameter"]) == len(RULESET.axes)
    assert "DeviceRequest" not in {a["resource"]["resourceType"] for a in done if a["type"] == "create"}


def test_what_is_among_the_drafts_already_is_not_created_again(client: TestClient) -> None:
    first = actions(select(client, order_select(*MEASURED[:1])))
    measure = next(action["resource"] for action in first if "measure-neck" in str(action["resource"].get("code", "")))
    call = order_select(
        *MEASURED[:1], drafts=(COLLAR_ORDER, {**measure, "id": "order-9"}), selections=("ServiceRequest/order-1",)
    )
    again = actions(select(client, call))
    assert "measure-neck" not in str([action["resource"].get("code") for action in again])


def test_an_unmeasured_patient_is_asked_for_what_tells_most(client: TestClient) -> None:
    response = select(client, order_select(extension={WHOLE_DECISION: True, FULL_TEXT: True}))
    decision = response["extension"]["org.example.nuque.decision"]
    card = response["cards"][-1]
    assert decision["ask"][0]["ask"] in card["detail"]
    assert decision["measure_next"][0]["label"] in card["extension"][FULL_TEXT]
    assert card["summary"].endswith("height, circumference, head position and bed rest not recorded")


SMALL_BODY = observation("height", 1200)


def test_of_an_unknown_age_the_size_is_for_an_adult_only_and_the_age_is_asked_first(client: TestClient) -> None:
    response = select(client, changed(order_select(*MEASURED), "prefetch.patient.birthDate", ...))
    assert any("if adult" in card["summary"] for card in response["cards"])
    assert any("Ask the age first" in card["summary"] for card in response["cards"])
    assert response["extension"]["org.example.nuque.decision"]["measure_next"][0]["fact"] == "age_years"


def test_a_body_that_may_be_a_childs_gets_no_size_and_no_device(client: TestClient) -> None:
    call = changed(order_select(*MEASURED, SMALL_BODY), "prefetch.patient.birthDate", ...)
    response = select(client, call)
    assert "size_class" not in response["extension"]["org.example.nuque.decision"]
    assert "DeviceRequest" not in {action["resource"]["resourceType"] for action in actions(response)}
    assert any(card["summary"].startswith("No size yet") for card in response["cards"])


def test_an_airway_threat_comes_first_and_says_why_it_is_critical(client: TestClient) -> None:
    response = select(client, order_select(*MEASURED, observation("airway-threat", True)))
    card = response["cards"][0]
    assert card["indicator"] == "critical"
    assert "Why this is critical" in card["detail"]
    assert {action["type"] for action in actions(response)} == {"create"}


def test_one_malformed_observation_costs_no_card_and_is_counted_and_listed(client: TestClient) -> None:
    bad = {**observation("neck-circumference", 380, number=2), "valueQuantity": {"value": 380}}
    response = select(client, order_select(*MEASURED, bad, extension={FULL_TEXT: True}))
    (card,) = response["cards"]
    assert "adult H3 G2" in card["summary"]
    assert "Not used: 1 record" in card["detail"]
    assert "Observation/neck-circumference-2" in card["extension"][FULL_TEXT]


def test_the_same_call_gets_the_same_answer_and_the_same_ids(client: TestClient) -> None:
    assert select(client, order_select(*MEASURED)) == select(client, order_select(*MEASURED))


def test_every_card_that_can_be_overridden_offers_our_reasons(client: TestClient) -> None:
    response = select(client, order_select(*MEASURED))
    system = "https://nuque.example.org/fhir/CodeSystem/override-reasons"
    assert response["cards"]
    for card in response["cards"]:
        assert {reason["system"] for reason in card["overrideReasons"]} == {system}


NECK: dict[str, Any] = observation("neck-height", 62, number=9)
MALFORMED = (
    None,
    7,
    {},
    {"resourceType": "Observation"},
    {**NECK, "subject": 3},
    {**NECK, "status": None},
    {**NECK, "code": None},
    {**NECK, "code": {"coding": "neck-height"}},
    {**NECK, "code": {"coding": [{"system": 1, "code": []}]}},
    {**NECK, "component": [3], "valueQuantity": ...},
    {**NECK, "effectiveDateTime": "2026-02-30"},
    {**NECK, "effectiveDateTime": 7},
    {**NECK, "valueQuantity": None},
    {**NECK, "valueQuantity": {"value": "62", "unit": "mm"}},
    {**NECK, "valueQuantity": {"value": 62}},
    {**NECK, "valueQuantity": {"value": 1e300, "code": "mm", "system": "http://unitsofmeasure.org"}},
    {**NECK, "valueString": "high"},
)


@pytest.mark.parametrize("broken", MALFORMED, ids=str)
def test_no_malformed_observation_costs_the_card_and_each_is_listed(client: TestClient, broken: Any) -> None:
    if isinstance(broken, dict):
        broken = {key: value for key, value in broken.items() if value is not ...}
    decision = select(client, order_select(*MEASURED, broken))["extension"]["org.example.nuque.decision"]
    assert decision["size_class"]["code"] == "adult H3 G2"
    (listed,) = decision["not_used"]
    assert listed["reason"]


def test_a_prefetch_of_5000_full_sized_resources_is_answered(client: TestClient) -> None:
    """Each of about 2 kB, as records with identifiers, performers and notes are."""
    note = [{"text": "x" * 1500}]
    others = [observation("neck-height", 61, number=i, time="2026-01-30T08:00:00Z", note=note) for i in range(2, 4998)]
    call = order_select(*MEASURED, *others)
    assert len(json.dumps(call)) > 9_000_000
    assert select(client, call)["extension"]["org.example.nuque.decision"]["size_class"]["code"] == "adult H3 G2"


WITHHELD: dict[str, dict[str, Any]] = {
    "halo": {"halo_in_place": True},
    "distraction": {"suspected_distraction_injury": True},
    "airway": {"airway_threat": True},
    "fixed aside": {"head_position": "fixed_other"},
    "fixed in flexion without room": {"head_position": "fixed_flexion", "neck_height_mm": 12},
    "age unknown, small body": {"height_cm": 120},
}


@pytest.mark.parametrize("why", WITHHELD)
@pytest.mark.parametrize("hook", ["select", "sign"])
def test_where_no_size_is_given_none_stands_anywhere_and_nobody_is_told_to_fit(
    client: TestClient, why: str, hook: str
) -> None:
    facts = {"neck_height_mm": 66, "neck_circumference_mm": 380, **WITHHELD[why]}
    make = order_select if hook == "select" else order_sign
    call = make(*recorded(RULESET, facts), extension={FULL_TEXT: True})
    if why.startswith("age unknown"):
        call = changed(call, "prefetch.patient.birthDate", ...)
    answer = client.post(f"/cds-services/collar-order-{hook}", json=call)
    assert answer.status_code == 200, answer.text
    response = answer.json()
    check_response(response)
    assert response["cards"]
    shown = json.dumps(response["cards"])
    assert "adult" not in shown.replace("a child's or an adult's range", "").replace("never taken for an adult", "")
    assert not any(
        f'"{band}' in shown or f" {band}" in shown for band in ("H1", "H2", "H3", "H4", "H5", "G1", "G2", "G3")
    )
    made = [action["resource"] for action in actions(response)]
    assert all(resource["resourceType"] != "DeviceRequest" for resource in made)
    assert "fit-rigid-neck-collar" not in json.dumps(made)
    if why.startswith("age unknown"):
        assert hook == "sign" or "wait with the collar" in shown
    else:
        assert response["cards"][0]["summary"].startswith("Do not size: ")
        assert "Put the collar on" not in shown


def test_the_answers_of_a_fit_check_are_read(client: TestClient) -> None:
    answers = {
        "resourceType": "QuestionnaireResponse",
        "id": "fit-1",
        "status": "completed",
        "subject": {"reference": "Patient/p1"},
        "questionnaire": "https://nuque.example.org/fhir/Questionnaire/fit-check",
        "authored": "2026-01-31T09:30:00Z",
        "item": [
            {
                "linkId": "findings",
                "item": [{"linkId": "breathing-or-swallowing-trouble", "answer": [{"valueBoolean": True}]}],
            }
        ],
    }
    call = order_select(*MEASURED, observation("collar-in-place", True))
    quiet, told = (select(client, asked) for asked in (call, changed(call, "prefetch.fitChecks", bundle(answers))))
    assert [any("hold the head by hand" in card["detail"] for card in r["cards"]) for r in (quiet, told)] == [
        False,
        True,
    ]


STANDS = {
    **COLLAR_ORDER,
    "id": "order-9",
    "status": "active",
    "authoredOn": "2026-01-31T08:00:00Z",
    "requester": {"display": "Dr Example"},
}


@pytest.mark.parametrize("status", ["active", "on-hold"])
def test_a_collar_that_is_ordered_already_is_said_before_the_size(client: TestClient, status: str) -> None:
    """Request status of FHIR R4: on-hold is suspended, and expected to go on."""
    call = changed(order_select(*MEASURED), "prefetch.orders", bundle({**STANDS, "status": status}))
    (main, *_) = select(client, call)["cards"]
    first = main["detail"].splitlines()[0].replace("\\", "")
    assert first == "**A collar is ordered already by Dr Example on 2026-01-31: is another one meant?**"
    assert not any(offer.get("isRecommended") for offer in main.get("suggestions", ()))
    yesterday = {**STANDS, "status": status, "authoredOn": "2026-01-30T08:00:00Z"}
    (main, *_) = select(client, changed(order_select(*MEASURED), "prefetch.orders", bundle(yesterday)))["cards"]
    assert "read it yourself" not in main["detail"]
    # The draft itself, saved by the EHR, is no other order.
    saved = changed(order_select(*MEASURED), "prefetch.orders", bundle(COLLAR_ORDER))
    (main, *_) = select(client, saved)["cards"]
    assert "is another one meant" not in main["detail"]
    over = changed(order_select(*MEASURED), "prefetch.orders", bundle({**STANDS, "status": "completed"}))
    assert "ordered already" not in select(client, over)["cards"][0]["detail"]


def test_an_order_that_names_the_device_is_one(client: TestClient) -> None:
    """DeviceRequest.code[x] may be a Reference(Device)."""
    named = {
        "resourceType": "DeviceRequest",
        "id": "device-1",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": "Patient/p1"},
        "codeReference": {"reference": "Device/d1", "display": "Rigid neck collar"},
    }
    (main, *_) = select(client, order_select(*MEASURED, drafts=(named,)))["cards"]
    assert main["summary"].startswith("Neck collar adult ")
    walker = {**named, "codeReference": {"reference": "Device/d1", "display": "Walker"}}
    assert select(client, order_select(*MEASURED, drafts=(walker,)))["cards"] == []


SIZE_CLASSES = f"{DEFAULT_BASE}/CodeSystem/size-classes"
TRIED = {"coding": [{"system": SIZE_CLASSES, "code": "adult H5 G2"}], "text": "H5, tried on by orthotist, fits"}


@pytest.mark.parametrize(
    ("order", "said"),
    [
        ({"orderDetail": [TRIED]}, "H5, tried on by orthotist, fits becomes adult H3 G2"),
        ({"orderDetail": [{"text": "adult H5 G2"}]}, "adult H5 G2 becomes adult H3 G2"),
    ],
)
def test_what_the_clinician_wrote_is_not_changed_in_silence(
    client: TestClient, order: dict[str, Any], said: str
) -> None:
    """CDS Hooks 2.0, Action.description; the card says it too, before the size."""
    card = answer_of(client, "collar-order-select", order_select(*MEASURED, drafts=({**COLLAR_ORDER, **order},)))[
        "cards"
    ][0]
    assert f"Accepting changes: {said}." in card["detail"]
    (update,) = [each for each in card["suggestions"][0]["actions"] if each["type"] == "update"]
    assert update["description"] == f"Change the order: Rigid neck collar; {said}"
    assert "H5" not in json.dumps(update["resource"])


def test_a_size_that_nothing_measured_contradicts_stays_and_no_other_collar_is_ordered(client: TestClient) -> None:
    draft = {**COLLAR_ORDER, "orderDetail": [TRIED]}
    card = answer_of(client, "collar-order-select", order_select(drafts=(draft,)))["cards"][0]
    assert "The order states another size, and nothing recorded speaks against it: it stays.**" in card["detail"]
    (suggestion,) = [each for each in card["suggestions"] if each["label"].startswith("Order the care")]
    resources = [action["resource"] for action in suggestion["actions"]]
    assert "DeviceRequest" not in {each["resourceType"] for each in resources}
    assert [each["orderDetail"] for each in resources if each.get("id") == "order-1"] == [[TRIED]]


def test_a_size_in_the_name_of_the_order_is_to_be_changed_by_hand(client: TestClient) -> None:
    draft = {**COLLAR_ORDER, "code": {**COLLAR_ORDER["code"], "text": "Rigid neck collar, adult H5 G2"}}
    card = answer_of(client, "collar-order-select", order_select(*MEASURED, drafts=(draft,)))["cards"][0]
    assert "its name states the size. By hand, change it to: adult H3 G2, 2 people for the fitting." in card["detail"]
    actions = [action for suggestion in card["suggestions"] for action in suggestion["actions"]]
    assert {action["type"] for action in actions} == {"create"} and "adult H3 G2" not in json.dumps(actions)


def test_a_draft_with_an_unknown_modifier_is_not_changed_and_the_card_says_so(client: TestClient) -> None:
    """FHIR R4, Extensibility: modifier extensions."""
    draft = {**COLLAR_ORDER, "modifierExtension": [{"url": "http://x.example/if-cleared", "valueBoolean": True}]}
    card = answer_of(client, "collar-order-select", order_select(*MEASURED, drafts=(draft,)))["cards"][0]
    assert "cannot be changed from here: it carries modifierExtension" in card["detail"]
    actions = [action for suggestion in card["suggestions"] for action in suggestion["actions"]]
    assert {action["type"] for action in actions} == {"create"}
    assert "DeviceRequest" not in {action["resource"]["resourceType"] for action in actions}
