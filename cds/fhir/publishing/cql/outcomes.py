"""What follows from the facts, in Clinical Quality Language: conclusions, rules that fire, size, cautions and merged tasks.

Each definition says what the module of the same idea in ``rules`` does: conclusions ``rules.evaluation.interpreter``, the size
``rules.evaluation.hit_policy``, tasks ``rules.evaluation.task_merging`` and ``rules.model.timing``.
"""

from __future__ import annotations

from collections.abc import Iterator

from cds.fhir.canonical_urls import code
from cds.fhir.publishing.cql.fact_definitions import recorded
from cds.fhir.publishing.cql.syntax import (
    arithmetic,
    condition,
    define,
    listed,
    literal,
    name,
    number,
    optional,
    step,
    text,
)
from cds.fhir.publishing.expression_languages.notation import MORE_THAN_ANY_PRIORITY, strength_number
from rules.deciding.decider import WORN
from rules.model.facts import FactDefinition
from rules.model.ruleset import BASES, Axis, Conclusion, Rule, Ruleset, TaskCall, TaskDefinition
from rules.model.timing import Timing


def conclusions(ruleset: Ruleset) -> Iterator[str]:
    """Each fact that rules of ``ruleset`` conclude.

    Recorded beats derived, then come the earlier layer, the higher priority, the earlier rule.
    """
    for fact in ruleset.vocabulary.values():
        if fact.given == "observed":
            continue
        drawn = [_conclusion(rule, conclusion, fact) for rule, conclusion in ruleset.drawn(fact.name)]
        given = [name(recorded(fact))] if fact.given == "either" else []
        kind = {"boolean": "Boolean", "code": "String"}.get(fact.type, "Decimal")
        values = [*given, *drawn] or [f"null as {kind}"]
        yield define(fact.name, f"Coalesce({listed(values)})", f"{fact.label}: {fact.meaning}")


def _conclusion(rule: Rule, conclusion: Conclusion, fact: FactDefinition) -> str:
    if conclusion.expression is None:
        assert conclusion.value is not None
        return f"if {name(rule.id)} then {literal(conclusion.value)} else null"
    value = arithmetic(conclusion.expression)
    if fact.range is not None:
        counted_in = optional(None if fact.counted_in is None else number(fact.counted_in), "Decimal")
        value = f'"Within"({value}, {number(fact.range[0])}, {number(fact.range[1])}, {counted_in})'
    return f"if {name(rule.id)} then {value} else null"


def rules(ruleset: Ruleset) -> Iterator[str]:
    """Each rule of ``ruleset``, layer by layer, and all that fire."""
    for number_of_layer, stratum in enumerate(ruleset.strata, start=1):
        yield f"// --- layer {number_of_layer}: reads only what earlier layers conclude\n"
        for rule in stratum:
            yield define(rule.id, condition(rule.when), rule.because)
    entries = (f"Tuple {{ rule: {text(rule)}, fires: {name(rule)} }}" for rule in ruleset.rules)
    yield step("Rule Table", listed(entries))
    yield define("Rules That Fire", '"Rule Table" R where R.fires return all R.rule')


def size(ruleset: Ruleset) -> Iterator[str]:
    """The candidates on each axis of ``ruleset`` in the order to try, what stands against any size, and the class to try first."""
    for axis in ruleset.axes.values():
        yield from _axis(axis, ruleset)
    held = (
        f"Tuple {{ kind: {text(code(hold.kind))}, axis: {optional(hold.axis and text(code(hold.axis)), 'String')}, "
        f"text: {text(hold.text)}, fires: {name(rule.id)} }}"
        for rule in ruleset.rules.values()
        for hold in rule.then.holds
    )
    kept = "H where H.fires return Tuple { kind: H.kind, axis: H.axis, text: H.text }"
    yield step("Hold Table", listed(held))
    yield define("Holds", f'"Hold Table" {kept}', "Why no size is given")
    none = " or ".join(f"not exists {name(_candidates(axis))}" for axis in ruleset.axes.values())
    yield step("Size Withheld", f'exists "Holds" or {none}')
    # Not by Combine, of which engines differ in what it makes of a null.
    spoken = "\n    + ".join(f"Coalesce(' ' + {_spoken(axis)}, '')" for axis in ruleset.axes.values())
    yield define("Size Class", f'if "Size Withheld" then null else Substring({spoken}, 1)', "To try first")


def _axis(axis: Axis, ruleset: Ruleset) -> Iterator[str]:
    offers = (
        f"Tuple {{ place: {axis.place(offer)}, strength: {strength_number(rule, offer)}, fires: {name(rule.id)} }}"
        for rule in ruleset.rules.values()
        for offer in rule.then.sizes
        if offer.axis == axis.name
    )
    offered = f"Offers of {axis.name}"
    yield step(f"Offer Table of {axis.name}", listed(offers))
    yield step(offered, f"{name(f'Offer Table of {axis.name}')} O where O.fires")
    strongest = f"O.strength = Min({name(offered)} X return all X.strength)"
    places = f"Places of {axis.name}"
    yield step(
        places, f"{name(offered)} O where {strongest} return O.place sort asc", "What is offered first, then the rest"
    )
    ranks = f"{name(places)} P return P mod {len(axis.values)}"
    yield step(_candidates(axis), ranks, f"Of {axis.title}, numbered as in {', '.join(axis.values)}, from 0")
    bases = " ".join(
        f"when Min({name(offered)} X return all X.strength) <= {place * MORE_THAN_ANY_PRIORITY + MORE_THAN_ANY_PRIORITY // 2} "
        f"then {text(basis)}"
        for place, basis in enumerate(BASES)
    )
    yield step(f"Basis of {axis.name}", f"case {bases} else null end")


def _candidates(axis: Axis) -> str:
    return f"Candidates of {axis.name}"


def _spoken(axis: Axis) -> str:
    """The first candidate as a size class names it; an axis keeps silent about its usual value."""
    said = " ".join(
        f"when First({name(_candidates(axis))}) = {axis.rank(value)} then {text(value)}"
        for value in axis.values
        if value != axis.silent
    )
    return f"(case {said} else null end)"


def cautions(ruleset: Ruleset) -> Iterator[str]:
    """Every caution of ``ruleset`` that is said, once."""
    said = (
        f"Tuple {{ severity: {text(caution.severity)}, summary: {text(caution.summary)}, text: {text(caution.text)}, "
        f"fires: {name(rule.id)} }}"
        for rule in ruleset.rules.values()
        for caution in rule.then.cautions
    )
    kept = "C where C.fires return Tuple { severity: C.severity, summary: C.summary, text: C.text }"
    yield step("Caution Table", listed(said))
    yield define("Cautions", f'"Caution Table" {kept}')


def tasks(ruleset: Ruleset) -> Iterator[str]:
    """Each piece of care in ``ruleset`` with all the rules that ask for it merged, and everything that is asked for."""
    for task in ruleset.tasks.values():
        yield from _task(task, ruleset)
    asked = dict.fromkeys(call.task for rule in ruleset.rules.values() for call in rule.then.tasks if not call.joins)
    every = (name(merged_task(task)) for task in ruleset.tasks if task in asked)
    yield step("Task Table", listed(every))
    yield define("Tasks", '"Task Table" T where T is not null return all T')


def _task(task: TaskDefinition, ruleset: Ruleset) -> Iterator[str]:
    called = [(rule, call) for rule in ruleset.rules.values() for call in rule.then.tasks if call.task == task.id]
    if all(call.joins for _, call in called):
        return
    hands = list(dict.fromkeys([*task.hands, *(hand for _, call in called for hand in call.hands)]))
    table = f"Call Table of {code(task.id)}"
    yield step(table, listed(_call(rule, call, hands) for rule, call in called))
    yield step(_calls(task.id), f"{name(table)} C where C.fires")
    merged = ",\n    ".join(f"{element}: {value}" for element, value in _merge(task, hands).items())
    asked = f"exists ({name(_calls(task.id))} C where not C.joins)"
    yield define(merged_task(task.id), f"if {asked} then Tuple {{\n    {merged}\n  }} else null", task.title)


def _call(rule: Rule, call: TaskCall, hands: list[str]) -> str:
    elements = {
        "fires": name(rule.id),
        "joins": str(call.joins).lower(),
        "people": optional(None if call.people is None else str(call.people), "Integer"),
        "performer": optional(call.performer and text(code(call.performer)), "String"),
        **{_hand(hand): str(call.hands.get(hand, 0)) for hand in hands},
        **_timing(call.timing),
    }
    return f"Tuple {{ {', '.join(f'{element}: {value}' for element, value in elements.items())} }}"


def _timing(timing: Timing) -> dict[str, str]:
    hours = {
        "first": timing.within_hours,
        "of_wear": timing.within_wear_hours,
        "interval": timing.interval_hours,
        "span": timing.for_days,
    }
    events = ", ".join(text(code(event)) for event in timing.on)
    return {
        **{element: optional(None if value is None else number(value), "Decimal") for element, value in hours.items()},
        "events": f"{{ {events} }}" if events else "List<String> { }",
    }


def _merge(task: TaskDefinition, hands: list[str]) -> dict[str, str]:
    """The elements of the merged task: strictest timing, all hands, the performer asked for last."""
    calls = name(_calls(task.id))

    def every(element: str) -> str:
        return f"{calls} C return all C.{element}"

    fewest = f"Coalesce(Max({every('people')}), {task.people})"
    counts = [f"Max({{ {task.hands.get(hand, 0)}, Max({every(_hand(hand))}) }})" for hand in hands] or ["0"]
    performer = f"Last({calls} C where C.performer is not null return all C.performer)"
    left = f"Max({{ 0.0, Min({every('of_wear')}) - Coalesce({name(WORN)}, 0.0) }})"
    repeating = f"{calls} C where C.interval is not null"
    days = f"if exists ({repeating} and C.span is null) then null else Max({repeating} return all C.span)"
    return {
        "task": text(code(task.id)),
        "people": f"Max({{ {task.people}, {fewest}, {' + '.join(counts)} }})",
        "performer": f"Coalesce({performer}, {text(code(task.performer))})",
        "first_within_hours": f"Min({{ Min({every('first')}), "
        f"if Min({every('of_wear')}) is null then null else {left} }})",
        "interval_hours": f"Min({every('interval')})",
        "for_days": days,
        "events": f"distinct flatten ({every('events')})",
    }


def _hand(hand: str) -> str:
    return f"hand_{hand}"


def _calls(task: str) -> str:
    return f"Calls of {code(task)}"


def merged_task(task: str) -> str:
    """The definition of ``task`` with everything that rules ask of it; null where none asks for it."""
    return f"Task {code(task)}"
