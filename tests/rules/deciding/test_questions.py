"""What is asked for apart from the size: dangers first, at most five, and one line for all that nobody recorded."""

from __future__ import annotations

from datetime import UTC, datetime

from rules.deciding.decider import Decider
from rules.evaluation.interpreter import Plain
from tests.rules.small import FRAME, small_ruleset

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
