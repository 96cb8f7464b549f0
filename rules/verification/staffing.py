"""Proof that no order names fewer people than its texts do: the hands counted are held against the words that a reader gets."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping

import z3

from rules.evaluation.task_merging import merge
from rules.model.ruleset import Hand, Rule, TaskCall, TaskDefinition
from rules.verification.properties import Facts, Label, Property, Statement
from rules.verification.smt_encoding import Evaluation, Formula, any_of, any_patient

_NUMBERS = {"two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8}
_COUNTED = re.compile(rf"\b({'|'.join(_NUMBERS)}|\d+) (?:other |more )?(?:people|persons|staff)\b", re.IGNORECASE)


def hands_named(text: str, hands: Mapping[str, Hand]) -> frozenset[str]:
    """The ids of those of ``hands`` that ``text`` names, by their phrases and whatever the case."""
    words = " ".join(text.split()).casefold()
    return frozenset(
        name for name, hand in hands.items() if any(phrase.casefold() in words for phrase in hand.named_by)
    )


def people_counted(text: str) -> int:
    """The largest number of people that ``text`` speaks of in so many words ("two people", "4 people"), or 0."""
    found = (number.casefold() for number in _COUNTED.findall(text))
    return max((_NUMBERS.get(number) or int(number) for number in found), default=0)


class AsManyPeopleAsNamed(Property):
    """The number of people on an order is at least the number that its texts name."""

    id = "people-as-named"
    says = "No order names fewer people than its instruction and details do."

    def statement(self) -> Statement:
        """A label a task: it is asked for, and takes fewer people than its texts name."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        evaluation = Evaluation(self.ruleset, patient)
        violated = {name: self._short_of(evaluation, definition) for name, definition in self.ruleset.tasks.items()}
        return Statement((patient,), patient.plausible, violated)

    def _short_of(self, evaluation: Evaluation, definition: TaskDefinition) -> Formula:
        calls = [(evaluation.fires[rule.id], call) for rule, call in self._calls(definition.id)]
        asked = any_of(fires for fires, call in calls if not call.joins)
        fewest = _greatest(definition.people, ((fires, call.people or 0) for fires, call in calls))
        hands = [
            _greatest(definition.hands.get(hand, 0), ((fires, call.hands.get(hand, 0)) for fires, call in calls))
            for hand in self.ruleset.hands
        ]
        named = [self._named(hand, definition, calls) for hand in self.ruleset.hands]
        counted = _greatest(
            people_counted(definition.instruction),
            ((fires, people_counted(call.detail or "")) for fires, call in calls),
        )
        people = z3.If(fewest > z3.Sum(hands), fewest, z3.Sum(hands))
        return z3.And(asked, z3.Or(z3.Sum(named) > people, counted > people))

    def _named(self, hand: str, definition: TaskDefinition, calls: Iterable[tuple[Formula, TaskCall]]) -> Formula:
        if hand in hands_named(definition.instruction, self.ruleset.hands):
            return z3.IntVal(1)
        naming = any_of(fires for fires, call in calls if hand in hands_named(call.detail or "", self.ruleset.hands))
        return z3.If(naming, z3.IntVal(1), z3.IntVal(0))

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The tasks asked for that take fewer people than their texts name."""
        (facts,) = patients
        fired = {rule.id for rule in self.firing(facts).fired}
        found = set()
        for name, definition in self.ruleset.tasks.items():
            calls = [call for rule, call in self._calls(name) if rule.id in fired]
            if all(call.joins for call in calls):
                continue
            texts = [definition.instruction, *(call.detail for call in calls if call.detail)]
            named = frozenset().union(*(hands_named(text, self.ruleset.hands) for text in texts))
            if max([len(named), *map(people_counted, texts)]) > merge(definition, calls).people:
                found.add(name)
        return frozenset(found)

    def _calls(self, task: str) -> Iterator[tuple[Rule, TaskCall]]:
        for rule in self.ruleset.rules.values():
            for call in rule.then.tasks:
                if call.task == task:
                    yield rule, call


def _greatest(least: int, calls: Iterable[tuple[Formula, int]]) -> Formula:
    """The greatest number among ``least`` and those of the calls that fire."""
    greatest: Formula = z3.IntVal(least)
    for fires, number in sorted(calls, key=lambda one: one[1]):
        if number > least:
            greatest = z3.If(fires, z3.IntVal(number), greatest)
    return greatest
