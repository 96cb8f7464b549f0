"""Before size: what is offered where a caution leads."""

from __future__ import annotations

from cds.hooks.cards.budget import Offer
from cds.hooks.suggestions.need_first import offers_need_first
from tests.cds.hooks.suggestions.small_collar import CONTEXT, coded, decided
from tests.cds.hooks.suggestions.test_existing_orders import service, standing

OFFERS = (Offer("Order", (), recommended=True), Offer("Less", ()))


def test_where_nothing_leads_the_offers_stay_as_they_are() -> None:
    assert offers_need_first(OFFERS, decided(wet=True), CONTEXT, standing()) is OFFERS


def test_the_decision_about_need_is_offered_first_and_alone_recommended() -> None:
    first, *rest = offers_need_first(
        OFFERS, decided(clearance_recorded=True, wet=True, lying=True), CONTEXT, standing()
    )
    assert (first.label, first.recommended) == ("Ask whether a collar is needed", True)
    assert [action.description for action in first.actions] == ["Create the order: Decide"]
    assert rest == [Offer("Order", (), recommended=False), Offer("Less", (), recommended=False)]


def test_in_an_emergency_the_call_is_offered_first() -> None:
    decision = decided(penetrating=True, clearance_recorded=True)
    assert [caution.severity for caution in decision.leading] == ["critical", "warning"]
    first, *_ = offers_need_first(OFFERS, decision, CONTEXT, standing())
    assert (first.label, first.recommended) == ("Call now, before any collar", True)
    assert [action.description for action in first.actions] == ["Create the order: Call", "Create the order: Decide"]


def test_where_it_is_asked_for_already_nothing_is_offered() -> None:
    asked = standing(service("a", coded("tasks", "decide-end")))
    assert offers_need_first(OFFERS, decided(clearance_recorded=True), CONTEXT, asked) == ()
