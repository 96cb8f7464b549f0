"""What the care content promises for every patient, whatever the single rules say."""

import re
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings

from rules.deciding.decider import Decider
from rules.evaluation.interpreter import fire
from tests.rules.patients import patients
from tests.shipped_content import RULESET

DECIDER = Decider(RULESET)
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
HANDS_ON = {
    "fit_collar",
    "inspect_skin",
    "wash_under_collar",
    "change_lining",
    "change_back",
    "replace_extrication_collar",
    "relieve_pressure",
    "facial_hair_care",
    "hair_care",
    "teach_handling",
}
"""Tasks in which a collar is opened, put on or taken off."""


@settings(max_examples=200)
@given(patients(RULESET))
def test_nobody_ever_opens_or_fits_a_collar_alone(facts):
    decision = DECIDER.decide(facts, AT)
    assert decision.tasks or decision.holds
    for task in decision.tasks:
        if task.task in HANDS_ON:
            assert task.people >= 2, task.task


@pytest.mark.parametrize("task", RULESET.tasks.values(), ids=lambda task: task.id)
def test_every_task_says_what_should_come_of_it(task):
    assert task.outcome
    assert task.instruction.endswith(".")


def said():
    for rule in RULESET.rules.values():
        for caution in rule.then.cautions:
            yield rule.id, caution.text
        for hold in rule.then.holds:
            yield rule.id, hold.text
        for call in rule.then.tasks:
            yield rule.id, call.detail or ""
    for task in RULESET.tasks.values():
        yield task.id, task.instruction


# Off comes a collar only for the airway, which is the one exception; everything else leaves it to the clinician.
ENDING = re.compile(
    r"\b(remove|discontinue|discard)\w* (the |a |your )?collar\b"
    r"|\btak\w+ (the |a |your )?collar off\b|\btake off (the |a |your )?collar\b"
    r"|\bcollar (comes|is|may be|can be) (off|removed|taken off)\b"
    r"|\bending the collar\b|\bcollar off\b",
    re.IGNORECASE,
)
GUARDED = re.compile(r"\bdo not\b|\bconditionally recommends\b|\bairway\b", re.IGNORECASE)


def ending(text):
    """Sentences of ``text`` that speak of taking a collar off without saying who decides."""
    sentences = re.split(r"(?<=[.;])\s", text)
    return [sentence for sentence in sentences if ENDING.search(sentence) and not GUARDED.search(sentence)]


@pytest.mark.parametrize("text", ["Remove the collar.", "Take the collar off now.", "The collar may be taken off."])
def test_such_a_text_would_be_found(text):
    assert ending(text) == [text]


def test_no_text_tells_anybody_to_end_a_collar():
    assert len(list(said())) > 100
    assert [(where, found) for where, text in said() for found in ending(text)] == []


@settings(max_examples=200)
@given(patients(RULESET))
def test_care_is_asked_for_exactly_where_a_collar_is_worn_or_about_to_be(facts):
    firing = fire(RULESET, facts)
    worn = facts.get("collar_in_place") is True
    possible = worn or "fitting_withheld" not in firing.facts
    assert (firing.facts.get("collar_care") is True) == (possible and "care_waits" not in firing.facts)


@settings(max_examples=200)
@given(patients(RULESET))
def test_the_highest_skin_risk_wins(facts):
    firing = fire(RULESET, facts)
    names = {rule.id.split(".")[1] for rule in firing.fired if rule.topic == "skin" and "skin_risk" in rule.writes}
    expected = next((level for level in ("high", "raised") if level in names), "standard" if names else None)
    assert firing.facts.get("skin_risk") == expected


def test_what_is_ours_asks_the_site_to_confirm_it():
    ours = {
        name: parameter
        for name, parameter in RULESET.parameters.items()
        if any(RULESET.sources[cited].kind == "local_default" for cited in parameter.sources)
    }
    assert ours
    assert [name for name, parameter in ours.items() if not parameter.confirm] == []


def test_of_two_warnings_inspecting_the_skin_stands_before_reviewing_the_need():
    facts = {
        "age_years": 40,
        "collar_in_place": True,
        "collar_kind": "long_term",
        "setting": "ward",
        "collar_hours": 60,
    }
    decision = DECIDER.decide({**facts, "last_review_hours": 30, "last_skin_check_hours": 15}, AT)
    rules = [rule for caution in decision.cautions if caution.severity == "warning" for rule in caution.rules]
    assert rules.index("skin.overdue.raised") < rules.index("review.needed.overdue")
    tasks = [task.task for task in decision.tasks]
    assert tasks.index("inspect_skin") < tasks.index("review_need")
