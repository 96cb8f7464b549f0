"""``collar-order-sign``: contradictions between the order and the decision, and silence where there are none."""

import json
from typing import Any

import pytest
from fastapi.testclient import TestClient

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
    patient,
)

CHILD = patient("2021-01-05")


def sign(client: TestClient, call: dict[str, Any]) -> list[dict[str, Any]]:
    cards: list[dict[str, Any]] = answer_of(client, "collar-order-sign", call)["cards"]
    return cards


def accepted(client: TestClient, call: dict[str, Any]) -> tuple[dict[str, Any], ...]:
    """The drafts as they stand after the clinician accepted every suggestion of order-select."""
    answer = client.post("/cds-services/collar-order-select", json=call).json()
    drafts = {
        f"{d['resource']['resourceType']}/{d['resource']['id']}": d["resource"]
        for d in call["context"]["draftOrders"]["entry"]
    }
    for card in answer["cards"]:
        for suggestion in card.get("suggestions", ()):
            for number, action in enumerate(suggestion["actions"]):
                resource = action["resource"]
                identity = resource.get("id", f"created-{number}")
                drafts[f"{resource['resourceType']}/{identity}"] = {**resource, "id": identity}
    return tuple(drafts.values())


def sized(code: str, **more: Any) -> dict[str, Any]:
    system = "https://nuque.example.org/fhir/CodeSystem/size-classes"
    return {**COLLAR_ORDER, "orderDetail": [{"coding": [{"system": system, "code": code}]}], **more}


@pytest.fixture
def complete(client: TestClient) -> tuple[dict[str, Any], ...]:
    return accepted(client, order_select(*MEASURED))


def with_first(drafts: tuple[dict[str, Any], ...], **change: Any) -> tuple[dict[str, Any], ...]:
    return tuple({**draft, **change} if draft["id"] == "order-1" else draft for draft in drafts)


def test_other_orders_are_none_of_our_business(client: TestClient) -> None:
    assert client.post("/cds-services/collar-order-sign", json=order_sign(drafts=(OTHER_ORDER,))).json() == {
        "cards": []
    }


def test_what_order_select_suggested_is_signed_in_silence(client: TestClient, complete: tuple[Any, ...]) -> None:
    assert sign(client, order_sign(*MEASURED, drafts=complete)) == []


def test_another_size_is_a_warning_with_the_corrected_order_under_its_own_id(
    client: TestClient, complete: tuple[Any, ...]
) -> None:
    wrong = with_first(complete, orderDetail=sized("adult H5 G2")["orderDetail"], note=[{"text": "for the left side"}])
    (card,) = sign(client, order_sign(*MEASURED, drafts=wrong))
    assert card["indicator"] == "warning"
    assert "H5" in card["summary"] and "H3" in card["summary"]
    (action,) = card["suggestions"][0]["actions"]
    assert action["type"] == "update"
    assert action["resource"]["id"] == "order-1"
    assert action["resource"]["note"] == [{"text": "for the left side"}]
    assert [detail["coding"][0]["code"] for detail in action["resource"]["orderDetail"]] == ["adult H3 G2"]


def test_an_adult_item_for_a_child_is_critical_and_says_why(client: TestClient) -> None:
    call = changed(order_sign(*MEASURED, drafts=(sized("adult H3 G2"),)), "prefetch.patient", CHILD)
    card = sign(client, call)[0]
    assert card["indicator"] == "critical"
    assert card["summary"].startswith("Change the line to young child, to which the patient belongs")
    assert "Why this is critical" in card["detail"]


def test_a_size_for_a_patient_of_unknown_age_is_a_warning(client: TestClient) -> None:
    call = order_sign(*MEASURED, drafts=(sized("adult H3 G2"),))
    card = sign(client, changed(call, "prefetch.patient.birthDate", ...))[0]
    assert card["indicator"] in ("warning", "critical")
    assert "adult line" in card["summary"] and "age" in card["summary"]


def test_a_size_written_without_its_usual_back_is_a_size_for_sitting_up(
    client: TestClient, complete: tuple[Any, ...]
) -> None:
    """``adult H3 G2`` says by leaving it out which back is meant; a patient on bed rest needs the other."""
    upright = with_first(complete, orderDetail=sized("adult H3 G2")["orderDetail"])
    lying = (*MEASURED[:3], observation("bed-rest", True))
    heads = "\n".join(card["summary"] for card in sign(client, order_sign(*lying, drafts=upright)))
    assert "Change back standard to recumbent, as recorded." in heads
    written_out = with_first(complete, orderDetail=sized("adult H3 G2 recumbent")["orderDetail"])
    right = tuple(draft for draft in written_out if draft["resourceType"] != "DeviceRequest")
    details = "\n".join(card["summary"] + card["detail"] for card in sign(client, order_sign(*lying, drafts=right)))
    assert "Change back" not in details


def test_a_clinicians_size_is_not_contradicted_by_assumptions(client: TestClient, complete: tuple[Any, ...]) -> None:
    chosen = with_first(complete, orderDetail=sized("adult H5 G3")["orderDetail"])
    assert sign(client, order_sign(drafts=chosen)) == []


def test_a_reason_not_to_size_stops_the_signing_with_a_critical_card(client: TestClient) -> None:
    card = sign(client, order_sign(*MEASURED, observation("airway-threat", True)))[0]
    assert card["indicator"] == "critical"
    assert card["summary"].startswith("Do not size: ")
    assert "DeviceRequest" not in str(card.get("suggestions"))


def test_a_device_that_states_another_size_is_noticed(client: TestClient, complete: tuple[Any, ...]) -> None:
    wrong = []
    for draft in complete:
        if draft["resourceType"] == "DeviceRequest":
            parameter = json.loads(json.dumps(draft["parameter"]).replace("height-band.H3", "height-band.H5"))
            draft = {**draft, "parameter": parameter, "codeCodeableConcept": {"text": "rigid neck collar"}}
        wrong.append(draft)
    (card,) = sign(client, order_sign(*MEASURED, drafts=tuple(wrong)))
    (action,) = card["suggestions"][0]["actions"]
    assert action["resource"]["resourceType"] == "DeviceRequest"
    assert "height-band.H3" in str(action["resource"]["parameter"])


def test_an_order_without_a_second_person_is_a_warning_and_gets_one(
    client: TestClient, complete: tuple[Any, ...]
) -> None:
    alone = with_first(complete, extension=[{"url": "https://ehr.example.org/x", "valueString": "kept"}])
    (card,) = sign(client, order_sign(*MEASURED, drafts=alone))
    assert card["indicator"] == "warning"
    assert card["summary"].startswith("Name a second person in the order: fitting takes 2")
    (action,) = card["suggestions"][0]["actions"]
    values = {part["url"].rsplit("/", 1)[-1]: part for part in action["resource"]["extension"]}
    assert values["people-needed"]["valuePositiveInt"] == 2
    assert values["x"]["valueString"] == "kept"


def test_a_child_takes_one_person_more(client: TestClient, complete: tuple[Any, ...]) -> None:
    call = changed(order_sign(*MEASURED, drafts=complete), "prefetch.patient", CHILD)
    details = "\n".join(card["detail"] for card in sign(client, call))
    assert "Name 3 people, not 2, in the order: fitting takes 3" in details


def test_a_collar_without_skin_inspection_is_a_warning_with_the_care_to_add(
    client: TestClient, complete: tuple[Any, ...]
) -> None:
    no_plan = tuple(draft for draft in complete if draft["resourceType"] != "CarePlan")
    (card,) = sign(client, order_sign(*MEASURED, drafts=no_plan))
    assert card["summary"].startswith("Order the inspection of the skin")
    created = [a["resource"]["resourceType"] for a in card["suggestions"][0]["actions"] if a["type"] == "create"]
    assert created == ["CarePlan"]


def test_care_that_is_planned_in_the_record_counts(client: TestClient, complete: tuple[Any, ...]) -> None:
    no_plan = tuple(draft for draft in complete if draft["resourceType"] != "CarePlan")
    plans = [{**draft, "status": "active", "id": "plan-7"} for draft in complete if draft["resourceType"] == "CarePlan"]
    call = changed(order_sign(*MEASURED, drafts=no_plan), "prefetch.plans", bundle(*plans))
    assert sign(client, call) == []
    ended = [{**plan, "status": "revoked"} for plan in plans]
    assert len(sign(client, changed(call, "prefetch.plans", bundle(*ended)))) == 1


def test_a_reason_to_give_no_size_is_headed_by_its_sentence_and_said_in_full(client: TestClient) -> None:
    call = order_sign(
        *MEASURED,
        observation("head-position", "fixed-other", number=2, time="2026-01-31T09:00:00Z"),
        drafts=(sized("adult H3 G2"),),
    )
    card = sign(client, call)[0]
    assert card["summary"].startswith("Do not size: The head is fixed out of neutral")
    assert "no standard size fits" in card["detail"]


@pytest.mark.parametrize("said", [{"deceasedBoolean": True}, {"deceasedDateTime": "2026-01-31T07:00:00Z"}])
def test_nothing_is_signed_in_silence_for_a_patient_who_has_died(
    client: TestClient, complete: tuple[dict[str, Any], ...], said: dict[str, Any]
) -> None:
    """Patient.deceased[x] of FHIR R4: most likely the order is for somebody else."""
    for drafts in (complete, (COLLAR_ORDER,)):
        call = order_sign(*MEASURED, drafts=drafts)
        (card,) = sign(client, changed(call, "prefetch.patient", {**patient(), **said}))
        assert (card["indicator"], "suggestions" in card) == ("critical", False)
        assert card["summary"].startswith("The record says that this patient has died")
    assert sign(client, order_sign(*MEASURED, drafts=complete)) == []


@pytest.mark.parametrize("given", [..., "a/../b <x>", "order_1"])
@pytest.mark.parametrize("planned", [False, True])
def test_a_wrong_order_without_a_usable_id_gets_no_second_order_beside_it(
    client: TestClient, complete: tuple[dict[str, Any], ...], given: Any, planned: bool
) -> None:
    """CDS Hooks 2.0, Action: an update carries the resource with its id. FHIR R4: Resource.id may be absent in a Bundle."""
    wrong = {**sized("adult H5 G2"), "id": given}
    if given is ...:
        del wrong["id"]
    care = [draft for draft in complete if draft["resourceType"] == "CarePlan" and planned]
    call = order_sign(*MEASURED, drafts=(wrong, *care))
    cards = sign(client, call)
    (card,) = cards
    assert "Change height H5 to H3, as measured." in card["summary"] + card["detail"]
    why = "it has no id" if given is ... else "its id is not a FHIR id"
    assert (
        f"This order cannot be changed from here: {why}. By hand, change it to: adult H3 G2, 2 people" in card["detail"]
    )
    actions = [action for suggestion in card.get("suggestions", ()) for action in suggestion["actions"]]
    assert {suggestion["label"] for suggestion in card.get("suggestions", ())} == (
        set() if planned else {"Add the care"}
    )
    assert "DeviceRequest" not in {action["resource"]["resourceType"] for action in actions}
    assert "fit-rigid-neck-collar" not in json.dumps(actions) and "adult H3 G2" not in json.dumps(actions)
    assert "a/../b" not in json.dumps(cards)


IN_WORDS = [{"text": "adult H5 G2"}]


@pytest.mark.parametrize(
    "order",
    [
        {"orderDetail": IN_WORDS},
        {"orderDetail": [{"text": "H5, tried on by orthotist"}]},
        {"orderDetail": [{"coding": [{"display": "Collar adult H5 G2"}]}]},
    ],
)
def test_a_size_in_words_is_checked_as_a_coded_one(
    client: TestClient, complete: tuple[Any, ...], order: dict[str, Any]
) -> None:
    """FHIR R4, CodeableConcept.text: what the user chose or wrote. An accepted order never holds both sizes."""
    (card,) = sign(client, order_sign(*MEASURED, drafts=with_first(complete, **order)))
    assert card["summary"] == "Change height H5 to H3, as measured."
    (action,) = card["suggestions"][0]["actions"]
    assert "H5" not in json.dumps(action["resource"]) and "adult H3 G2" in json.dumps(action["resource"]["orderDetail"])
    assert "H5" in action["description"] and action["description"].endswith(" becomes adult H3 G2")


@pytest.mark.parametrize(
    ("more", "named"),
    [
        (
            {"modifierExtension": [{"url": "http://x.example/if-cleared"}]},
            "modifierExtension http://x.example/if-cleared",
        ),
        ({"implicitRules": "http://x.example/r"}, "implicitRules http://x.example/r"),
    ],
)
def test_an_unknown_modifier_is_said_and_the_order_not_corrected(
    client: TestClient, complete: tuple[Any, ...], more: dict[str, Any], named: str
) -> None:
    """FHIR R4, Extensibility: an application must not process what carries a modifier extension that it does not know."""
    (card,) = sign(client, order_sign(*MEASURED, drafts=with_first(complete, **more)))
    assert (card["indicator"], "suggestions" in card) == ("warning", False)
    assert card["summary"] == "The order carries a modifier that is not known here: check it by hand."
    assert named.replace("://", ":// ") in card["detail"] and "By hand, change it to" not in card["detail"]
    wrong = with_first(complete, orderDetail=sized("adult H5 G2")["orderDetail"], **more)
    (card,) = sign(client, order_sign(*MEASURED, drafts=wrong))
    assert "Change height H5 to H3, as measured." in card["detail"] and "suggestions" not in card
    assert "By hand, change it to: adult H3 G2" in card["detail"]


def test_a_size_in_the_name_of_an_order_is_left_and_said(client: TestClient, complete: tuple[Any, ...]) -> None:
    named = {**COLLAR_ORDER["code"], "text": "Rigid neck collar H5"}
    (card,) = sign(client, order_sign(*MEASURED, drafts=with_first(complete, code=named)))
    assert card["summary"] == "Change height H5 to H3, as measured."
    assert "cannot be changed from here: its name states the size. By hand, change it to: adult H3 G2" in card["detail"]
    assert "suggestions" not in card


def test_a_correction_of_the_people_leaves_a_size_that_nothing_measured_contradicts(
    client: TestClient, complete: tuple[Any, ...]
) -> None:
    url = "https://nuque.example.org/fhir/StructureDefinition/people-needed"
    one = [{"url": url, "valuePositiveInt": 1}]
    chosen = with_first(complete, orderDetail=sized("adult H5 G3")["orderDetail"], extension=one)
    (card,) = sign(client, order_sign(drafts=chosen))
    (action,) = card["suggestions"][0]["actions"]
    assert action["resource"]["orderDetail"] == sized("adult H5 G3")["orderDetail"]
    assert action["resource"]["extension"] == [{"url": url, "valuePositiveInt": 2}]
    assert action["description"] == "Change the order: Rigid neck collar; people for the fitting: 1 becomes 2"


@pytest.mark.parametrize(("size", "told"), [("adult H3 G2", []), ("adult H5 G2", ["critical", "warning"])])
def test_a_card_at_signing_leaves_out_no_critical_caution(client: TestClient, size: str, told: list[str]) -> None:
    """One that does not lead is no reason to speak, and is said as soon as something else is."""
    known = (*MEASURED, observation("raised-intracranial-pressure-risk", True))
    drafts = with_first(accepted(client, order_select(*known)), orderDetail=sized(size)["orderDetail"])
    found = sign(client, order_sign(*known, drafts=drafts))
    assert [card["indicator"] for card in found] == told
    assert not told or "nothing tight" in found[0]["summary"]


def test_where_no_size_is_right_nothing_else_is_said_of_the_size(client: TestClient) -> None:
    ordered = sized("adult H3 G2")
    (card,) = sign(client, order_sign(*MEASURED, observation("airway-threat", True), drafts=(ordered,)))
    assert card["summary"].startswith("Do not size: ")
    assert "nothing recorded says that it applies" not in card["detail"]
