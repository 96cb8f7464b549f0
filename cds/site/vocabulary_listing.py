"""The facts that rules read and the parameters that a site may change, as plain rows for people and machines."""

from __future__ import annotations

from typing import Any

from rules.model.facts import FactDefinition
from rules.model.ruleset import Parameter, Ruleset


def list_facts(ruleset: Ruleset) -> list[dict[str, Any]]:
    """One row a fact of ``ruleset``: name, its code in FHIR, meaning, what is accepted, unit, who gives it, hours it is usable.

    ``usable_longer`` holds the answers that are usable for longer, and for how many hours; ``usable_for_good`` those
    without a limit.
    """
    return [
        {
            "name": fact.name,
            "code": fact.code,
            "meaning": " ".join(fact.meaning.split()),
            "accepted": fact.accepted,
            "unit": fact.unit,
            "given": fact.given,
            "usable_for_hours": ruleset.stale_after_hours(fact),
            "usable_longer": {answer: hours for answer, hours in _lasting(ruleset, fact) if hours is not None},
            "usable_for_good": [answer for answer, hours in _lasting(ruleset, fact) if hours is None],
            "read_by_rules": sum(fact.name in rule.reads for rule in ruleset.rules.values()),
        }
        for fact in ruleset.vocabulary.values()
    ]


def _lasting(ruleset: Ruleset, fact: FactDefinition) -> list[tuple[str, float | None]]:
    answers = fact.lasting.answers if fact.lasting else ()
    return [(str(answer).lower(), ruleset.usable_for_hours(fact, answer)) for answer in answers]


def list_parameters(ruleset: Ruleset) -> list[dict[str, Any]]:
    """One row a parameter of ``ruleset``: name, meaning, value, unit, allowed range, sources.

    And whether a site should confirm it or did change it.
    """
    return [
        {
            "name": parameter.name,
            "meaning": parameter.meaning,
            "value": parameter.value,
            "unit": parameter.unit,
            "allowed": _allowed(parameter),
            "sources": list(parameter.sources),
            "confirm_locally": parameter.confirm,
            "changed_by_the_site": parameter.is_local,
        }
        for parameter in ruleset.parameters.values()
    ]


def _allowed(parameter: Parameter) -> str | None:
    if parameter.range is not None:
        return f"{parameter.range[0]:g} to {parameter.range[1]:g}"
    return ", ".join(parameter.one_of) or None
