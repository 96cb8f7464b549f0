"""What to find out, where there is room for little: nothing is asked twice, in whatever words."""

from __future__ import annotations

from rules.model.decision import Decision, MeasureNext, Question

INSTEAD = {"age_years": "apparent_age_group"}
"""For whoever cannot answer the first, the second answers the same, and the first says so."""


def distinct_questions(decision: Decision) -> list[Question | MeasureNext]:
    """What ``decision`` asks for, dangers before what the size needs; of each fact once.

    What stands in for another fact that is asked is left out.
    """
    asked: dict[str, Question | MeasureNext] = {}
    everything: tuple[Question | MeasureNext, ...] = (*decision.ask, *decision.measure_next)
    for question in everything:
        asked.setdefault(question.fact, question)
    stood_in = {INSTEAD[fact] for fact in asked if fact in INSTEAD}
    return [question for fact, question in asked.items() if fact not in stood_in]
