"""What is asked where there is room for little: nothing twice."""

from __future__ import annotations

from datetime import UTC, datetime

import click
import pytest

from cds.cli.text.brief import brief_text
from cds.hooks.cards.distinct_questions import INSTEAD, distinct_questions
from rules.deciding.decider import Decider
from rules.model.decision import Decision
from rules.model.facts import FactValue
from tests.shipped_content import RULESET

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
NO_DANGER: dict[str, FactValue] = {
    name: False
    for name, fact in RULESET.vocabulary.items()
    if fact.danger is not None and fact.type == "boolean" and fact.given != "concluded"
}
MEASURED: dict[str, FactValue] = {**NO_DANGER, "neck_height_mm": 66, "neck_circumference_mm": 380}


def _decided(**facts: FactValue) -> Decision:
    return Decider(RULESET).decide({**MEASURED, **facts}, AT)


def test_each_fact_is_asked_once_and_dangers_first() -> None:
    decision = Decider(RULESET).decide({"collar_in_place": True}, AT)
    asked = [one.fact for one in distinct_questions(decision)]
    assert len(asked) == len(set(asked)) > 5
    assert asked[: len(decision.ask)] == [one.fact for one in decision.ask]
    assert {*asked, *INSTEAD.values()} >= {one.fact for one in decision.measure_next}


@pytest.mark.parametrize(("fact", "other"), INSTEAD.items())
def test_what_answers_the_same_is_asked_once_by_who_says_both(fact: str, other: str) -> None:
    decision = _decided()
    assert {fact, other} <= {one.fact for one in decision.measure_next}
    asked = {one.fact: one.ask for one in distinct_questions(decision)}
    assert other not in asked and "age group that the patient appears to be in" in asked[fact]
    assert fact not in {one.fact for one in distinct_questions(_decided(age_years=41))}


def test_the_short_answer_of_the_command_line_has_room_for_another_question() -> None:
    text = " ".join(click.unstyle(brief_text(RULESET, _decided(skin_breakdown="none"), "a patient")).split())
    assert "Find the date of birth" in text and "Where the age is unknown" not in text
    assert text.count("Find out:") == 2
