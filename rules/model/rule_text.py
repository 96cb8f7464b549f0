"""What a rule does, in words: one line an effect."""

from __future__ import annotations

import re
from collections.abc import Iterator

from rules.model import expressions
from rules.model.facts import FactValue
from rules.model.quantity_words import quantity_words
from rules.model.ruleset import Basis, Correction, Rule, Ruleset

_BASES: dict[Basis, str] = {"measured": "measured", "observed": "estimated", "assumed": "a stand-in"}
_NAME = re.compile(r"(?<![\w.])[a-z][a-z0-9]*(?:_[a-z0-9]+)+(?!\w|\.\w)")
_PARAMETER_NOTE = re.compile(r" \([a-z][a-z0-9]*_[a-z0-9_]*(?: [-+*/] [a-z0-9_.]+)*\)")
_TRUTH = {"is true": "is yes", "is false": "is no", "is not true": "is not yes", "is not false": "is not no"}


def describe_effects(ruleset: Ruleset, rule: Rule) -> Iterator[str]:
    """The effects of ``rule``, one line each, in the words of ``ruleset``: no name of a fact, task or parameter."""
    then = rule.then
    for conclusion in then.conclusions:
        fact = ruleset.vocabulary[conclusion.fact]
        if conclusion.expression is None:
            yield f"conclude {fact.label}: {_stated(conclusion.value, fact.unit)}"
        else:
            yield f"work out {fact.label}: {in_words(ruleset, expressions.render(conclusion.expression))}"
    for offer in then.sizes:
        words = ruleset.axes[offer.axis].words[offer.value]
        first = ", to be tried first" if offer.first else ""
        yield f"offer {words}{'' if offer.value in words else f' ({in_words(ruleset, offer.value)})'}: {_BASES[offer.basis]}{first}"
    for hold in then.holds:
        yield f"{'no collar is sized' if hold.kind == 'do_not_size' else 'no size yet'}: {hold.text}"
    for caution in then.cautions:
        yield f"caution ({caution.severity}): {caution.text}"
    for call in then.tasks:
        who = [f"by {ruleset.roles[call.performer]}"] if call.performer is not None else []
        who += [f"{call.people} people"] if call.people is not None else []
        who += [f"{ruleset.hands[name].words}: {count}" for name, count in call.hands.items()]
        title = ruleset.tasks[call.task].title
        if call.joins:
            said = "; ".join([*([", ".join(who)] if who else []), *([call.detail] if call.detail else [])])
            yield f"where a task is to {title[:1].lower()}{title[1:]}: {said}"
            continue
        detail = f"; {call.detail}" if call.detail else ""
        yield f"task, {title[:1].lower()}{title[1:]}: {', '.join([call.timing.describe(ruleset.triggers), *who])}{detail}"
    for correction in then.corrections:
        yield _correction(ruleset, correction)
    for name in then.instructions:
        yield f"hand out the leaflet's part on: {in_words(ruleset, name)}"
    for name in then.questions:
        yield f"ask for {ruleset.vocabulary[name].label} where it is not recorded"


def in_words(ruleset: Ruleset, text: str) -> str:
    """``text`` with the label in place of each name of a fact, task or axis, other names without underscores, yes and no.

    The labels are those of ``ruleset``. The parameters behind a number, in brackets, are left out.
    """

    def label(found: re.Match[str]) -> str:
        name = found[0]
        if name in ruleset.vocabulary:
            return ruleset.vocabulary[name].label
        if name in ruleset.tasks:
            return ruleset.tasks[name].title
        return ruleset.axes[name].title if name in ruleset.axes else name.replace("_", " ")

    plain = _PARAMETER_NOTE.sub("", text)
    for written, said in _TRUTH.items():
        plain = plain.replace(written, said)
    return _NAME.sub(label, plain)


def _stated(value: FactValue | None, unit: str | None) -> str:
    return "not known" if value is None else quantity_words(value, unit)


def _correction(ruleset: Ruleset, correction: Correction) -> str:
    of = "" if correction.finding is None else f" {ruleset.vocabulary[correction.finding].label}"
    if correction.step is not None:
        way = "up" if correction.step.by > 0 else "down"
        what = f"one step {way} in {ruleset.axes[correction.step.axis].title}"
    else:
        what = {"reseat": "seat again", "refer": "ask the orthotist", "stop": "stop and call"}[correction.action]
    return f"correct{of}: {what}; {correction.cause} {correction.correction}"


def describe_value(value: FactValue | None) -> str:
    """``value`` as a knowledge file writes it; a missing one is ``unknown``."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)
