"""Where need is refuted, the cards for orders say so first, and the first offer is never the order of a collar."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.cds.hook_calls import COLLAR_ORDER, MEASURED, answer_of, observation, order_select, order_sign

PENETRATING = observation("penetrating-injury", True)
CLEARED = observation("clearance-recorded", True)
LOW_RISK = [
    observation("blunt-injury", True),
    *(
        observation(name, False)
        for name in (
            "penetrating-injury",
            "midline-tenderness",
            "intoxicated",
            "altered-alertness",
            "neurological-deficit",
            "distracting-injury",
        )
    ),
]
"""The five criteria of NEXUS (Hoffman et al. 2000, doi:10.1056/NEJM200007133430203) after a blunt injury, none of them met."""


def cards(client: TestClient, hook: str, call: dict[str, Any]) -> list[dict[str, Any]]:
    found = answer_of(client, f"collar-{hook}", call)["cards"]
    assert isinstance(found, list)
    return found


def codes(suggestion: dict[str, Any]) -> set[str]:
    """The codes of the orders that accepting ``suggestion`` makes, and the types of what is not an order."""
    found = set()
    for action in suggestion["actions"]:
        resource = action["resource"]
        if resource["resourceType"] == "ServiceRequest":
            found |= {coding["code"] for coding in resource["code"]["coding"]}
        else:
            found.add(resource["resourceType"])
    return found


@pytest.mark.parametrize("against", [[PENETRATING], [CLEARED], LOW_RISK], ids=["penetrating", "cleared", "low risk"])
def test_a_selected_collar_is_met_with_the_question_of_need(client: TestClient, against: list[dict[str, Any]]) -> None:
    first = next(
        card for card in cards(client, "order-select", order_select(*MEASURED, *against)) if "suggestions" in card
    )
    assert "before ordering one" in first["detail"].splitlines()[0]
    # Which other size there is has time until need is decided.
    assert "If it does not fit" not in first["detail"]
    ask, order = first["suggestions"]
    assert codes(ask) == {"decide-collar-need"}
    assert ask["isRecommended"] is True
    assert order.get("isRecommended", False) is False
    assert len(order["actions"]) > 1


@pytest.mark.parametrize("against", [PENETRATING, CLEARED])
def test_a_collar_about_to_be_signed_is_met_with_the_question_of_need(
    client: TestClient, against: dict[str, Any]
) -> None:
    first = cards(client, "order-sign", order_sign(*MEASURED, against, drafts=(COLLAR_ORDER,)))[0]
    assert codes(first["suggestions"][0]) == {"decide-collar-need"}
    assert first["suggestions"][0]["isRecommended"] is True


def test_no_order_is_recommended_whose_fitting_waits_for_the_decision(client: TestClient) -> None:
    """Cleared and ordered by a specialist: nothing leads, and the card asks which of the two holds before a collar."""
    call = order_select(*MEASURED, CLEARED, observation("specialist-order", True))
    found = cards(client, "order-select", call)
    assert "**Put the collar on**, once the clinician decides" in found[-1]["detail"]
    ask, order = [offer for card in found for offer in card.get("suggestions", ())]
    assert (codes(ask), ask["isRecommended"]) == ({"decide-collar-need"}, True)
    assert {"DeviceRequest", "decide-collar-need"} <= codes(order) and "isRecommended" not in order


def test_where_nobody_is_asked_to_decide_the_waiting_order_stands_unrecommended(client: TestClient) -> None:
    call = order_select(*MEASURED, observation("facial-injury", True))
    found = cards(client, "order-select", call)
    assert any("once the clinician decides" in card["detail"] for card in found)
    offers = [offer for card in found for offer in card.get("suggestions", ())]
    assert offers and not any("isRecommended" in offer for offer in offers)
