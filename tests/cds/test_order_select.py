"""``collar-order-select``."""

from typing import Any

from fastapi.testclient import TestClient

from rules.decide import Decider
from rules.decision import RulesetIdentity
from rules.loading import load_ruleset
from tests.cds.cds_hooks_standard import check_response
from tests.cds.conftest import AT
from tests.cds.hook_calls import COLLAR_ORDER, MEASURED, OTHER_ORDER, changed, observation, order_select

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
    answer = client.post("/cds-services/collar-order-select", json=call)
    assert answer.status_code == 200, answer.text
    response = answer.json()
    check_response(response)
    assert isinstance(response, dict)
    return response


def actions(response: dict[str, Any]) -> list[dict[str, Any]]:
    return [action for card in response["cards"] for s in card.get("suggestions", ()) for action in s["actions"]]


def test_another_order_gets_an_empty_answer(client: TestClient) -> None:
    assert select(client, order_select(*MEASURED, drafts=(OTHER_ORDER,))) == {"cards": []}


def test_only_what_is_selected_counts(client: TestClient) -> None:
    call = order_select(*MEASURED, drafts=(COLLAR_ORDER, OTHER_ORDER), selections=("ServiceRequest/order-2",))
    assert select(client, call) == {"cards": []}


def test_a_measured_patient_gets_the_size_of_the_rules(client: TestClient) -> None:
    response = select(client, order_select(*MEASURED))
    (card,) = [card for card in response["cards"] if card["source"]["topic"]["code"] == "size"]
    assert card["indicator"] == "info"
    assert card["summary"].startswith("Neck collar adult H3 G2 (measured): ")
    decision = response["extension"]["org.example.nuque.decision"]
    assert decision["size_class"]["code"] == "adult H3 G2"
    ruleset = load_ruleset()
    assert RulesetIdentity(**decision["ruleset"]).hash == ruleset.hash
    assert set(card["extension"]["org.example.nuque.rules"]) <= set(ruleset.rules)


def test_the_decision_is_the_one_that_plain_facts_give(client: TestClient) -> None:
    sent = select(client, order_select(*MEASURED))["extension"]["org.example.nuque.decision"]
    facts = {fact["name"]: fact["value"] for fact in sent["facts"]}
    plain = Decider(load_ruleset()).decide(facts, AT).as_json()
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
    assert len(update["parameter"]) == len(load_ruleset().axes)
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
    response = select(client, order_select())
    decision = response["extension"]["org.example.nuque.decision"]
    detail = response["cards"][-1]["detail"]
    assert decision["measure_next"][0]["label"] in detail
    assert "rests on assumptions" in detail


def test_an_unknown_age_gives_no_size_and_no_device(client: TestClient) -> None:
    call = changed(order_select(*MEASURED), "prefetch.patient.birthDate", ...)
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


def test_one_malformed_observation_costs_no_card_and_is_listed(client: TestClient) -> None:
    bad = {**observation("neck-circumference", 380, number=2), "valueQuantity": {"value": 380}}
    response = select(client, order_select(*MEASURED, bad))
    whole = "\n".join(card["detail"] for card in response["cards"])
    assert "adult H3 G2" in whole
    assert "Observation/neck-circumference-2" in whole


def test_the_same_call_gets_the_same_answer_and_the_same_ids(client: TestClient) -> None:
    assert select(client, order_select(*MEASURED)) == select(client, order_select(*MEASURED))


def test_every_card_that_can_be_overridden_offers_our_reasons(client: TestClient) -> None:
    response = select(client, order_select(*MEASURED))
    system = "https://nuque.example.org/fhir/CodeSystem/override-reasons"
    for card in response["cards"]:
        assert {reason["system"] for reason in card["overrideReasons"]} == {system}
