"""One spelling of a coded value is listed; with hyphens or underscores it is accepted wherever a fact comes in."""

from __future__ import annotations

import pytest

from rules.deciding.explanation import Explainer
from rules.errors import FactError
from tests.cds.fhir.reading.sent import AT, VALUES, facts, observation, reasons, ruleset

CODED = [
    (name, value)
    for name, fact in ruleset().vocabulary.items()
    if fact.type == "code" and fact.given != "concluded"
    for value in fact.values
]
SPELLED = [(name, value, value.replace("_", mark)) for name, value in CODED for mark in "_-"]


def test_values_of_more_than_one_word_are_among_them():
    assert ("head_position", "fixed_flexion", "fixed-flexion") in SPELLED


@pytest.mark.parametrize(("name", "value", "spelled"), SPELLED)
def test_either_spelling_is_the_value_as_json(name, value, spelled):
    """As `nuque decide`, POST /decisions, fit checks and explanations take facts."""
    assert ruleset().vocabulary.check({name: spelled}) == {name: value}
    assert Explainer(ruleset(), {name: spelled}).facts[name] == value


@pytest.mark.parametrize(("name", "value", "spelled"), [one for one in SPELLED if one[0] != "sex"])
def test_either_spelling_is_the_value_in_fhir(name, value, spelled):
    code = ruleset().vocabulary[name].code
    for stated in ("valueCodeableConcept", "valueString"):
        said = {"coding": [{"system": VALUES, "code": spelled}]} if stated == "valueCodeableConcept" else spelled
        noted = observation("o", code, **{stated: said}, effectiveDateTime=AT.isoformat())
        assert facts(noted).get(name) == value, (stated, reasons(noted))


@pytest.mark.parametrize("name", sorted({name for name, _ in CODED}))
def test_a_refusal_names_what_is_accepted(name):
    accepted = ruleset().vocabulary[name].accepted.removeprefix("one of ").split(", ")
    with pytest.raises(FactError) as refused:
        ruleset().vocabulary.check({name: "no-such-value"})
    assert refused.value.problems[0].accepted == ruleset().vocabulary[name].accepted
    for value in accepted:
        assert ruleset().vocabulary.check({name: value}) == {name: value}
    (why, *_) = reasons(observation("o", ruleset().vocabulary[name].code, valueString="no-such-value"))
    assert ruleset().vocabulary[name].accepted in why
