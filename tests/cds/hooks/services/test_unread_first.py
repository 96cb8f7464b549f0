"""A danger that the record names in words alone goes before a collar on every hook, until somebody has read it."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.cds.hook_calls import MEASURED, answer_of, discharge, observation, order_select, order_sign, patient_view

WORN = observation("collar-in-place", True)
CALLS = {
    "collar-order-select": order_select,
    "collar-order-sign": order_sign,
    "collar-patient-view": patient_view,
    "collar-discharge": discharge,
}


def diagnosis(words: str, number: int = 1, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Condition",
        "id": f"words-{number}",
        "subject": {"reference": "Patient/p1"},
        "code": {"text": words},
        **more,
    }


def cards(client: TestClient, service: str, *records: dict[str, Any]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = answer_of(client, service, CALLS[service](*MEASURED, *records))["cards"]
    return found


def leading(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [card for card in found if card["summary"].startswith("Read this first")]


@pytest.mark.parametrize("service", CALLS)
@pytest.mark.parametrize(
    ("words", "what"),
    [
        ("C5 fx unstable, cord contusion", "a broken or unstable neck"),
        ("GSW neck", "a wound that penetrates"),
        ("Angioedema", "a closing airway"),
    ],
)
def test_it_leads_on_every_hook(client: TestClient, service: str, words: str, what: str) -> None:
    (card,) = leading(cards(client, service, WORN, diagnosis(words)))
    assert card["indicator"] == "warning"
    assert words in card["summary"]
    assert f"May be {what}" in card["detail"]


@pytest.mark.parametrize("service", CALLS)
@pytest.mark.parametrize(
    "record",
    [
        diagnosis("Cervical spondylosis"),
        diagnosis("Old C5 fracture"),
        diagnosis("No fracture of C5"),
        diagnosis("Chronic neck pain"),
        diagnosis("C5 fracture", clinicalStatus={"coding": [{"code": "resolved"}]}),
    ],
    ids=lambda record: record["code"]["text"],
)
def test_nothing_leads_that_is_less_or_is_over(client: TestClient, service: str, record: dict[str, Any]) -> None:
    assert leading(cards(client, service, WORN, record)) == []


def test_the_order_of_the_file_hides_no_fracture(client: TestClient) -> None:
    """Behind a list of old complaints, as problem lists have them."""
    harmless = ["Cervicalgia", "Cervical spondylosis", "Neck sprain", "Kyphosis", "Dysphagia"]
    records = [diagnosis(words, number) for number, words in enumerate([*harmless, "C5 burst fracture"])]
    (card,) = leading(cards(client, "collar-patient-view", WORN, *records))
    assert "C5 burst fracture" in card["summary"]


def test_every_one_that_leads_is_named(client: TestClient) -> None:
    words = [f"Fracture of C{number}" for number in range(1, 6)]
    records = [diagnosis(each, number) for number, each in enumerate(words)]
    (card,) = leading(cards(client, "collar-patient-view", WORN, *records))
    assert all(each in card["detail"] for each in words)


def test_the_fitting_is_not_offered_before_it_is_read(client: TestClient) -> None:
    (plain,) = [card for card in cards(client, "collar-order-select") if card["suggestions"]]
    assert "with its care" in plain["suggestions"][0]["label"]
    found = cards(client, "collar-order-select", diagnosis("Fracture of cervical spine"))
    assert found[0]["summary"].startswith("Read this first")
    assert not any(card.get("suggestions") for card in found)
    assert "**Put the collar on**, once that is read" in found[0]["detail"]
    assert "Not used here, read it yourself" not in found[0]["detail"]


def test_the_fitting_waits_for_the_reading_after_all_that_it_waits_for_already(client: TestClient) -> None:
    """A wound that penetrates waits for the decision whether a collar goes on at all: the reading does not stand in its place."""
    penetrating = observation("penetrating-injury", True)
    found = cards(client, "collar-order-select", penetrating, diagnosis("Fracture of cervical spine"))
    said = "\n".join(card["detail"] for card in found)
    assert "**Put the collar on**, once the clinician decides and that is read" in said


def test_what_is_known_already_does_not_lead_once_more(client: TestClient) -> None:
    known = observation("known-neck-injury", True)
    found = cards(client, "collar-patient-view", WORN, known, diagnosis("Fracture of C5"))
    assert leading(found) == []
    assert any("Fracture of C5" in card["summary"] for card in found)


def test_a_chart_without_a_collar_stays_silent(client: TestClient) -> None:
    assert cards(client, "collar-patient-view", diagnosis("Fracture of C5")) == []
    assert cards(client, "collar-discharge", diagnosis("Fracture of C5")) == []


def test_the_decision_that_goes_along_is_that_of_the_rules(client: TestClient) -> None:
    answer = answer_of(client, "collar-patient-view", patient_view(*MEASURED, WORN, diagnosis("Fracture of C5")))
    told = answer["extension"]["org.example.nuque.decision"]
    assert all(caution["rules"] for caution in told["cautions"])
    (refused,) = told["not_used"]
    assert (refused["may_be"], refused["look_up"]) == ("known_neck_injury", "Fracture of C5")
