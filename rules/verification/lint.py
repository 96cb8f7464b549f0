"""What loads but is not right: each finding has its file and line.

Names that nothing uses, rules that never fire, units and thresholds that do not fit, texts that say nearly the same.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

from rules.errors import Place
from rules.loading.source_map import SourceMap
from rules.model.conditions import Compare, UnlessKnownNot, describe, parts
from rules.model.facts import FactDefinition
from rules.model.ruleset import Rule, Ruleset
from rules.verification.prover import every_rule_can_fire
from rules.verification.recorded_no import hanging_on_a_recorded_no
from rules.verification.unit_check import UnitMismatch, check

Check = Literal[
    "unused",
    "unreachable",
    "recorded no",
    "lapsing danger",
    "lasting denial",
    "units",
    "threshold",
    "text",
    "translation",
]

LONGEST_SUMMARY = 120
"""Characters of a summary. CDS Hooks allows 140 on a card; some of them say what kind of card it is and how many more."""
_NEARLY = 0.85
"""Share of words that two cautions have in common from which they say nearly the same."""
_TIMING_UNITS = {
    "every_hours": "h",
    "within_hours": "h",
    "within_wear_hours": "h",
    "times_per_day": "/d",
    "for_days": "d",
    "people": "{person}",
}


@dataclass(frozen=True)
class LintFinding:
    """One thing that is not right, and where."""

    check: Check
    place: Place
    message: str

    def __str__(self) -> str:
        return f"{self.place}: {self.check}: {self.message}"


def lint(ruleset: Ruleset, written: SourceMap) -> tuple[LintFinding, ...]:
    """Every finding in ``ruleset``, which was loaded from ``written``, in the order of file and line."""
    found = [
        *_unused(ruleset, written),
        *_unreachable(ruleset),
        *_recorded_no(ruleset),
        *_lapsing_dangers(ruleset, written),
        *_lasting_denials(ruleset, written),
        *_units(ruleset, written),
        *_thresholds(ruleset, written),
        *_texts(ruleset, written),
        *_translations(ruleset),
    ]
    return tuple(sorted(found, key=lambda finding: (finding.place.file, finding.place.line or 0, finding.message)))


# --- names -----------------------------------------------------------------------------------------------------------


def _unused(ruleset: Ruleset, written: SourceMap) -> Iterator[LintFinding]:
    rules = ruleset.rules.values()
    calls = [call for rule in rules for call in rule.then.tasks]
    facts = ruleset.facts_read | {axis.fact for axis in ruleset.axes.values() if axis.fact}
    facts |= {name for name, fact in ruleset.vocabulary.items() if fact.reported}
    facts |= {name for rule in rules for name in rule.then.questions}
    stale = {limit for fact in ruleset.vocabulary.values() for limit in fact.age_limits().values()}
    performers = {call.performer for call in calls} | {task.performer for task in ruleset.tasks.values()}
    hands = {hand for call in calls for hand in call.hands} | {
        hand for task in ruleset.tasks.values() for hand in task.hands
    }
    used: dict[str, tuple[Iterable[str], set[Any], str]] = {
        "facts": (ruleset.vocabulary, set(facts), "no rule reads this fact"),
        "parameters": (
            ruleset.parameters,
            {name for rule in rules for name in rule.parameters}
            | {name for leaflet in ruleset.leaflets.values() for name in leaflet.parameters}
            | {name for name, parameter in ruleset.parameters.items() if parameter.read_by}
            | stale
            | _edges(ruleset, written),
            "no rule, axis, fact or leaflet uses this parameter",
        ),
        "topics": (ruleset.confirmed_by, {rule.topic for rule in rules}, "no rule is of this topic"),
        "sources": (
            ruleset.sources,
            _cited(ruleset),
            "no rule or parameter rests on this source",
        ),
        "tasks": (ruleset.tasks, {call.task for call in calls if not call.joins}, "no rule asks for this task"),
        "hands": (ruleset.hands, hands, "no task takes this hand"),
        "roles": (ruleset.roles, performers, "nobody of this role is asked for"),
        "instructions": (
            {name: None for leaflet in ruleset.leaflets.values() for name in leaflet.texts},
            {name for rule in rules for name in rule.then.instructions},
            "no rule hands this out",
        ),
        "triggers": (ruleset.triggers, {event for call in calls for event in call.timing.on}, "no task is due on this"),
    }
    for section, (names, users, message) in used.items():
        for name in names:
            if name not in users:
                yield LintFinding("unused", written.entry(section, name), message)


def _cited(ruleset: Ruleset) -> set[str]:
    cited = {source for rule in ruleset.rules.values() for source in rule.sources}
    return cited | {source for parameter in ruleset.parameters.values() for source in parameter.sources}


def _edges(ruleset: Ruleset, written: SourceMap) -> set[str]:
    return {edge for name in ruleset.axes for edge in written.value("axes", name).get("edges", ())}


def _unreachable(ruleset: Ruleset) -> Iterator[LintFinding]:
    for found in every_rule_can_fire(ruleset).unreachable:
        rule = ruleset.rules[found.rule]
        without = f"; it could without: {' or '.join(found.without)}" if found.without else ""
        yield LintFinding("unreachable", rule.place, f"rule {rule.id} fires for no plausible patient{without}")


def _recorded_no(ruleset: Ruleset) -> Iterator[LintFinding]:
    for rule, fact in hanging_on_a_recorded_no(ruleset):
        message = f"the critical caution of {rule.id} waits for a recorded no of {fact}; use unless_known_not"
        yield LintFinding("recorded no", rule.place, message)


def _lapsing_dangers(ruleset: Ruleset, written: SourceMap) -> Iterator[LintFinding]:
    """Dangers that end where nobody looks again, as soon as the word that there is none would be too old."""
    for name, fact in ruleset.vocabulary.items():
        if fact.danger is not None and fact.stale_after_hours is not None:
            lasting = fact.lasting.answers if fact.lasting is not None else ()
            for answer in fact.danger.answers:
                if answer not in lasting:
                    message = f"{name}: the danger {answer} grows stale as its absence does; put it under lasting"
                    yield LintFinding("lapsing danger", written.entry("facts", name), message)


def _lasting_denials(ruleset: Ruleset, written: SourceMap) -> Iterator[LintFinding]:
    """Dangers that somebody once found absent, and that are taken for absent ever after."""
    for name, fact in ruleset.vocabulary.items():
        if fact.danger is not None and fact.given != "concluded" and fact.stale_after_hours is None:
            message = f"{name}: that there is no danger is believed for good; give it stale_after_hours"
            yield LintFinding("lasting denial", written.entry("facts", name), message)


# --- numbers ---------------------------------------------------------------------------------------------------------


def _units(ruleset: Ruleset, written: SourceMap) -> Iterator[LintFinding]:
    def unit_of(name: str) -> str | None:
        if name in ruleset.parameters:
            return ruleset.parameters[name].unit
        return ruleset.vocabulary[name].unit

    for what, text, wanted, place in _numbers(ruleset, written):
        try:
            check(text, unit_of, wanted)
        except UnitMismatch as error:
            yield LintFinding("units", place, f"{what}: {error}")


def _numbers(ruleset: Ruleset, written: SourceMap) -> Iterator[tuple[str, Any, str | None, Place]]:
    """Every number of the knowledge: what it is for, as written, the unit it must have, and its place."""
    vocabulary = ruleset.vocabulary
    for rule in ruleset.rules:
        for found in written.comparisons(rule):
            if vocabulary[found.fact].numeric:
                values = found.value if isinstance(found.value, list) else [found.value]
                for value in values:
                    yield f"{found.fact} {found.comparator}", value, vocabulary[found.fact].unit, found.place
        for fact, value in written.conclusions(rule).items():
            if vocabulary[fact].numeric:
                yield f"conclusion {fact}", value, vocabulary[fact].unit, written.rule(rule, "then", "conclude", fact)
        for index, call in enumerate(written.tasks(rule)):
            for key, unit in _TIMING_UNITS.items():
                if key in call:
                    yield (
                        f"task {call.get('task', 'of a kind')}, {key}",
                        call[key],
                        unit,
                        written.rule(rule, "then", "tasks", index, key),
                    )
            for hand, count in call.get("hands", {}).items():
                place = written.rule(rule, "then", "tasks", index, "hands", hand)
                yield f"hands, {hand}", count, "{person}", place
    for name, axis in ruleset.axes.items():
        for edge in written.value("axes", name).get("edges", ()):
            yield (
                f"edge of {name}",
                edge,
                vocabulary[axis.fact].unit if axis.fact else "mm",
                written.entry("axes", name),
            )
    for name, definition in vocabulary.items():
        for key, limit in definition.age_limits().items():
            if isinstance(limit, str):
                yield f"{name} {key}", limit, "h", written.entry("facts", name)


def _thresholds(ruleset: Ruleset, written: SourceMap) -> Iterator[LintFinding]:
    for rule in ruleset.rules.values():
        places = written.conditions(rule.id)
        for path, part in parts(rule.when):
            comparison = part.comparison if isinstance(part, UnlessKnownNot) else part
            if isinstance(comparison, Compare):
                fact = ruleset.vocabulary[comparison.fact]
                problem = _threshold_problem(fact, comparison)
                if problem is not None:
                    message = f"{describe(comparison)} {problem}; {fact.name} is {fact.accepted}"
                    yield LintFinding("threshold", places[path], f"rule {rule.id}: {message}")


def _threshold_problem(fact: FactDefinition, part: Compare) -> str | None:
    values = part.value if isinstance(part.value, tuple) else (part.value,)
    if not fact.numeric:
        return None
    for value in values:
        problem = fact.problem(value)
        between_steps = isinstance(value, (int, float)) and fact.on_step(value) != value
        if problem is not None and (not between_steps or part.comparator in ("is", "is_not")):
            return "compares with a value that is " + problem
    if fact.range is None or part.comparator not in ("at_least", "above", "at_most", "below"):
        return None
    low, high = fact.range
    (value,) = values
    if (part.comparator == "at_least" and value == low) or (part.comparator == "at_most" and value == high):
        return "is true of every plausible value"
    if (part.comparator == "above" and value == high) or (part.comparator == "below" and value == low):
        return "is false of every plausible value"
    return None


# --- texts -----------------------------------------------------------------------------------------------------------


def _texts(ruleset: Ruleset, written: SourceMap) -> Iterator[LintFinding]:
    titles: dict[str, list[Rule]] = defaultdict(list)
    for rule in ruleset.rules.values():
        titles[rule.title.casefold()].append(rule)
    for first, *others in titles.values():
        for other in others:
            message = f"rule {other.id} has the title of {first.id} ({first.place.file}:{first.place.line})"
            yield LintFinding("text", written.rule(other.id, "title"), message)
    yield from _cautions(ruleset, written)
    yield from _summaries(ruleset, written)


def _summaries(ruleset: Ruleset, written: SourceMap) -> Iterator[LintFinding]:
    """Summaries that the head of a card cannot hold: it is never cut, so a long text needs a sentence of its own."""
    for rule in ruleset.rules.values():
        said = [("caution", index, caution.summary) for index, caution in enumerate(rule.then.cautions)]
        said += [("hold", index, hold.summary) for index, hold in enumerate(rule.then.holds)]
        for effect, index, summary in said:
            if len(summary) > LONGEST_SUMMARY:
                place = written.rule(rule.id, "then", effect, index)
                message = (
                    f"the summary of {rule.id} has {len(summary)} characters; write one of at most {LONGEST_SUMMARY}"
                )
                yield LintFinding("text", place, message)


def _cautions(ruleset: Ruleset, written: SourceMap) -> Iterator[LintFinding]:
    said: dict[tuple[str, str], tuple[Rule, int]] = {}
    for rule in ruleset.rules.values():
        for index, caution in enumerate(rule.then.cautions):
            said.setdefault((caution.text, caution.severity), (rule, index))
    for (first, (rule, _)), (second, (other, index)) in combinations(said.items(), 2):
        if first[0] == second[0]:
            message = f"says at severity {second[1]} what {rule.id} says at severity {first[1]}"
        elif _likeness(first[0], second[0]) >= _NEARLY:
            message = f"says nearly what {rule.id} says; use one text, and a patient will read it once"
        else:
            continue
        place = written.rule(other.id, "then", "caution", index)
        yield LintFinding("text", place, f"the caution of {other.id} {message} ({rule.place.file}:{rule.place.line})")


def _likeness(first: str, second: str) -> float:
    """The share of words that two texts have in common, 0 to 1."""
    a, b = (frozenset(re.findall(r"\w+", text.casefold())) for text in (first, second))
    return len(a & b) / max(len(a | b), 1)


# --- leaflets --------------------------------------------------------------------------------------------------------


def _translations(ruleset: Ruleset) -> Iterator[LintFinding]:
    for leaflet in ruleset.leaflets.values():
        for name, (place, now) in leaflet.outdated.items():
            message = f"{name} was translated from other words than those of today: have it translated again, then write of: {now}"
            yield LintFinding("translation", place, message)
