"""An order of a collar on record in another size than that of now: both order hooks say so, and change nothing of it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.defaults import DEFAULT_BASE
from tests.cds.hook_calls import (
    COLLAR_ORDER,
    MEASURED,
    answer_of,
    bundle,
    observation,
    order_select,
    order_sign,
    patient,
)

Json = dict[str, Any]

CODES = f"{DEFAULT_BASE}/CodeSystem"
PEOPLE = [{"url": f"{DEFAULT_BASE}/StructureDefinition/people-needed", "valuePositiveInt": 2}]
SERVICES = {"order-select": "collar-order-select", "order-sign": "collar-order-sign"}
KEYS = {"ServiceRequest": "orders", "DeviceRequest": "deviceOrders"}


def size(code: str) -> Json:
    return {"coding": [{"system": f"{CODES}/size-classes", "code": code}]}


def fitting(given: str, code: str | None, **more: Any) -> Json:
    detail = {} if code is None else {"orderDetail": [size(code)], "extension": PEOPLE}
    return {**COLLAR_ORDER, "id": given, **detail, **more}


def device(given: str, code: str | None, **more: Any) -> Json:
    named: Json = (
        {"text": "Rigid neck collar"} if code is None else {**size(code), "text": f"Rigid neck collar, {code}"}
    )
    kept = {key: COLLAR_ORDER[key] for key in ("status", "intent", "subject")}
    return {"resourceType": "DeviceRequest", "id": given, **kept, "codeCodeableConcept": named, **more}


def by_parameter(given: str, **more: Any) -> Json:
    part = {
        "code": {"coding": [{"system": f"{CODES}/size-axes", "code": "height-band"}]},
        "valueCodeableConcept": {"coding": [{"system": f"{CODES}/size-axis-values", "code": "height-band.H5"}]},
    }
    return device(given, None, parameter=[part], **more)


MAKE = {"order-select": order_select, "order-sign": order_sign}


def asked(hook: str, drafts: tuple[Json, ...], *record: Json, seen: tuple[Json, ...] = MEASURED, **more: Any) -> Json:
    sent = MAKE[hook](*seen, drafts=drafts, **more)
    for kind, key in KEYS.items():
        found = [each for each in record if each["resourceType"] == kind]
        sent["prefetch"][key] = bundle(*found) if found else None
    return sent


def said(answer: Json) -> str:
    return json.dumps([{key: card.get(key) for key in ("summary", "detail")} for card in answer["cards"]])


@pytest.mark.parametrize("hook", SERVICES)
@pytest.mark.parametrize("status", ["active", "draft", "on-hold"])
@pytest.mark.parametrize(
    ("draft", "record", "words"),
    [
        (fitting("new", "adult H3 G2"), device("old", "adult H5 G3"), "The device {} already is adult H5 G3"),
        (fitting("new", None), device("old", "adult H5 G3"), "The device {} already is adult H5 G3"),
        (device("new", None), fitting("old", "adult H5 G3"), "The fitting {} already is adult H5 G3"),
        (device("new", "adult H3 G2"), fitting("old", "adult H5 G3"), "The fitting {} already is adult H5 G3"),
        (fitting("new", "adult H3 G2"), fitting("old", "adult H5 G2"), "The fitting {} already is adult H5 G2"),
        (device("new", "adult H3 G2"), device("old", "adult H5 G2"), "The device {} already is adult H5 G2"),
        (fitting("new", "adult H3 G2"), by_parameter("old"), "The device {} already is H5"),
        (
            fitting("new", "adult H3 G2"),
            fitting("old", None, orderDetail=[{"text": "adult H5 G2, tried on"}]),
            "The fitting {} already is adult H5 G2",
        ),
    ],
)
def test_an_order_on_record_of_another_size_is_said_and_left_as_it_is(
    client: TestClient, hook: str, status: str, draft: Json, record: Json, words: str
) -> None:
    answer = answer_of(client, SERVICES[hook], asked(hook, (draft,), {**record, "status": status}))
    how = "drafted" if status == "draft" else "ordered"
    sentence = f"{words.format(how)}, the size now is adult H3 G2: decide which of the two orders is changed."
    assert answer["cards"][0]["indicator"] == "warning" and said(answer).count(sentence) >= 1
    assert hook == "order-sign" or answer["cards"][0]["summary"] == sentence
    offers = [offer for card in answer["cards"] for offer in card.get("suggestions", ())]
    assert "old" not in [action["resource"].get("id") for offer in offers for action in offer["actions"]]
    assert hook == "order-sign" or not any(offer.get("isRecommended") for offer in offers)


@pytest.mark.parametrize("hook", SERVICES)
@pytest.mark.parametrize(
    "record",
    [
        device("old", "adult H3 G2", status="active"),
        fitting("old", "adult H3 G2", status="active"),
        device("old", None, status="active"),
        device("old", "adult H5 G3", status="completed"),
        device("old", "adult H5 G3", status="active", doNotPerform=True),
        device("old", "adult H5 G3", status="active", subject={"reference": "Patient/p2"}),
    ],
    ids=["the same device", "the same fitting", "no size", "over", "forbidden", "another patient"],
)
def test_what_is_of_the_same_size_or_does_not_stand_is_no_second_size(
    client: TestClient, hook: str, record: Json
) -> None:
    answer = answer_of(client, SERVICES[hook], asked(hook, (fitting("new", "adult H3 G2"),), record))
    assert "the size now is" not in said(answer)


def test_each_order_on_record_is_compared_and_not_the_first_alone(client: TestClient) -> None:
    right, wrong = device("a", "adult H3 G2", status="active"), device("b", "adult H5 G3", status="active")
    sent = asked("order-sign", (fitting("new", "adult H3 G2"),), right, wrong)
    assert "The device ordered already is adult H5 G3" in said(answer_of(client, "collar-order-sign", sent))


def test_a_draft_that_the_record_holds_too_is_no_second_order(client: TestClient) -> None:
    for hook, service in SERVICES.items():
        sent = asked(hook, (fitting("new", "adult H3 G2"),), fitting("new", "adult H5 G3"))
        assert "the size now is" not in said(answer_of(client, service, sent))


def test_another_draft_that_is_not_selected_is_compared_at_selecting(client: TestClient) -> None:
    drafts = (fitting("new", None), device("beside", "adult H5 G3"))
    sent = asked("order-select", drafts, selections=("ServiceRequest/new",))
    assert "The device drafted already is adult H5 G3, the size now is adult H3 G2" in said(
        answer_of(client, "collar-order-select", sent)
    )


def test_a_size_that_only_assumptions_speak_against_is_said_where_accepting_would_write_another(
    client: TestClient,
) -> None:
    """At signing a draft without a size contradicts nothing; one that states a size is compared."""
    record = device("old", "adult H5 G3", status="active")
    selecting = answer_of(
        client, "collar-order-select", asked("order-select", (fitting("new", None),), record, seen=())
    )
    assert "already is adult H5 G3, the size now is adult" in said(selecting)
    for draft, told in ((fitting("new", None, extension=PEOPLE), False), (fitting("new", "adult H3 G2"), True)):
        sent = asked("order-sign", (draft,), record, seen=())
        assert ("the size now is" in said(answer_of(client, "collar-order-sign", sent))) is told
    kept = asked("order-select", (fitting("new", "adult H5 G3"),), record, seen=())
    assert "the size now is" not in said(answer_of(client, "collar-order-select", kept))


def test_what_replaces_a_contradicted_size_is_the_size_of_now(client: TestClient) -> None:
    """The line alone is contradicted, and the whole size is replaced: the order on record has that size already."""
    for hook, service in SERVICES.items():
        for code, told in (("child H1 G1", False), ("child H3 G2", True)):
            record = device("old", code, status="active")
            sent = asked(hook, (fitting("new", "adult H3 G2"),), record, seen=())
            sent["prefetch"]["patient"] = patient("2018-05-02")
            answer = answer_of(client, service, sent)
            size = answer["extension"]["org.example.nuque.decision"]["size_class"]["code"]
            assert (size, "the size now is" in said(answer)) == ("child H1 G1", told)


def test_where_no_size_is_right_no_second_size_is_spoken_of(client: TestClient) -> None:
    record = device("old", "adult H5 G3", status="active")
    for hook, service in SERVICES.items():
        seen = (*MEASURED, observation("halo-in-place", True))
        sent = asked(hook, (fitting("new", "adult H3 G2"),), record, seen=seen)
        assert "the size now is" not in said(answer_of(client, service, sent))


def test_a_danger_is_said_before_the_second_size(client: TestClient) -> None:
    sent = asked(
        "order-select",
        (fitting("new", "adult H3 G2"),),
        device("old", "adult H5 G3", status="active"),
        seen=(*MEASURED, observation("neurological-deficit", True)),
    )
    answer = answer_of(client, "collar-order-select", sent)
    assert answer["cards"][0]["indicator"] == "critical" and "the size now is" not in answer["cards"][0]["summary"]
    assert "The device ordered already is adult H5 G3" in said(answer)


def named(kind: str, given: str, element: str, reference: str, code: str | None = None) -> Json:
    made = fitting(given, code) if kind == "ServiceRequest" else device(given, code)
    return {**made, element: [{"reference": reference}]}


@pytest.mark.parametrize(
    ("draft", "told"),
    [
        (named("ServiceRequest", "new", "replaces", "ServiceRequest/old"), False),
        (
            named("ServiceRequest", "new", "replaces", "https://ehr.example.org/fhir/ServiceRequest/old/_history/2"),
            False,
        ),
        (named("ServiceRequest", "new", "replaces", "urn:uuid:5e3f0b0a-9c3d-4f55-8f57-5f4d1c2f0001"), False),
        (named("ServiceRequest", "new", "basedOn", "ServiceRequest/old"), False),
        (named("DeviceRequest", "new", "priorRequest", "ServiceRequest/old"), False),
        (named("DeviceRequest", "new", "basedOn", "ServiceRequest/old"), False),
        (named("ServiceRequest", "new", "replaces", "ServiceRequest/other"), True),
        (named("ServiceRequest", "new", "replaces", "https://other.example/fhir/ServiceRequest/old"), True),
        (named("ServiceRequest", "new", "supportingInfo", "ServiceRequest/old"), True),
        (fitting("new", None), True),
    ],
)
def test_what_says_that_it_replaces_or_carries_out_an_order_is_not_another_one(
    client: TestClient, draft: Json, told: bool
) -> None:
    """FHIR R4, ServiceRequest.replaces and basedOn, DeviceRequest.priorRequest and basedOn."""
    sent = asked(
        "order-select", (draft,), fitting("old", None, status="active"), fhirServer="https://ehr.example.org/fhir"
    )
    sent["prefetch"]["orders"]["entry"][0]["fullUrl"] = "urn:uuid:5e3f0b0a-9c3d-4f55-8f57-5f4d1c2f0001"
    # The draft is sent back with its own references, which may lead into the prefetch: no check of them as ours.
    answer = client.post("/cds-services/collar-order-select", json=sent).json()
    assert ("is another one meant" in said(answer)) is told
    assert "Ordered already: the collar" in said(answer)


@pytest.mark.parametrize("hook", SERVICES)
@pytest.mark.parametrize(("element", "told"), [("replaces", False), ("basedOn", True)])
def test_the_size_of_what_is_replaced_is_of_no_account_and_of_what_is_carried_out_is(
    client: TestClient, hook: str, element: str, told: bool
) -> None:
    draft = named("ServiceRequest", "new", element, "ServiceRequest/old", "adult H3 G2")
    old = fitting("old", "adult H5 G2", status="active")
    answer = answer_of(client, SERVICES[hook], asked(hook, (draft,), old))
    assert ("already is adult H5 G2, the size now is adult H3 G2" in said(answer)) is told
