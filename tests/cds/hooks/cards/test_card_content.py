"""Decisions as cards: the budget, what is said, and that whatever is decided can be said."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds.hooks.cards.budget import Draft, Offer, within_budget
from cds.hooks.cards.card_content import caution_cards, size_card
from cds.hooks.cards.reading_limit import CardLine
from cds.protocol.response import Action
from cds.site.advice_policy import AdvicePolicy
from rules.deciding.decider import Decider
from rules.model.decision import NotUsed
from tests.cds.conftest import AT
from tests.rules.patients import patients
from tests.shipped_content import RULESET

AT_MOST = AdvicePolicy.of(RULESET).cards_at_most
DECIDER = Decider(RULESET)
CREATE = Action(type="create", description="Create", resource={"resourceType": "CarePlan"})


def draft(indicator: str, summary: str, offers: tuple[Offer, ...] = ()) -> Draft:
    needed = CardLine("", f"Detail of {summary}.", needed=True)
    return Draft(indicator, "caution", summary, (needed,), (f"rule.{summary}",), offers, full=lambda: needed.text)  # type: ignore[arg-type]


def test_the_gravest_come_first_and_what_is_too_much_is_folded_in() -> None:
    made = [
        draft("info", "i"),
        draft("warning", "w1"),
        draft("critical", "c1"),
        draft("warning", "w2"),
        draft("critical", "c2"),
        draft("warning", "w3"),
        draft("warning", "w4"),
    ]
    kept = within_budget(made, AT_MOST)
    assert [card.summary for card in kept] == ["c1 (and 1 more)", "w1", "w2 (and 2 more)", "i"]
    assert kept[0].rules == ("rule.c1", "rule.c2")
    assert "Detail of c2." in kept[0].detail()
    assert kept[2].detail().endswith("**Also**\n\n- w3\n- w4")
    assert "Detail of w3." in kept[2].full() and "Detail of w4." in kept[2].full()


def test_a_folded_card_keeps_its_offers() -> None:
    first, second = (draft("critical", name, (Offer(name, (CREATE,), recommended=True),)) for name in ("a", "b"))
    (kept,) = within_budget([first, second], AT_MOST)
    assert [offer.label for offer in kept.offers] == ["a", "b"]
    assert kept.any_offer


@given(st.lists(st.sampled_from(["critical", "warning", "info"]), max_size=12))
def test_the_budget_holds_and_loses_no_word(indicators: list[str]) -> None:
    made = [draft(indicator, f"s{position}") for position, indicator in enumerate(indicators)]
    kept = within_budget(made, AT_MOST)
    for indicator, most in AT_MOST.items():
        assert sum(card.indicator == indicator for card in kept) <= most
    said = "\n".join(card.full() for card in kept)
    assert all(card.full() in said for card in made)
    read = "\n".join(card.detail() for card in kept)
    assert all(card.full() in read for card in made if card.indicator == "critical")
    assert {rule for card in made for rule in card.rules} == {rule for card in kept for rule in card.rules}


@settings(max_examples=150)
@given(patients(RULESET))
def test_whatever_is_decided_can_be_said_in_the_budget(facts: dict[str, object]) -> None:
    decision = DECIDER.decide(facts, AT)
    main = size_card(RULESET, decision)
    kept = within_budget([main, *caution_cards(decision, beside_size=True)], AT_MOST)
    assert kept
    assert all(0 < len(card.summary) < 140 for card in kept)
    assert all(card.rules and set(card.rules) <= set(RULESET.rules) for card in kept)
    said = "\n".join(card.full() for card in kept)
    assert all(
        caution_text in said.replace("\\", "") for caution in decision.cautions for caution_text in [caution.text[:60]]
    )
    assert all(task.title in said for task in decision.tasks)


def test_the_size_is_said_in_words_and_in_code_and_how_sure_each_part_is() -> None:
    decision = DECIDER.decide({"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 380}, AT)
    card = size_card(RULESET, decision)
    assert (
        card.summary
        == "Neck collar adult H3 G2: height and circumference measured; head position and bed rest not recorded"
    )
    assert decision.size_class is not None and decision.size_class.words[1:] in card.detail()
    assert "not recorded" not in card.detail().split("Not recorded:")[0]


def test_candidates_stand_in_the_order_to_try() -> None:
    decision = DECIDER.decide({"age_years": 41, "neck_height_mm": 60, "neck_circumference_mm": 380}, AT)
    card = size_card(RULESET, decision)
    assert "- **adult H3 G2** (height 60 to under 75 mm)" in card.detail()
    assert card.full().index("1. **adult H2 G2**") < card.full().index("2. **adult H3 G2**")


def test_a_task_that_says_now_is_not_said_to_be_due_now() -> None:
    decision = DECIDER.decide({"age_years": 40, "collar_in_place": True, "new_neurological_sign": True}, AT)
    card = size_card(RULESET, decision)
    assert "- **Call the responsible clinician now**: 2 people, nurse" in card.detail()


def test_an_unknown_age_is_a_warning_that_says_what_is_missing() -> None:
    card = size_card(RULESET, DECIDER.decide({"neck_height_mm": 66, "height_cm": 120}, AT))
    assert card.indicator == "warning"
    assert card.summary.startswith("No size yet: The age is not known")


def test_a_size_without_an_age_begins_with_if_adult() -> None:
    decision = DECIDER.decide({"neck_height_mm": 66, "neck_circumference_mm": 380}, AT)
    card = size_card(RULESET, decision)
    assert card.summary.startswith("Neck collar adult H3 G2, if adult: ")
    assert "**If adult: adult line" in card.detail()
    assert decision.measure_next[0].fact == "age_years"


def test_a_reason_not_to_size_is_critical_and_says_why() -> None:
    decision = DECIDER.decide({"age_years": 41, "suspected_distraction_injury": True}, AT)
    card = size_card(RULESET, decision)
    assert card.indicator == "critical"
    assert card.summary.startswith("Do not size: ")
    assert "Why this is critical" in card.detail()


def test_a_caution_that_the_size_card_says_gets_no_card_of_its_own() -> None:
    decision = DECIDER.decide({"age_years": 41, "airway_threat": True, "tracheostomy": True}, AT)
    (hold,) = decision.holds
    said = [caution for caution in decision.cautions if set(caution.rules) <= set(hold.rules)]
    others = [caution for caution in decision.cautions if caution.severity != "info" and caution not in said]
    assert said and others
    main, cards = size_card(RULESET, decision), caution_cards(decision, beside_size=True)
    for caution in said:
        assert main.detail().replace("\\", "").count(caution.text) == 1
    assert sorted(card.summary for card in cards) == sorted(caution.summary for caution in others)


def test_only_values_that_look_wrong_are_named_on_the_card() -> None:
    old = NotUsed(fact="neck_swelling", value="true", kind="stale", reason="stale", reference="Observation/1")
    cards = [size_card(RULESET, DECIDER.decide({"age_years": 41}, AT, refused)) for refused in ([old], [])]
    assert "Not used: 1 record, listed with the decision." in cards[0].detail()
    assert "Not used" not in cards[1].detail()


@pytest.mark.parametrize("value", ["<img src=x onerror=alert(1)>", "[a](http://b)", "x" * 5000])
def test_what_could_not_be_used_is_counted_listed_behind_and_cannot_act(value: str) -> None:
    refused = NotUsed(
        fact="neck_circumference_mm", value=value, kind="unit", reason="no unit", reference="Observation/1"
    )
    card = size_card(RULESET, DECIDER.decide({"age_years": 41}, AT, [refused]))
    (line,) = [
        line for line in card.detail().splitlines() if line.startswith("Not used: 1 record (neck circumference ")
    ]
    assert line.endswith("), listed with the decision.")
    assert len(line) < 150
    assert "<" not in line
    assert "[a](" not in line
    assert "**neck circumference**" in card.full() and "(`Observation/1`): no unit" in card.full()
    assert "<" not in card.full()
    assert not re.search(r"(?<!\\)\]\(", card.full())
    assert "x" * 200 not in card.full()


@settings(max_examples=50)
@given(patients(RULESET))
def test_no_card_names_a_rule_or_a_source(facts: dict[str, object]) -> None:
    decision = DECIDER.decide(facts, AT)
    said = "\n".join(
        card.detail() for card in [size_card(RULESET, decision), *caution_cards(decision, beside_size=True)]
    )
    assert said
    assert [rule for rule in RULESET.rules if rule in said] == []
    assert [source for source in RULESET.sources if source in said] == []
