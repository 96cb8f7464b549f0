"""The condition of a rule as FHIRPath, for readers of a PlanDefinition that know FHIR and not our knowledge files.

``%NAME`` stands for the fact NAME, empty where it is unknown. FHIRPath's ``and``, ``or`` and ``not()`` are three-valued
over empty in just the way that our conditions are over unknown.
Source: FHIRPath 2.0.0 (HL7), 6.5 Boolean logic, http://hl7.org/fhirpath/N1/#boolean-logic
"""

from __future__ import annotations

from cds.fhir.publishing.expression_languages.notation import LogicNotation, plain_number
from rules.model.conditions import Condition
from rules.model.facts import FactValue


class _FhirpathNotation(LogicNotation):
    def fact(self, name: str) -> str:
        return f"%{name}"

    def literal(self, value: FactValue) -> str:
        return literal(value)

    def known(self, fact: str) -> str:
        return f"%{fact}.exists()"

    def unknown(self, fact: str) -> str:
        return f"%{fact}.empty()"

    def negated(self, expression: str) -> str:
        return f"({expression}).not()"


def fhirpath(condition: Condition) -> str:
    """``condition`` as a FHIRPath expression."""
    return _FhirpathNotation().condition(condition)


def text(words: str) -> str:
    """``words`` as a literal."""
    return "'" + words.replace("\\", "\\\\").replace("'", "\\'") + "'"


def literal(value: FactValue) -> str:
    """``value`` as a literal."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return text(value)
    # FHIRPath has no exponents, and no negative literals: there minus is an operator.
    plain = plain_number(value)
    return f"({plain})" if value < 0 else plain
