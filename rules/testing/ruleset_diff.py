"""Two states of the knowledge held against each other: what was written otherwise, and whose decision comes out otherwise."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal

from rules.deciding.decider import Decider
from rules.errors import FactError
from rules.evaluation.information_gain import Prospects, Sizer
from rules.evaluation.interpreter import Firing, Plain
from rules.model.conditions import AllOf, AnyOf, Condition, NoneOf, describe
from rules.model.decision import Decision, Task
from rules.model.facts import FactValue
from rules.model.rule_text import describe_effects, describe_value
from rules.model.ruleset import Rule, Ruleset, TaskDefinition
from rules.testing.cases import MOMENT

Section = Literal["rule", "parameter", "fact", "axis", "task", "source"]


@dataclass(frozen=True)
class WrittenChange:
    """One thing that was added, removed or changed; ``words`` says each difference in a line."""

    section: Section
    name: str
    how: Literal["added", "removed", "changed"]
    words: tuple[str, ...]


@dataclass(frozen=True)
class DecisionChange:
    """A patient whose decision comes out otherwise. ``kinds`` name the kinds of change, ``words`` say them."""

    patient: str
    facts: Mapping[str, FactValue]
    kinds: tuple[str, ...]
    words: tuple[str, ...]


# --- what was written otherwise --------------------------------------------------------------------------------------


def written_changes(old: Ruleset, new: Ruleset) -> tuple[WrittenChange, ...]:
    """Every difference between ``old`` and ``new``, rules first."""
    return (
        *_rules(old, new),
        *_records("parameter", old.parameters, new.parameters, ("value", "unit", "range", "meaning", "sources", "confirm")),
        *_records("fact", old.vocabulary, new.vocabulary, tuple(type(next(iter(new.vocabulary.values()))).model_fields)),
        *_records("axis", old.axes, new.axes, ("title", "values", "edges", "fact", "silent")),
        *_records("task", old.tasks, new.tasks, tuple(field.name for field in fields(TaskDefinition))),
        *_records("source", old.sources, new.sources, ("kind", "citation", "supports", "from_memory")),
    )  # fmt: skip


def _rules(old: Ruleset, new: Ruleset) -> Iterator[WrittenChange]:
    for name, rule in new.rules.items():
        before = old.rules.get(name)
        if before is None:
            yield WrittenChange("rule", name, "added", (rule.title, *_whole(new, rule)))
            continue
        words = tuple(dict.fromkeys(_rule_differences(old, before, new, rule)))
        if words:
            yield WrittenChange("rule", name, "changed", words)
    for name, rule in old.rules.items():
        if name not in new.rules:
            yield WrittenChange("rule", name, "removed", (rule.title, *_whole(old, rule)))


def _whole(ruleset: Ruleset, rule: Rule) -> Iterator[str]:
    yield f"when {describe(rule.when)}"
    yield from (f"then {line}" for line in describe_effects(ruleset, rule))


def _rule_differences(old: Ruleset, before: Rule, new: Ruleset, after: Rule) -> Iterator[str]:
    for key in ("title", "because", "priority", "asks", "on_paper"):
        was, now = getattr(before, key), getattr(after, key)
        if was != now:
            yield f"{key}: {describe_value(was)} -> {describe_value(now)}"
    if before.when != after.when:
        yield from _condition_differences(before.when, after.when)
    if before.then != after.then:
        was_effects, now_effects = list(describe_effects(old, before)), list(describe_effects(new, after))
        yield from (f"no longer: {line}" for line in was_effects if line not in now_effects)
        yield from (f"new: {line}" for line in now_effects if line not in was_effects)
    for source in before.sources:
        if source not in after.sources:
            yield f"no longer rests on {source}"
    for source in after.sources:
        if source not in before.sources:
            yield f"now rests on {source}"


def _condition_differences(before: Condition, after: Condition) -> Iterator[str]:
    """The comparisons that differ, where both trees have the same shape; else both trees."""
    groups = (AllOf, AnyOf, NoneOf)
    if isinstance(before, groups) and type(before) is type(after) and isinstance(after, groups):
        if len(before.children) == len(after.children):
            for was, now in zip(before.children, after.children, strict=True):
                if was != now:
                    yield from _condition_differences(was, now)
            return
        yield from (f"no longer asks: {describe(was)}" for was in before.children if was not in after.children)
        yield from (f"now also asks: {describe(now)}" for now in after.children if now not in before.children)
        return
    yield f"when {describe(before)} -> {describe(after)}"


def _records(
    section: Section, old: Mapping[str, Any], new: Mapping[str, Any], keys: tuple[str, ...]
) -> Iterator[WrittenChange]:
    for name, record in new.items():
        if name not in old:
            yield WrittenChange(section, name, "added", ())
            continue
        words = tuple(
            f"{key}: {_shown(getattr(old[name], key))} -> {_shown(getattr(record, key))}"
            for key in keys
            if getattr(old[name], key) != getattr(record, key)
        )
        if words:
            yield WrittenChange(section, name, "changed", words)
    for name in old:
        if name not in new:
            yield WrittenChange(section, name, "removed", ())


def _shown(value: Any) -> str:
    if isinstance(value, tuple):
        return "(" + ", ".join(map(_shown, value)) + ")"
    return "nothing" if value is None else describe_value(value)


# --- whose decision comes out otherwise ------------------------------------------------------------------------------


class Comparer:
    """Decides patients by two rulesets, in plain Python, and says what differs. What to measure next is left out."""

    def __init__(self, old: Ruleset, new: Ruleset) -> None:
        """Prepare both."""
        self._old, self._new = _decider(old), _decider(new)

    def changes(self, patients: Iterable[tuple[str, Mapping[str, FactValue]]]) -> Iterator[DecisionChange]:
        """Of ``patients`` (a name and facts each) those whose decision differs."""
        for name, facts in patients:
            changed = self.change(name, facts)
            if changed is not None:
                yield changed

    def change(self, name: str, facts: Mapping[str, FactValue]) -> DecisionChange | None:
        """What differs for the patient called ``name``, or None. ``facts`` are what is recorded, each in the unit of its fact."""
        before, after = _decide(self._old, facts), _decide(self._new, facts)
        found = list(_differences(before, after))
        if not found:
            return None
        kinds = tuple(dict.fromkeys(kind for kind, _ in found))
        return DecisionChange(name, facts, kinds, tuple(f"{kind}: {words}" for kind, words in found))


def _decider(ruleset: Ruleset) -> Decider:
    sizer = Sizer(ruleset)

    def prospects(facts: Mapping[str, FactValue], firing: Firing) -> Prospects:
        return sizer.prospects(facts, firing, rank=False)

    return Decider(ruleset, Plain(ruleset), prospects)


def _decide(decider: Decider, facts: Mapping[str, FactValue]) -> Decision | FactError:
    """The decision, or the reason why these facts are not accepted: a change of the vocabulary is a difference too."""
    try:
        return decider.decide(facts, MOMENT)
    except FactError as error:
        return error


def _differences(before: Decision | FactError, after: Decision | FactError) -> Iterator[tuple[str, str]]:
    if isinstance(before, FactError) or isinstance(after, FactError):
        if str(before) != str(after):
            was, now = (
                f"not accepted ({outcome})" if isinstance(outcome, FactError) else "accepted"
                for outcome in (before, after)
            )
            yield "facts accepted", f"{was} -> {now}"
        return
    yield from _size_differences(before, after)
    yield from _said("hold", {hold.text for hold in before.holds}, {hold.text for hold in after.holds})
    yield from _caution_differences(before, after)
    yield from _task_differences(before, after)
    yield from _said(
        "instruction",
        {instruction.instruction for instruction in before.instructions},
        {instruction.instruction for instruction in after.instructions},
    )
    yield from _said("question", *({question.fact for question in decision.ask} for decision in (before, after)))
    old, new = ({found.fact: found.value for found in decision.assessments} for decision in (before, after))
    for fact in dict.fromkeys([*old, *new]):
        if old.get(fact) != new.get(fact):
            yield "assessment", f"{fact} {describe_value(old.get(fact))} -> {describe_value(new.get(fact))}"


def _size_differences(before: Decision, after: Decision) -> Iterator[tuple[str, str]]:
    was, now = (None if decision.size_class is None else decision.size_class.code for decision in (before, after))
    if was != now:
        kind = "size withheld" if now is None else "size released" if was is None else "size"
        yield kind, f"{was or 'none'} -> {now or 'none'}"
    else:
        tries = [[option.size_class.code for option in decision.candidates] for decision in (before, after)]
        if tries[0] != tries[1]:
            yield "sizes to try", f"{', '.join(tries[0])} -> {', '.join(tries[1])}"
    if before.confidence != after.confidence and was is not None and now is not None:
        yield "confidence", f"{before.confidence} -> {after.confidence}"
    if before.settled != after.settled:
        yield "settled", f"{describe_value(before.settled)} -> {describe_value(after.settled)}"


def _said(kind: str, before: set[str], after: set[str]) -> Iterator[tuple[str, str]]:
    for text in sorted(before - after):
        yield f"{kind} no longer said", text
    for text in sorted(after - before):
        yield f"{kind} new", text


def _caution_differences(before: Decision, after: Decision) -> Iterator[tuple[str, str]]:
    """Cautions that came and went; where a rule that gave one now says it otherwise, that is one change and not two."""
    was, now = (
        {f"{one.severity}: {one.text}": set(one.rules) for one in decision.cautions} for decision in (before, after)
    )
    gone, come = (
        {text: rules for text, rules in one.items() if text not in other} for one, other in ((was, now), (now, was))
    )
    for text, rules in list(gone.items()):
        instead = next((other for other, giving in come.items() if giving & rules), None)
        if instead is not None:
            del gone[text], come[instead]
            yield "caution reworded", f"{text} -> {instead}"
    yield from _said("caution", set(gone), set(come))


def _task_differences(before: Decision, after: Decision) -> Iterator[tuple[str, str]]:
    was, now = ({task.task: task for task in decision.tasks} for decision in (before, after))
    for name in dict.fromkeys([*was, *now]):
        if name not in now:
            yield "task no longer asked for", was[name].title
        elif name not in was:
            yield "task new", f"{now[name].title}, {now[name].timing_words}"
        else:
            words = ", ".join(_task_words(was[name], now[name]))
            if words:
                yield "task changed", f"{now[name].title}: {words}"


def _task_words(was: Task, now: Task) -> Iterator[str]:
    for key in ("timing_words", "people", "performer_words", "location", "instruction"):
        before, after = getattr(was, key), getattr(now, key)
        if before != after:
            yield f"{_shown(before)} -> {_shown(after)}"
    if set(was.details) != set(now.details):
        yield "other details"
