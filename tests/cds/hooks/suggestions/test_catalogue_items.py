"""The site's shelf on cards, in plain decisions, and in the order that is about to be signed."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.hooks.suggestions.catalogue_items import misfits
from cds.settings import Settings
from cds.site.catalogue import Item
from rules.deciding.decider import Decider
from rules.loading.loader import load_ruleset
from tests.cds.conftest import AT
from tests.cds.hook_calls import MEASURED, changed, observation, order_select, order_sign, patient
from tests.cds.hooks.cds_hooks_standard import check_response

CATALOGUE = Path(__file__).parents[4] / "demo_bundles" / "catalogue.yaml"
RULESET = load_ruleset()
SYSTEM = "https://records.hollowmere.example/items"


@pytest.fixture(scope="module")
def hospital() -> Iterator[TestClient]:
    with TestClient(create_app(Settings(catalogue=CATALOGUE), clock=lambda: AT)) as client:
        yield client


def device(item: str, system: str = SYSTEM) -> dict[str, Any]:
    return {
        "resourceType": "DeviceRequest",
        "id": "device-1",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": "Patient/p1"},
        "codeCodeableConcept": {"coding": [{"system": system, "code": item}], "text": "rigid neck collar"},
        "note": [{"text": "kept"}],
    }


def sign(client: TestClient, call: dict[str, Any]) -> Any:
    """The answer, which conforms."""
    answer = client.post("/cds-services/collar-order-sign", json=call).json()
    check_response(answer)
    return answer


def details(answer: Any) -> str:
    return "\n".join(f"{card['summary']}\n{card['detail']}" for card in answer["cards"])


def test_the_size_card_names_the_items_that_fit(hospital: TestClient) -> None:
    answer = hospital.post("/cds-services/collar-order-select", json=order_select(*MEASURED)).json()
    check_response(answer)
    (card,) = answer["cards"]
    assert "**On the shelf**" in card["detail"]
    assert "**HM-222** Hillside collar, wide" in card["detail"]


def test_a_plain_decision_names_them_too(hospital: TestClient, client: TestClient) -> None:
    facts = {"facts": {"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 380}}
    assert hospital.post("/decisions", json=facts).json()["stock"]["items"][0]["item"] == "HM-222"
    assert "stock" not in client.post("/decisions", json=facts).json()


def test_when_nothing_fits_the_dimension_that_fails_is_named(hospital: TestClient) -> None:
    facts = {"facts": {"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 790}}
    stock = hospital.post("/decisions", json=facts).json()["stock"]
    assert "items" not in stock
    assert any("circumference" in reason for reason in stock["none_because"])


def test_an_item_that_fits_is_not_spoken_of(hospital: TestClient) -> None:
    assert "Item HM" not in details(sign(hospital, order_sign(*MEASURED, drafts=(device("HM-222"),))))


def test_an_item_that_does_not_fit_is_replaced_by_the_nearest_that_does(hospital: TestClient) -> None:
    answer = sign(hospital, order_sign(*MEASURED, drafts=(device("HM-201"),)))
    assert "Item HM-201 takes height 30 to 48 mm; 66 mm is measured." in details(answer)
    (update,) = [
        action["resource"]
        for card in answer["cards"]
        for suggestion in card["suggestions"]
        for action in suggestion["actions"]
        if action["type"] == "update"
    ]
    assert update["id"] == "device-1"
    assert update["note"] == [{"text": "kept"}]
    assert update["codeCodeableConcept"]["coding"][0] == {
        "system": SYSTEM,
        "code": "HM-222",
        "display": "Hillside collar, wide",
    }


def test_an_adult_item_for_a_child_is_critical(hospital: TestClient) -> None:
    call = changed(order_sign(*MEASURED, drafts=(device("HM-222"),)), "prefetch.patient", patient("2021-01-05"))
    card = sign(hospital, call)["cards"][0]
    assert card["indicator"] == "critical"
    assert card["summary"].startswith("Item HM-222 is made for adult line")
    assert "Why this is critical" in card["detail"]


def test_an_unmeasured_neck_says_nothing_against_an_item(hospital: TestClient) -> None:
    position = observation("head-position", "neutral")
    assert "Item HM" not in details(sign(hospital, order_sign(position, drafts=(device("HM-201"),))))


MADE_FOR_G4 = Item(item="X-1", name="wide", axes={"girth_band": ("G4",)}, ranges={}, quantity=1)


@pytest.mark.parametrize(
    ("known", "confidence", "expected"),
    [
        ({"neck_circumference_mm": 380}, "measured", ["girth_band"]),
        ({"habitus": "slight"}, "assumed", []),
        ({}, "assumed", []),
    ],
)
def test_an_assumption_says_nothing_against_an_item(
    known: dict[str, Any], confidence: str, expected: list[str]
) -> None:
    decision = Decider(RULESET).decide({"age_years": 41, **known}, AT)
    girth = decision.axes["girth_band"]
    assert girth.candidates and "G4" not in girth.candidates and girth.confidence == confidence
    assert [misfit.axis for misfit in misfits(MADE_FOR_G4, decision, RULESET)] == expected


def test_the_same_number_in_another_system_is_another_thing(hospital: TestClient) -> None:
    other = device("HM-201", system="https://elsewhere.example.org/items")
    assert "Item HM" not in details(sign(hospital, order_sign(*MEASURED, drafts=(other,))))
