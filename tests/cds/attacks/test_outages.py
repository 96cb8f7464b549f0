"""The real service, two workers over HTTP, while its processes are killed and its store is locked, frozen or restarted.

What is held in each round stands in ``tests/outages``; ``make soak ARGS=--outages`` does all combinations and measures.
"""

import dataclasses
import random
from collections import Counter
from pathlib import Path

import pytest

from tests.outages.callers import Call, Statement, Told
from tests.outages.disturbances import EVENTS, Span, Times, troubles
from tests.outages.findings import Kept, against_the_times, of_feedback
from tests.outages.run import MOST_GROWTH, Run, few_rounds

SEEDS = {"sqlite": 3, "postgresql": 1}


@pytest.mark.slow
def test_whatever_is_done_to_processes_and_store_nothing_acknowledged_is_lost_and_decisions_go_on(
    database_url: str, tmp_path: Path
) -> None:
    chance = random.Random(SEEDS[database_url.partition(":")[0].partition("+")[0]])
    rounds = few_rounds(database_url, chance)
    seen = Run(database_url, tmp_path, seed=1).rounds(rounds)
    assert seen.problems == []
    assert seen.rounds == rounds
    assert {event for _, event in rounds} == set(EVENTS)
    assert {trouble for trouble, _ in rounds} == set(troubles(database_url))
    assert seen.growth() < MOST_GROWTH
    outcomes = Counter((call.kind, call.outcome) for call in seen.told.calls)
    # Or nothing would have been shown: what each disturbance does to a caller was met.
    assert min(outcomes["decision", "200"], len(seen.told.acknowledged), outcomes["feedback", "503"]) > 10
    assert min(outcomes["decision", "refused"], outcomes["nonsense", "400"]) > 0
    assert {statement.is_own for statement in seen.told.acknowledged} == {True, False}
    assert seen.seconds["while the store was in trouble"]


SAID = Statement("client", "service", "card", "reason", "2026-01-31T10:00:00Z", is_own=True)
KEY = ("client", "card", "reason")
CARDS = {"card": ("client", "service")}


@pytest.mark.parametrize(
    ("statements", "bound", "is_own", "problem"),
    [
        ({KEY: 1}, {KEY: 1}, True, None),
        ({KEY: 1}, {}, False, None),
        ({}, {}, False, "is 0 times in the store"),
        ({KEY: 2}, {KEY: 1}, True, "is 2 times in the store"),
        ({KEY: 1}, {}, True, "is 0 times found with its own card"),
        ({KEY: 1}, {KEY: 1}, False, "is 1 times found with another client's card"),
    ],
)
def test_feedback_that_is_lost_doubled_or_not_bound_is_noticed(
    statements: dict[tuple[str, str, str], int],
    bound: dict[tuple[str, str, str], int],
    is_own: bool,
    problem: str | None,
) -> None:
    told = Told(acknowledged=[dataclasses.replace(SAID, is_own=is_own)])
    problems = of_feedback(told, Kept(Counter(statements), Counter(bound), CARDS))
    assert [problem in each for each in problems if problem] == ([True] if problem else [])
    assert bool(problems) == bool(problem)


@pytest.mark.parametrize(
    ("kind", "outcome", "span", "is_meant"),
    [
        ("decision", "200", None, True),
        ("decision", "503", "unsaid", False),
        ("decision", "500", "ended", False),
        ("decision", "refused", "ended", True),
        ("decision", "refused", "replaced", False),
        ("decision", "cut off", "killed", True),
        ("decision", "cut off", "ended", False),
        ("decision", "no answer", "killed", False),
        ("feedback", "503", "unsaid", True),
        ("feedback", "503", "troubled", False),
        ("nonsense", "400", None, True),
        ("nonsense", "500", None, False),
    ],
)
def test_an_answer_is_meant_only_with_what_was_done_then(
    kind: str, outcome: str, span: str | None, is_meant: bool
) -> None:
    then, later = Times(), Times()
    if span is not None:
        getattr(then, span).append(Span(1.5, 3.0))
        getattr(later, span).append(Span(2.5, 3.0))
    told = Told(calls=[Call(kind, outcome, 1.0, 2.0, request="1")])
    assert (against_the_times(told, then) == []) == is_meant
    assert (against_the_times(told, later) == []) == (is_meant and span is None)
