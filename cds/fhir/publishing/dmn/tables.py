"""The rule set as decision models: which size, whether a collar is needed, how often to look at the skin, how many people."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from cds.fhir.publishing.dmn.cells import arithmetic, literal, rows
from cds.fhir.publishing.dmn.decision_model import Decision, DecisionModel, DecisionTable, Formula, TableRow
from cds.fhir.publishing.expression_languages.notation import strength_number
from rules.evaluation.hit_policy import sizing_part
from rules.model import expressions
from rules.model.facts import FactDefinition
from rules.model.ruleset import Axis, Conclusion, Rule, Ruleset, TaskDefinition

NEED = "need"
"""The topic whose conclusions say whether a collar is needed."""
SKIN = "inspect_skin"
"""The task whose interval is how often the skin is looked at."""


def decision_models(ruleset: Ruleset) -> tuple[DecisionModel, ...]:
    """The four models of ``ruleset``, each with the conclusions that it builds on."""
    sizing = sizing_part(ruleset)
    need = ruleset.part(lambda rule: rule.topic == NEED and bool(rule.writes))
    skin = ruleset.part(lambda rule: any(call.task == SKIN for call in rule.then.tasks))
    people = ruleset.part(lambda rule: bool(rule.then.tasks))
    return (
        _model("sizing", "Size class", ruleset, sizing, _size(sizing)),
        _model("need", "Need for a collar", ruleset, need, ()),
        _model("skin-inspection", "Interval of skin inspection", ruleset, skin, _interval(skin)),
        _model("people", "People for each task", ruleset, people, _people(people)),
    )


def recorded(fact: FactDefinition) -> str:
    """The input of the recorded value of ``fact``: the fact itself, unless rules may conclude it too."""
    return f"recorded_{fact.name}" if fact.given == "either" else fact.name


def _model(name: str, title: str, whole: Ruleset, part: Ruleset, outcome: Iterable[Decision]) -> DecisionModel:
    # What rules of the part conclude by the way, and others that are not in it conclude too, would be half a table.
    half = {fact for rule in whole.rules.values() if rule.id not in part.rules for fact in _concluded(rule)}
    decisions = (*(decision for decision in _conclusions(part) if decision.name not in half), *outcome)
    given = {decision.name for decision in decisions}
    needed = (need for decision in decisions for need in _needs(decision))
    return DecisionModel(name, title, tuple(dict.fromkeys(need for need in needed if need not in given)), decisions)


def _concluded(rule: Rule) -> Iterator[str]:
    return (conclusion.fact for conclusion in rule.then.conclusions)


def _needs(decision: Decision) -> tuple[str, ...]:
    return decision.needs if isinstance(decision, Formula) else decision.inputs


# --- conclusions -----------------------------------------------------------------------------------------------------------


def _conclusions(ruleset: Ruleset) -> Iterator[Decision]:
    """One table a fact that rules conclude, in the order of the layers; recorded beats derived."""
    layers = {
        conclusion.fact: layer
        for layer, stratum in enumerate(ruleset.strata)
        for rule in stratum
        for conclusion in rule.then.conclusions
    }
    for name in sorted(layers, key=lambda fact: layers[fact]):
        yield _conclusion(ruleset, ruleset.vocabulary[name])
    for fact in ruleset.vocabulary.values():
        if fact.given == "either" and fact.name not in layers and fact.name in ruleset.facts_read:
            yield Formula(fact.name, fact.label, (recorded(fact),), recorded(fact))


def _conclusion(ruleset: Ruleset, fact: FactDefinition) -> DecisionTable:
    drawn = [row for rule, conclusion in ruleset.drawn(fact.name) for row in _concluding(rule, conclusion, ruleset)]
    if fact.given == "either":
        known = TableRow({recorded(fact): "not(null)"}, {fact.name: recorded(fact)}, "recorded")
        drawn.insert(0, known)
    return _table(fact.name, fact.label, (fact.name,), drawn, "FIRST")


def _concluding(rule: Rule, conclusion: Conclusion, ruleset: Ruleset) -> Iterator[TableRow]:
    if conclusion.expression is None:
        yield from _rows_of(rule, {conclusion.fact: literal(conclusion.value)}, ruleset)
        return
    value, allowed = arithmetic(conclusion.expression), ruleset.vocabulary[conclusion.fact].range
    low, high = (None, None) if allowed is None else map(literal, allowed)
    plausible = value if allowed is None else f"if {value} in [{low}..{high}] then {value} else null"
    known = dict.fromkeys(sorted(expressions.names(conclusion.expression)), "not(null)")
    for row in _rows_of(rule, {conclusion.fact: plausible}, ruleset):
        yield TableRow(known | dict(row.cells), row.outputs, row.rule)


def _rows_of(rule: Rule, outputs: dict[str, str], ruleset: Ruleset) -> Iterator[TableRow]:
    for cells in rows(rule.when, ruleset.vocabulary):
        yield TableRow(cells, outputs, rule.id)


def _table(
    name: str, label: str, outputs: tuple[str, ...], listed: Iterable[TableRow], policy: str, **more: str
) -> DecisionTable:
    found = tuple(listed)
    inputs = tuple(dict.fromkeys(fact for row in found for fact in row.cells))
    return DecisionTable(name, label, inputs, outputs, found, policy, **more)  # type: ignore[arg-type]


# --- outcomes --------------------------------------------------------------------------------------------------------------


def _size(ruleset: Ruleset) -> Iterator[Decision]:
    for axis in ruleset.axes.values():
        yield from _axis(axis, ruleset)
    held = _every(ruleset, lambda rule: [{"holds": literal(hold.text)} for hold in rule.then.holds])
    yield _table("holds", "Reasons to give no size", ("holds",), held, "COLLECT")


def _axis(axis: Axis, ruleset: Ruleset) -> Iterator[Decision]:
    """What is offered, and of the strongest offers the values in the order to try, numbered along the axis from 1."""
    offers = f"{axis.name}_offers"

    def offered(rule: Rule) -> list[dict[str, str]]:
        return [
            {
                "place": str(axis.place(offer) + 1),
                "strength": str(strength_number(rule, offer)),
            }
            for offer in rule.then.sizes
            if offer.axis == axis.name
        ]

    yield _table(offers, f"Offers: {axis.title}", ("place", "strength"), _every(ruleset, offered), "COLLECT")
    strongest = f"{offers}[strength = min({offers}.strength)].place"
    ordered = f"sort({strongest}, function(one, other) one < other)"
    values = f"for place in {ordered} return if place > {len(axis.values)} then place - {len(axis.values)} else place"
    expression = f"if count({offers}) = 0 then [] else distinct values({values})"
    yield Formula(f"{axis.name}_candidates", f"Candidates: {axis.title}", (offers,), expression)


def _interval(ruleset: Ruleset) -> Iterator[Decision]:
    def hours(rule: Rule) -> list[dict[str, str]]:
        intervals = [call.timing.interval_hours for call in rule.then.tasks if call.task == SKIN]
        return [{"interval": literal(interval)} for interval in intervals if interval is not None]

    listed = _every(ruleset, hours)
    yield _table(
        f"{SKIN}_interval", "Hours between looks at the skin", ("interval",), listed, "COLLECT", aggregation="MIN"
    )


def _people(ruleset: Ruleset) -> Iterator[Decision]:
    asked = {call.task for rule in ruleset.rules.values() for call in rule.then.tasks if not call.joins}
    for task in ruleset.tasks.values():
        if task.id in asked:
            yield from _people_for(task, ruleset)


def _people_for(task: TaskDefinition, ruleset: Ruleset) -> Iterator[Decision]:
    """Who asks for the task or adds to it, and how many people it takes: one for each hand, never fewer than asked for."""
    called = [call for rule in ruleset.rules.values() for call in rule.then.tasks if call.task == task.id]
    hands = tuple(dict.fromkeys([*task.hands, *(hand for call in called for hand in call.hands)]))

    def counted(rule: Rule) -> list[dict[str, str]]:
        return [
            {
                "asks": literal(not call.joins),
                "least": str(call.people or task.people),
                **{hand: str(max(call.hands.get(hand, 0), task.hands.get(hand, 0))) for hand in hands},
            }
            for call in rule.then.tasks
            if call.task == task.id
        ]

    calls = f"{task.id}_calls"
    yield _table(calls, f"Who asks: {task.title}", ("asks", "least", *hands), _every(ruleset, counted), "COLLECT")
    summed = " + ".join(f"max({calls}.{hand})" for hand in hands) or "0"
    least = f"max([{task.people}, max({calls}.least), {summed}])"
    expression = f"if count({calls}[asks = true]) = 0 then null else {least}"
    yield Formula(f"{task.id}_people", f"People: {task.title}", (calls,), expression)


def _every(ruleset: Ruleset, outputs: Callable[[Rule], list[dict[str, str]]]) -> Iterator[TableRow]:
    """A row for each way in which a rule fires and each of its ``outputs``."""
    for rule in ruleset.rules.values():
        for given in outputs(rule):
            yield from _rows_of(rule, given, ruleset)
