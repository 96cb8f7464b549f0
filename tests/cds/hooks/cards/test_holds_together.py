"""Reasons to give no size that are said as one."""

from __future__ import annotations

from typing import Any

from cds.hooks.cards.holds_together import held_together
from rules.model.decision import HoldNotice


def hold(text: str, rule: str, **more: Any) -> HoldNotice:
    given = {"kind": "refer", "summary": text, "axis": None, **more}
    return HoldNotice.model_construct(text=text, rules=(rule,), **given)


HIGHER, WIDER = hold("Higher than the line: ask.", "a"), hold("Wider than the line: ask.", "b")


def test_those_that_differ_in_the_first_word_are_one_with_the_rules_of_both() -> None:
    (one,) = held_together([HIGHER, WIDER])
    assert one.text == one.summary == "Higher and wider than the line: ask."
    assert one.rules == ("a", "b")


def test_any_others_stay_as_they_are_and_in_their_order() -> None:
    several = (
        HIGHER,
        hold("Halo in place.", "c"),
        hold("Wider than the line: ask.", "b", kind="do_not_size"),
        hold("No.", "d"),
    )
    assert held_together(several) == several
    assert held_together([hold("Halo.", "a"), hold("Airway.", "b")]) == (hold("Halo.", "a"), hold("Airway.", "b"))


def test_a_summary_of_its_own_is_left_as_it_is() -> None:
    (one,) = held_together([hold("Higher than the line.", "a", summary="Too high."), hold("Wider than the line.", "b")])
    assert (one.text, one.summary) == ("Higher and wider than the line.", "Too high.")
