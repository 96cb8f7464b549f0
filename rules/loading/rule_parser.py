"""One rule of a knowledge file, read against the names that the knowledge defines: conditions, effects, texts."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar, cast

from pydantic import BaseModel, ValidationError

from rules.errors import Place, expected_names, in_plain_words
from rules.loading import schema
from rules.loading.yaml_reader import YamlFile
from rules.model import expressions
from rules.model.conditions import (
    NEGATED,
    ORDERED,
    AllOf,
    AnyOf,
    Comparator,
    Compare,
    Condition,
    Known,
    NoneOf,
    Unknown,
    UnlessKnownNot,
)
from rules.model.durations import duration_words
from rules.model.facts import FactDefinition, FactValue, Vocabulary
from rules.model.ruleset import (
    Axis,
    CautionText,
    Conclusion,
    Correction,
    CorrectiveAction,
    Effects,
    EvidenceSource,
    Hand,
    Hold,
    Parameter,
    Rule,
    SizeOffer,
    Step,
    TaskCall,
    TaskDefinition,
)
from rules.model.timing import Timing

Path = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)
_PLACEHOLDER = re.compile(r"\{([a-z][a-z0-9_]*)\}( hours\b)?")


@dataclass(frozen=True)
class DefinedNames:
    """Everything that a rule may refer to, and who confirms the rules of each topic."""

    vocabulary: Vocabulary
    parameters: Mapping[str, Parameter]
    sources: Mapping[str, EvidenceSource]
    axes: Mapping[str, Axis]
    tasks: Mapping[str, TaskDefinition]
    hands: Mapping[str, Hand]
    roles: Mapping[str, str]
    triggers: Mapping[str, str]
    instructions: tuple[str, ...] = ()
    confirmed_by: Mapping[str, str] = field(default_factory=dict)

    def number(self, text: schema.Number, used: set[str]) -> float:
        """``text`` worked out over parameters, which are added to ``used``. Raises ValueError that says what is wrong."""
        expression = self.with_parameters(expressions.parse(text), used)
        if not isinstance(expression, expressions.Number):
            unknown = ", ".join(sorted(expressions.names(expression)))
            raise ValueError(f"no numeric parameter called {unknown}")
        return expression.value

    def with_parameters(self, expression: expressions.Expression, used: set[str]) -> expressions.Expression:
        """``expression`` with the values of numeric parameters worked in; their names are added to ``used``."""
        values = {}
        for name in expressions.names(expression):
            parameter = self.parameters.get(name)
            if parameter is not None and isinstance(parameter.value, (int, float)):
                values[name] = float(parameter.value) if isinstance(parameter.value, float) else parameter.value
                used.add(name)
        return expressions.substitute(expression, values)

    def fill(self, text: str, used: set[str]) -> str:
        """``text`` with each ``{parameter}`` replaced by its value, millimetres whole: no tape shows less.

        Hours are said as durations: ``{parameter} hours`` becomes ``3 days`` where a site sets 72. The names of the
        parameters are added to ``used``.

        Raises ValueError for a name that is not a parameter.
        """

        def value(found: re.Match[str]) -> str:
            parameter = self.parameters.get(found[1])
            if parameter is None:
                raise ValueError(f"{{{found[1]}}} is not a parameter")
            used.add(found[1])
            if found[2] and parameter.unit == "h" and isinstance(parameter.value, (int, float)):
                return duration_words(parameter.value)
            if not isinstance(parameter.value, float):
                return f"{parameter.value}{found[2] or ''}"
            number = f"{parameter.value:.0f}" if parameter.unit == "mm" else f"{parameter.value:g}"
            return number + (found[2] or "")

        return _PLACEHOLDER.sub(value, text)


@dataclass
class _RuleParsing:
    """One rule being read: where it stands, the parameters it used, and the problems found."""

    source: YamlFile
    path: Path
    names: DefinedNames
    problems: list[tuple[Place, str]]
    used: set[str] = field(default_factory=set)

    def wrong(self, path: Path, message: str) -> None:
        self.problems.append((self.source.place(*self.path, *path), message))

    def shape(self, value: object, shape: type[Model]) -> Model | None:
        found = schema.read(self.source, self.path, value, shape)
        if isinstance(found, list):
            self.problems.extend(found)
            return None
        return found

    def text(self, path: Path, text: str) -> str:
        try:
            return self.names.fill(" ".join(text.split()), self.used)
        except ValueError as error:
            self.wrong(path, str(error))
            return text

    def number(self, path: Path, text: schema.Number | None) -> float | None:
        if text is None:
            return None
        try:
            return self.names.number(text, self.used)
        except ValueError as error:
            self.wrong(path, str(error))
            return None

    def one_of(self, path: Path, name: str, names: Mapping[str, object] | tuple[str, ...], what: str) -> bool:
        if name in names:
            return True
        self.wrong(path, f"no {what} called {name!r}; {expected_names(name, names)}")
        return False

    # --- conditions ------------------------------------------------------------------------------------------------

    def condition(self, path: Path, value: Any) -> Condition:
        if value == "always":
            return AllOf(())
        if not isinstance(value, dict) or not value:
            self.wrong(
                path,
                "expected a condition: always, all, any, none, known, unknown, unless_known_not, or fact with a comparison",
            )
            return AllOf(())
        groups: dict[str, type[AllOf | AnyOf | NoneOf]] = {"all": AllOf, "any": AnyOf, "none": NoneOf}
        key = next(iter(value))
        if key in groups:
            return groups[key](self.group(path, key, value))
        if key in ("known", "unknown"):
            fact = value[key]
            if len(value) > 1:
                self.wrong(path, f"expected nothing beside {key}")
            self.one_of((*path, key), fact, self.names.vocabulary, "fact")
            return Known(fact) if key == "known" else Unknown(fact)
        if key == "unless_known_not":
            return self.unless_known_not(path, value)
        return self.comparisons(path, value)

    def unless_known_not(self, path: Path, value: dict[str, Any]) -> Condition:
        if len(value) > 1:
            self.wrong(path, "expected nothing beside unless_known_not")
        danger = value["unless_known_not"]
        inner: Path = (*path, "unless_known_not")
        if not isinstance(danger, dict) or "fact" not in danger:
            self.wrong(inner, "expected the danger as one comparison: fact, and how it is compared")
            return AllOf(())
        found = self.comparisons(inner, danger)
        if isinstance(found, Compare):
            return UnlessKnownNot(found)
        if len(danger) > 2:
            self.wrong(inner, "expected one comparison; write one unless_known_not for each")
        return AllOf(())

    def group(self, path: Path, key: str, value: dict[str, Any]) -> tuple[Condition, ...]:
        children = value[key]
        if len(value) > 1:
            self.wrong(path, f"expected nothing beside {key}; put it inside the list")
        if not isinstance(children, list) or not children:
            self.wrong((*path, key), "expected a list with at least one condition")
            return ()
        return tuple(self.condition((*path, key, index), child) for index, child in enumerate(children))

    def comparisons(self, path: Path, value: dict[str, Any]) -> Condition:
        fact = value.get("fact")
        if fact is None:
            self.wrong(
                path, "expected the key fact, or one of always, all, any, none, known, unknown, unless_known_not"
            )
            return AllOf(())
        if not self.one_of((*path, "fact"), fact, self.names.vocabulary, "fact"):
            return AllOf(())
        found: list[Condition] = []
        for key in value:
            if key == "fact":
                continue
            if key not in NEGATED:
                self.wrong((*path, key), f"no comparison of this name; there are: {', '.join(NEGATED)}")
                continue
            found.append(self.comparison((*path, key), self.names.vocabulary[fact], key, value[key]))
        if not found:
            self.wrong(path, f"expected a comparison beside fact: {', '.join(NEGATED)}")
        return found[0] if len(found) == 1 else AllOf(tuple(found))

    def comparison(self, path: Path, fact: FactDefinition, comparator: Comparator, value: Any) -> Condition:
        if comparator in ORDERED and not fact.numeric:
            self.wrong(path, f"{fact.name} is not a number, so it has no order; use is, is_not, one_of or not_one_of")
            return AllOf(())
        if comparator in ("one_of", "not_one_of"):
            if not isinstance(value, list) or not value:
                self.wrong(path, "expected a list with at least one value")
                return AllOf(())
            options = tuple(self.constant((*path, index), fact, item) for index, item in enumerate(value))
            return Compare(fact.name, comparator, options)
        constant = self.constant(path, fact, value)
        return Compare(fact.name, comparator, constant, str(value) if fact.numeric else "")

    def constant(self, path: Path, fact: FactDefinition, value: Any) -> FactValue:
        if fact.numeric:
            number = self.number(path, value)
            return 0 if number is None else number
        problem = fact.problem(value)
        if problem is not None:
            self.wrong(path, f"{value!r} is {problem} for {fact.name}; accepted: {fact.accepted}")
        return cast(FactValue, value)

    # --- effects ---------------------------------------------------------------------------------------------------

    def effects(self, shape: schema.EffectsShape) -> Effects:
        return Effects(
            conclusions=tuple(self.conclusion(name, value) for name, value in shape.conclude.items()),
            sizes=tuple(self.size(index, entry) for index, entry in enumerate(shape.size)),
            holds=tuple(self.hold(index, entry) for index, entry in enumerate(shape.hold)),
            cautions=tuple(self.caution(index, entry) for index, entry in enumerate(shape.caution)),
            tasks=tuple(call for index, entry in enumerate(shape.tasks) for call in self.tasks(index, entry)),
            corrections=tuple(self.correct(index, entry) for index, entry in enumerate(shape.correct)),
            instructions=tuple(self.instruction(index, name) for index, name in enumerate(shape.instructions)),
            questions=tuple(self.question(index, name) for index, name in enumerate(shape.ask)),
        )

    def question(self, index: int, name: str) -> str:
        """The fact ``name`` that is asked for, at the position ``index`` (from 0) of the rule's questions."""
        path: Path = ("then", "ask", index)
        if self.one_of(path, name, self.names.vocabulary, "fact") and self.names.vocabulary[name].given == "concluded":
            self.wrong(path, f"{name} is only ever concluded, so nobody can be asked for it")
        return name

    def instruction(self, index: int, name: str) -> str:
        """The instruction ``name``, at the position ``index`` (from 0) of those that the rule hands out."""
        self.one_of(("then", "instructions", index), name, self.names.instructions, "instruction")
        return name

    def conclusion(self, name: str, value: Any) -> Conclusion:
        path: Path = ("then", "conclude", name)
        if not self.one_of(path, name, self.names.vocabulary, "fact"):
            return Conclusion(name, value)
        fact = self.names.vocabulary[name]
        if fact.given == "observed":
            self.wrong(
                path,
                f"{name} is only ever observed; give it `given: either` or `given: concluded` to conclude it",
            )
        if not fact.numeric:
            return Conclusion(name, self.constant(path, fact, value))
        try:
            expression = self.names.with_parameters(expressions.parse(value), self.used)
        except ValueError as error:
            self.wrong(path, str(error))
            return Conclusion(name, 0)
        for read in expressions.names(expression):
            if read not in self.names.vocabulary or not self.names.vocabulary[read].numeric:
                self.wrong(path, f"{read} is neither a numeric parameter nor a numeric fact")
        if isinstance(expression, expressions.Number):
            return Conclusion(name, expression.value)
        return Conclusion(name, expression=expression)

    def size(self, index: int, entry: schema.SizeShape) -> SizeOffer:
        """The offer of a size in ``entry``, at the position ``index`` (from 0) of the rule's offers."""
        path: Path = ("then", "size", index)
        if self.one_of((*path, "axis"), entry.axis, self.names.axes, "size axis"):
            self.one_of((*path, "value"), entry.value, self.names.axes[entry.axis].values, f"{entry.axis}")
        return SizeOffer(entry.axis, entry.value, entry.basis, entry.first)

    def hold(self, index: int, entry: schema.HoldShape) -> Hold:
        """The reason for no size in ``entry``, at the position ``index`` (from 0) of the rule's holds."""
        path: Path = ("then", "hold", index)
        if entry.axis is not None:
            self.one_of((*path, "axis"), entry.axis, self.names.axes, "size axis")
        text = self.text((*path, "text"), entry.text)
        return Hold(entry.kind, text, entry.axis, self.summary(path, entry.summary, text))

    def caution(self, index: int, entry: schema.CautionShape) -> CautionText:
        """The caution in ``entry``, at the position ``index`` (from 0) of the rule's cautions."""
        path: Path = ("then", "caution", index)
        text = self.text((*path, "text"), entry.text)
        return CautionText(entry.severity, text, entry.leads, self.summary(path, entry.summary, text))

    def summary(self, path: Path, summary: str | None, text: str) -> str:
        return text if summary is None else self.text((*path, "summary"), summary)

    def tasks(self, index: int, entry: schema.TaskCallShape) -> tuple[TaskCall, ...]:
        """The calls of ``entry``, at the position ``index`` (from 0) of the rule's tasks.

        It is one, or with ``each`` one that joins for every task of that kind.
        """
        path: Path = ("then", "tasks", index)
        if (entry.task is None) == (entry.each is None):
            self.wrong(path, "expected either task or each (a kind of tasks)")
            return ()
        call = self.task(path, entry)
        if entry.each is None:
            return (call,)
        if call.timing != Timing() or call.performer is not None:
            self.wrong(
                path, "each adds people, hands or a detail to tasks that others ask for; it has no timing or performer"
            )
        kinds = {task.kind for task in self.names.tasks.values() if task.kind is not None}
        self.one_of((*path, "each"), entry.each, tuple(sorted(kinds)), "kind of tasks")
        joined = (name for name, task in self.names.tasks.items() if task.kind == entry.each)
        return tuple(replace(call, task=name, joins=True) for name in joined)

    def task(self, path: Path, entry: schema.TaskCallShape) -> TaskCall:
        if entry.task is not None:
            self.one_of((*path, "task"), entry.task, self.names.tasks, "task")
        if entry.performer is not None:
            self.one_of((*path, "performer"), entry.performer, self.names.roles, "role")
        for event in entry.on:
            self.one_of((*path, "on"), event, self.names.triggers, "trigger")
        for hand in entry.hands:
            self.one_of((*path, "hands"), hand, self.names.hands, "hand")
        people = self.number((*path, "people"), entry.people)
        hands = {name: self.number((*path, "hands", name), count) or 0 for name, count in entry.hands.items()}
        return TaskCall(
            task=entry.task or "",
            timing=self.timing(path, entry),
            people=None if people is None else int(people),
            hands={name: int(count) for name, count in hands.items()},
            performer=entry.performer,
            detail=None if entry.detail is None else self.text((*path, "detail"), entry.detail),
        )

    def correct(self, index: int, entry: schema.CorrectShape) -> Correction:
        """The correction in ``entry``, at the position ``index`` (from 0) of the rule's corrections."""
        path: Path = ("then", "correct", index)
        findings = {name: fact for name, fact in self.names.vocabulary.items() if fact.finding}
        if entry.finding is not None:
            self.one_of((*path, "finding"), entry.finding, findings, "finding (a fact with `finding: true`)")
        if entry.step is not None:
            self.one_of((*path, "step", "axis"), entry.step.axis, self.names.axes, "size axis")
        actions: dict[CorrectiveAction, bool] = {
            "size": entry.step is not None,
            "refer": entry.refer,
            "stop": entry.stop,
        }
        chosen = [action for action, wanted in actions.items() if wanted]
        if len(chosen) > 1:
            self.wrong(path, "expected at most one of step, refer and stop")
        return Correction(
            finding=entry.finding,
            cause=self.text((*path, "cause"), entry.cause),
            correction=self.text((*path, "correction"), entry.correction),
            action=chosen[0] if chosen else "reseat",
            step=None if entry.step is None else Step(entry.step.axis, entry.step.by),
        )

    def timing(self, path: Path, entry: schema.TimingShape) -> Timing:
        times = self.number((*path, "times_per_day"), entry.times_per_day)
        if times is not None and times != int(times):
            self.wrong((*path, "times_per_day"), f"expected a whole number, found {times:g}; use every_hours")
            times = None
        try:
            return Timing(
                every_hours=self.number((*path, "every_hours"), entry.every_hours),
                times_per_day=None if times is None else int(times),
                within_hours=self.number((*path, "within_hours"), entry.within_hours),
                within_wear_hours=self.number((*path, "within_wear_hours"), entry.within_wear_hours),
                on=entry.on,
                for_days=self.number((*path, "for_days"), entry.for_days),
            )
        except ValidationError as error:
            self.wrong(path, "; ".join(in_plain_words(detail) for detail in error.errors()))
            return Timing()


def read_rule(
    source: YamlFile, path: Path, topic: str, names: DefinedNames, *, local: bool = False
) -> tuple[Rule | None, list[tuple[Place, str]]]:
    """The rule under ``path`` of ``source``, and every problem found in it.

    ``path`` holds keys and positions in lists (from 0), ``names`` what the rule may refer to. Its id starts with
    ``topic``, unless it is a ``local`` rule of a site. The rule is None where its shape is wrong.
    """
    value = source.data
    for step in path:
        value = value[step]
    problems: list[tuple[Place, str]] = []
    reading = _RuleParsing(source, path, names, problems)
    shape = reading.shape(_listed(value), schema.RuleShape)
    if shape is None:
        return None, problems
    if not local and not shape.id.startswith(f"{topic}."):
        reading.wrong(("id",), f"the id of a rule in this file starts with {topic!r} and a dot; found {shape.id!r}")
    for index, cited in enumerate(shape.sources):
        reading.one_of(("sources", index), cited, names.sources, "source")
    if shape.then == schema.EffectsShape():
        reading.wrong(("then",), "expected at least one effect: " + ", ".join(schema.EffectsShape.model_fields))
    rule = Rule(
        id=shape.id,
        topic=topic,
        title=reading.text(("title",), shape.title),
        when=reading.condition(("when",), shape.when),
        then=reading.effects(shape.then),
        because=reading.text(("because",), shape.because),
        sources=shape.sources,
        priority=shape.priority,
        asks=shape.asks,
        on_paper=shape.on_paper,
        parameters=tuple(sorted(reading.used)),
        local=local,
        place=source.place(*path, "id"),
    )
    return rule, [(place, f"rule {shape.id}: {message}") for place, message in problems]


def read_condition(source: YamlFile, path: Path, names: DefinedNames) -> tuple[Condition, list[tuple[Place, str]]]:
    """The condition under ``path`` of ``source`` (outside a rule), and every problem found in it.

    ``path`` holds keys and positions in lists (from 0), ``names`` what the condition may refer to.
    """
    value = source.data
    for step in path:
        value = value[step]
    problems: list[tuple[Place, str]] = []
    condition = _RuleParsing(source, path, names, problems).condition((), value)
    return condition, problems


def _listed(value: Any) -> Any:
    """The rule with single entries under ``then`` wrapped in lists, so that one and many read alike."""
    if not isinstance(value, dict) or not isinstance(value.get("then"), dict):
        return value
    then = {
        key: [entry] if key != "conclude" and isinstance(entry, (dict, str)) else entry
        for key, entry in value["then"].items()
    }
    return {**value, "then": then}
