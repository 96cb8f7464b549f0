"""What is asked for apart from the size: dangers first, at most five, and one line for all that nobody recorded."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from rules.deciding.decider import Decider
from rules.evaluation.interpreter import Plain
from rules.model.decision import NotUsed
from tests.rules.small import FRAME, small_ruleset
from tests.shipped_content import RULESET as SHIPPED

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
FACTS = FRAME.replace(
    "danger: {type: boolean, label: danger",
    "danger: {type: boolean, danger: {name: harm, answers: [true]}, label: danger",
).replace("asleep: {type: boolean", "asleep: {type: boolean, danger: {name: sleep, answers: [true]}")
ASKING = """
- {id: small.ask, title: ask, when: always, because: b, sources: [s],
   then: {ask: [weight_kg, asleep, danger, length_cm, fingers, height_mm]}}
- {id: small.ask_again, title: ask again, when: {fact: score, at_most: 9}, because: b, sources: [s], then: {ask: danger}}
"""
RULESET = small_ruleset(adding=ASKING, frame=FACTS)
DECIDER = Decider(RULESET, Plain(RULESET))


def test_dangers_come_first_and_the_rest_in_the_order_of_the_rules():
    decision = DECIDER.decide({"score": 8}, AT)
    assert [(question.fact, question.danger) for question in decision.ask] == [
        ("asleep", True),
        ("danger", True),
        ("weight_kg", False),
        ("length_cm", False),
        ("fingers", False),
    ]
    assert decision.ask[1].rules == ("small.ask", "small.ask_again")
    assert decision.dangers_not_recorded is not None
    assert decision.dangers_not_recorded.text == "Not recorded: sleep, harm."
    assert decision.dangers_not_recorded.facts == ("asleep", "danger")
    assert decision.dangers_not_recorded.rules == ("small.ask", "small.ask_again")


def test_what_is_recorded_is_not_asked_for():
    decision = DECIDER.decide({"asleep": False, "danger": True, "weight_kg": 80}, AT)
    assert [question.fact for question in decision.ask] == ["length_cm", "fingers", "height_mm"]
    assert decision.dangers_not_recorded is None


GIRTH, HEIGHT = "neck_circumference_mm", "neck_height_mm"
HIGH = {"age_years": 44, HEIGHT: 66}


@pytest.mark.parametrize(
    ("fact", "kind", "known", "asked"),
    [
        (GIRTH, "unit", HIGH, True),
        (GIRTH, "implausible", HIGH, True),
        (GIRTH, "contradiction", HIGH, True),
        (GIRTH, "no time", HIGH, True),
        (HEIGHT, "code", {"age_years": 44, GIRTH: 380}, True),
        # Of old, taken back, of somebody else; measured by now; not the neck.
        (GIRTH, "stale", HIGH, False),
        (GIRTH, "status", HIGH, False),
        (GIRTH, "patient", HIGH, False),
        (GIRTH, "unit", {**HIGH, GIRTH: 380}, False),
        ("weight_kg", "unit", HIGH, False),
        (None, "unit", HIGH, False),
    ],
)
def test_a_measurement_on_record_that_could_not_be_read_is_asked_for_first(
    fact: str | None, kind: Any, known: dict[str, Any], asked: bool
) -> None:
    """Where a guess stands in for it. So docs/fhir.md: a unit is never guessed, and it is asked how much it is."""
    refused = [NotUsed(fact=fact, value=value, kind=kind, reason="r") for value in ("15.5 in", "16 in", "16 in")]
    decision = Decider(SHIPPED, Plain(SHIPPED)).decide(known, AT, refused)
    first = decision.ask[0]
    begins = "The record says 15.5 in and 16 in for the neck"
    assert (first.fact == fact and first.ask.startswith(begins)) is asked
    assert not asked or any(rule.startswith("sizing.") for rule in first.rules)
    assert len(decision.ask) == 5
