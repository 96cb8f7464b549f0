"""The condition of a rule as FHIRPath, for readers of a PlanDefinition that know FHIR and not our knowledge files.

``%NAME`` stands for the fact NAME, empty where it is unknown. FHIRPath's ``and``, ``or`` and ``not()`` are three-valued
over empty in just the way that our conditions are over unknown.
Source: FHIRPath 2.0.0 (HL7), 6.5 Boolean logic, http://hl7.org/fhirpath/N1/#boolean-logic
"""

from __future__ import annotations

from cds.fhir.publishing.notation import OPERATORS, joined, plain_number
from rules.model.conditions import AllOf, AnyOf, Compare, Condition, Known, NoneOf, Unknown, UnlessKnownNot
from rules.model.facts import FactValue


def fhirpath(condition: Condition) -> str:
    """``condition`` as a FHIRPath expression."""
    match condition:
        case Compare(fact, "one_of", tuple(values)):
            return joined([f"%{fact} = {literal(value)}" for value in values], "or", empty="false")
        case Compare(fact, "not_one_of", tuple(values)):
            return joined([f"%{fact} != {literal(value)}" for value in values], "and", empty="true")
        case Compare(fact, comparator, value) if not isinstance(value, tuple):
            return f"%{fact} {OPERATORS[comparator]} {literal(value)}"
        case Known(fact):
            return f"%{fact}.exists()"
        case Unknown(fact):
            return f"%{fact}.empty()"
        case UnlessKnownNot(comparison):
            return f"(%{comparison.fact}.empty() or {fhirpath(comparison)})"
        case AllOf(children):
            return joined([fhirpath(child) for child in children], "and", empty="true")
        case AnyOf(children):
            return joined([fhirpath(child) for child in children], "or", empty="false")
        case NoneOf(children):
            return f"({joined([fhirpath(child) for child in children], 'or', empty='false')}).not()"
    raise ValueError(f"{condition!r} compares with a list where one value is expected, or the other way round")


def literal(value: FactValue) -> str:
    """``value`` as a literal."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return "'" + value.replace("\\", "\\\\").replace("'", "\\'") + "'"
    # FHIRPath has no exponents, and no negative literals: there minus is an operator.
    plain = plain_number(value)
    return f"({plain})" if value < 0 else plain
