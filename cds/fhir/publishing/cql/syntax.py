"""Values, conditions and arithmetic of the rule set as expressions of Clinical Quality Language (CQL).

A fact is the definition of its name, null where it is unknown; a rule is the definition of its id. CQL's ``and``, ``or`` and
``not`` are three-valued over null in just the way that our conditions are over unknown.
Source: Clinical Quality Language 1.5 (HL7), Author's Guide, Nullological Operators, https://cql.hl7.org/02-authorsguide.html
"""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.publishing.expression_languages.notation import LogicNotation, plain_number
from cds.fhir.publishing.expression_languages.published_codes import published_value
from rules.model import expressions
from rules.model.conditions import Condition, NoneOf
from rules.model.facts import FactValue

_ESCAPED = str.maketrans({"\\": "\\\\", "'": "\\'", "\n": "\\n", "\r": "\\r", "\t": "\\t", "\f": "\\f"})


def name(identifier: str) -> str:
    """``identifier`` as a quoted identifier."""
    return '"' + identifier.replace("\\", "\\\\").replace('"', '\\"') + '"'


def text(words: str) -> str:
    """``words`` as a string."""
    return "'" + words.translate(_ESCAPED) + "'"


def number(value: float) -> str:
    """The number ``value`` as a decimal: without an exponent, and always with a point."""
    plain = plain_number(value)
    return plain if "." in plain else f"{plain}.0"


def optional(written: str | None, kind: str) -> str:
    """``written``, or a null of the type ``kind``: an engine tells the type of a list by its elements."""
    return f"null as {kind}" if written is None else written


def literal(value: FactValue) -> str:
    """``value`` of a fact; a coded one as its published code."""
    if isinstance(value, bool):
        return "true" if value else "false"
    published = published_value(value)
    return text(published) if isinstance(published, str) else number(float(published))


class _CqlNotation(LogicNotation):
    def fact(self, name_of: str) -> str:
        return name(name_of)

    def literal(self, value: FactValue) -> str:
        return literal(value)

    def known(self, fact: str) -> str:
        return f"{name(fact)} is not null"

    def unknown(self, fact: str) -> str:
        return f"{name(fact)} is null"

    def negated(self, expression: str) -> str:
        return f"not ({expression})"

    def operand(self, when: Condition) -> str:
        # Brackets stand only where they are needed: each costs a parser time.
        return f"({self.condition(when)})" if isinstance(when, NoneOf) else self.condition(when)


def condition(when: Condition) -> str:
    """``when`` as an expression: true, false, or null for unknown."""
    return _CqlNotation().condition(when)


def arithmetic(expression: expressions.Expression) -> str:
    """``expression`` over facts."""
    match expression:
        case expressions.Number(value):
            return f"({number(value)})" if value < 0 else number(value)
        case expressions.Name(fact):
            return name(fact)
        case expressions.BinaryOperation(operator, left, right):
            return f"({arithmetic(left)} {operator} {arithmetic(right)})"


def listed(items: Iterable[str]) -> str:
    """``items`` as a list, one a line."""
    return "{\n    " + ",\n    ".join(items) + "\n  }"


def define(identifier: str, expression: str, comment: str = "", *, access: str = "") -> str:
    """The definition of ``identifier`` as ``expression``, below a ``comment`` of one line.

    ``access`` is empty, or ``private`` and a space.
    """
    above = f"// {' '.join(comment.split())}\n" if comment else ""
    return f"{above}define {access}{name(identifier)}:\n  {expression}\n"


def step(identifier: str, expression: str, comment: str = "") -> str:
    """The private definition of ``identifier`` as ``expression``, below a ``comment``: a step to others, on which nobody builds."""
    return define(identifier, expression, comment, access="private ")
