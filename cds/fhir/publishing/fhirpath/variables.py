"""Everything that conditions in FHIRPath name, in order: each expression is evaluated over a Bundle, and may name earlier ones."""

from __future__ import annotations

from collections.abc import Iterator

from cds.fhir.publishing.cql.fact_definitions import observable
from cds.fhir.publishing.expression_languages.notation import plain_number
from cds.fhir.publishing.expression_languages.published_codes import published_condition, published_value
from cds.fhir.publishing.fhirpath import date_arithmetic, fact_variables, other_records, patient, statements
from cds.fhir.publishing.fhirpath.condition import fhirpath, literal
from cds.fhir.reading.code_map import CodeMap
from rules.model import expressions
from rules.model.facts import FactDefinition
from rules.model.ruleset import Conclusion, Rule, Ruleset

MOMENT = "at"
"""The variable that whoever evaluates may give: the moment of the decision, as FHIR writes a dateTime."""


def variables(ruleset: Ruleset, code_map: CodeMap) -> Iterator[tuple[str, str]]:
    """The name and the expression of each variable: the moment, the records, every fact; then what rules conclude.

    Facts and rules are those of ``ruleset``, the codes of records those of ``code_map``.
    """
    yield MOMENT, "now().toString()"
    yield from date_arithmetic.the_moment()
    yield from statements.statements(observable(ruleset), code_map)
    yield from other_records.coded_records(code_map)
    yield from other_records.device_uses(code_map)
    yield from other_records.encounters()
    yield from patient.person()
    yield from fact_variables.recorded_facts(ruleset, code_map)
    yield from _conclusions(ruleset)


def variables_file(ruleset: Ruleset, code_map: CodeMap) -> str:
    """All ``variables`` of ``ruleset`` and ``code_map`` as text, ``NAME: EXPRESSION`` a line, published beside the PlanDefinition.

    Not in it: FHIR R4 takes no name with an underscore for an expression, and each fact has one.
    """
    return "".join(f"{name}: {expression}\n" for name, expression in variables(ruleset, code_map))


def _conclusions(ruleset: Ruleset) -> Iterator[tuple[str, str]]:
    """Each fact that rules conclude, layer by layer: recorded beats derived, then the first conclusion whose rule fires."""
    waiting = {fact.name: fact for fact in ruleset.vocabulary.values() if fact.given != "observed"}
    last_layer = {
        conclusion.fact: layer
        for layer, stratum in enumerate(ruleset.strata)
        for rule in stratum
        for conclusion in rule.then.conclusions
    }
    for name in sorted(waiting, key=lambda name: last_layer.get(name, -1)):
        fact = waiting[name]
        value = "{}"
        for rule, conclusion in reversed(list(ruleset.drawn(name))):
            value = _concluded(rule, conclusion, fact, value)
        if fact.given == "either":
            given = f"%{fact_variables.recorded(fact)}"
            value = f"iif({given}.exists(), {given}, {value})"
        yield name, value


def _concluded(rule: Rule, conclusion: Conclusion, fact: FactDefinition, otherwise: str) -> str:
    """What ``rule`` concludes where it fires and the value is plausible, else ``otherwise``."""
    when = fhirpath(published_condition(rule.when))
    if conclusion.expression is None:
        assert conclusion.value is not None
        return f"iif({when}, {literal(published_value(conclusion.value))}, {otherwise})"
    value = f"({_arithmetic(conclusion.expression)})"
    possible = f"{value}.exists()"
    if fact.range is not None:
        low, high = map(plain_number, fact.range)
        possible = f"{value} >= {low} and {value} <= {high}"
    if fact.counted_in is not None:
        step = plain_number(fact.counted_in)
        possible += f" and ({value} / {step}) = ({value} / {step}).truncate()"
    return f"iif({when} and {possible}, {value}, {otherwise})"


def _arithmetic(expression: expressions.Expression) -> str:
    match expression:
        case expressions.Number(value):
            return literal(value)
        case expressions.Name(fact):
            return f"%{fact}"
        case expressions.BinaryOperation(operator, left, right):
            return f"({_arithmetic(left)} {operator} {_arithmetic(right)})"
