"""What is published: sound R4, whole, and with a meaning for every code and extension that a draft carries."""

import dataclasses
import re
from base64 import b64decode
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import cache
from typing import Any

import fhirkit
import fhirpathpy
import pytest
from hypothesis import given, settings

from cds.defaults import DEFAULT_BASE
from cds.fhir.publishing.artifacts import artefacts
from cds.fhir.publishing.expression_languages.published_codes import published_condition, published_value
from cds.fhir.publishing.fhirpath.condition import fhirpath
from cds.fhir.reading.code_map import ANY_CODE
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.validation import validate
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import suggested
from rules.model.conditions import (
    AllOf,
    AnyOf,
    Compare,
    Condition,
    Known,
    NoneOf,
    Unknown,
    UnlessKnownNot,
    comparisons,
    evaluate,
)
from rules.model.decision import Decision
from rules.model.facts import FactValue
from tests.cds.fhir.writing.drafts import RULESET, decided, every
from tests.published.fhir_r4.official import TYPES, problems
from tests.rules.patients import patients

PUBLISHED = artefacts(RULESET)
BY_URL = {resource["url"]: resource for resource in PUBLISHED.values()}
CODES = {
    url: {concept["code"]: concept["display"] for concept in resource["concept"]}
    for url, resource in BY_URL.items()
    if resource["resourceType"] == "CodeSystem"
}


@pytest.mark.parametrize("key", PUBLISHED, ids="/".join)
def test_four_checks_find_no_fault(key: tuple[str, str]) -> None:
    resource = PUBLISHED[key]
    assert problems(resource, warnings=True) == []
    assert fhirkit.validate(resource) == []
    validate(resource)
    assert resource["url"] == f"{DEFAULT_BASE}/{key[0]}/{key[1]}"


def test_nothing_is_published_as_ready_for_use() -> None:
    # Whether content may be used on patients is for a site to say.
    assert {resource["status"] for resource in PUBLISHED.values()} == {"draft"}


def test_canonicals_between_artefacts_lead_to_one() -> None:
    named = [
        canonical
        for resource in PUBLISHED.values()
        for element in every(resource)
        if isinstance(element, dict)
        for canonical in (*element.get("library", ()), element.get("definitionCanonical"))
        if canonical is not None
    ]
    assert named
    for canonical in named:
        url, version = canonical.split("|")
        assert BY_URL[url]["version"] == version


def test_every_rule_is_an_action_with_its_condition_and_its_evidence() -> None:
    actions = PUBLISHED["PlanDefinition", "rigid-neck-collar"]["action"]
    assert [action["extension"][0]["valueCode"] for action in actions] == list(RULESET.rules)
    for action, rule in zip(actions, RULESET.rules.values(), strict=True):
        assert [document["label"] for document in action["documentation"]] == list(rule.sources)
        effects = (getattr(rule.then, field.name) for field in dataclasses.fields(rule.then))
        assert len(action["action"]) == sum(map(len, effects))


def test_every_task_of_a_rule_leads_to_its_definition() -> None:
    assert any(not call.joins for rule in RULESET.rules.values() for call in rule.then.tasks)
    for action, rule in zip(
        PUBLISHED["PlanDefinition", "rigid-neck-collar"]["action"], RULESET.rules.values(), strict=True
    ):
        led_to = [inner["definitionCanonical"] for inner in action["action"] if "definitionCanonical" in inner]
        codes = [BY_URL[url.split("|")[0]]["code"]["coding"][0]["code"] for url in led_to]
        assert codes == [call.task.replace("_", "-") for call in rule.then.tasks if not call.joins]


def test_a_definition_says_the_deadline_of_each_task() -> None:
    """FHIR R4, Timing: a duration bounds what starts at an unknown moment; the extension says it where a rhythm follows."""
    once, rhythmic = 0, 0
    for action, rule in zip(
        PUBLISHED["PlanDefinition", "rigid-neck-collar"]["action"], RULESET.rules.values(), strict=True
    ):
        published = [inner["timingTiming"] for inner in action["action"] if "timingTiming" in inner]
        for timing, call in zip(published, (call for call in rule.then.tasks if not call.joins), strict=True):
            within = call.timing.within_hours
            first = [part["valueDuration"] for part in timing.get("extension", ()) if "first-within" in part["url"]]
            assert [duration["value"] for duration in first] == ([] if within is None else [within])
            bounds = timing.get("repeat", {}).get("boundsDuration")
            if (
                within is not None
                and call.timing.interval_hours is None
                and not call.timing.on
                and not call.timing.for_days
            ):
                assert (bounds["value"], bounds["code"]) == (within, "h")
                once += 1
            elif within is not None:
                assert call.timing.for_days is not None or bounds is None
                rhythmic += 1
    assert once > 5 and rhythmic > 0


@settings(max_examples=30)
@given(decided)
def test_every_code_of_ours_in_a_draft_is_published_with_the_same_words(decision: Decision) -> None:
    ours = [
        element
        for element in every(suggested(decision, OrderContext("Patient/1")))
        if isinstance(element, dict) and str(element.get("system", "")).startswith(DEFAULT_BASE)
    ]
    assert ours or not decision.tasks
    for element in ours:
        published = CODES[element["system"]]
        assert element["code"] in published
        assert element.get("display", published[element["code"]]) == published[element["code"]]


def test_every_code_of_ours_that_the_shipped_code_map_reads_is_published() -> None:
    read = load_code_map(RULESET)
    ours = [
        coding
        for coding in (*read.exact, *read.yes, *read.no, *read.collars, *(c for _, c in read.values))
        if coding.system.startswith(DEFAULT_BASE) and coding.code != ANY_CODE
    ]
    assert ours
    # Values are read in the spelling of the rule set too; published is the one with hyphens.
    assert [coding for coding in ours if coding.code.replace("_", "-") not in CODES[coding.system]] == []


@settings(max_examples=30)
@given(decided)
def test_every_extension_in_a_draft_is_published_with_its_type_and_its_place(decision: Decision) -> None:
    carried = [
        found
        for resource in suggested(decision, OrderContext("Patient/1"))
        for found in extensions_below(resource, resource["resourceType"])
    ]
    assert carried
    for path, extension in carried:
        definition = BY_URL[extension["url"]]
        (value,) = (name for name in extension if name.startswith("value"))
        kind = definition["differential"]["element"][-1]["type"][0]["code"]
        assert value == f"value{kind[0].upper()}{kind[1:]}"
        assert path in {context["expression"] for context in definition["context"]}


def test_an_event_is_a_code_of_the_value_set_that_its_extension_is_bound_to() -> None:
    """FHIR R4, ElementDefinition.binding, and extensibility: a code alone has its system from the value set."""
    definition = PUBLISHED["StructureDefinition", "due-on"]
    binding = definition["differential"]["element"][-1]["binding"]
    (include,) = BY_URL[binding["valueSet"]]["compose"]["include"]
    events = {
        element["valueCode"]
        for element in every(PUBLISHED["PlanDefinition", "rigid-neck-collar"])
        if isinstance(element, dict) and element.get("url") == definition["url"]
    }
    assert binding["strength"] == "required" and include == {"system": f"{DEFAULT_BASE}/CodeSystem/care-events"}
    assert events and events <= set(CODES[include["system"]])


def extensions_below(value: dict[str, Any], path: str) -> Any:
    """Each extension with the element that carries it, named by its data type where it has one of its own."""
    for name, inner in value.items():
        for item in inner if isinstance(inner, list) else [inner]:
            if name == "extension":
                yield path, item
            elif isinstance(item, dict):
                yield from extensions_below(item, named(f"{path}.{name}"))


def named(path: str) -> str:
    return {
        "ServiceRequest.occurrenceTiming": "Timing",
        "CarePlan.activity.detail.scheduledTiming": "Timing",
        "ServiceRequest.note": "Annotation",
        "DeviceRequest.note": "Annotation",
        "CarePlan.note": "Annotation",
    }.get(path, path)


# --- the Library as an engine takes it -----------------------------------------------------------------------------------

LIBRARY = PUBLISHED["Library", "rigid-neck-collar"]


def test_every_definition_that_a_plan_names_stands_in_the_library() -> None:
    source = b64decode(LIBRARY["content"][0]["data"]).decode()
    defined = set(re.findall(r'^define ("[^"]+"):', source, re.MULTILINE))
    plan = PUBLISHED["PlanDefinition", "rigid-neck-collar"]
    named = [element for element in every(plan) if isinstance(element, dict) and element.get("language") == "text/cql"]
    rules = {f'"{rule}"' for rule in RULESET.rules}
    tasks = {f'"Task {call.task.replace("_", "-")}".people' for r in RULESET.rules.values() for call in r.then.tasks}
    assert {element["expression"] for element in named} <= rules | tasks
    assert rules <= {element["expression"] for element in named}
    assert {element["expression"].removesuffix(".people") for element in named} <= defined
    assert {element["reference"] for element in named} == {f"{LIBRARY['url']}|{LIBRARY['version']}"}


def test_the_library_says_what_it_retrieves() -> None:
    source = b64decode(LIBRARY["content"][0]["data"]).decode()
    retrieved = set(re.findall(r"\[([A-Z][a-z]\w+)(?:: [^\]]+)?\]", source)) | {"Patient"}
    assert {one["type"] for one in LIBRARY["dataRequirement"]} == retrieved > {"Observation", "Condition", "Encounter"}
    required = [one for one in LIBRARY["dataRequirement"] if one["type"] == "Observation" and "codeFilter" in one]
    codes = [{coding["code"] for coding in one["codeFilter"][0]["code"]} for one in required]
    given = {fact.name: fact for fact in RULESET.vocabulary.values() if fact.given != "concluded"}
    assert len(required) == len(given)
    assert all(any(fact.code in some for some in codes) for fact in given.values()) and given
    for one in required:
        for answers in (found["valueSet"] for found in one["codeFilter"] if "valueSet" in found):
            assert BY_URL[answers.split("|")[0]]["resourceType"] == "ValueSet"


# --- conditions as FHIRPath --------------------------------------------------------------------------------------------
# Held against an independent FHIRPath engine.

TRUTHS: dict[str, bool | None] = {"yes": True, "no": False, "unknown": None}


@cache
def compiled(condition: Condition) -> Callable[..., list[Any]]:
    return fhirpathpy.compile(fhirpath(condition))


def as_decimal(value: Any) -> Any:
    """A number as the engine reads it from an expression: decimal, not binary."""
    return Decimal(repr(value)) if isinstance(value, float) else value


def by_fhirpath(condition: Condition, facts: dict[str, FactValue], names: frozenset[str]) -> bool | None:
    variables = {name: as_decimal(facts.get(name, [])) for name in names}
    result = compiled(condition)({}, variables)
    assert len(result) < 2
    return result[0] if result else None


FACTS = {"yes": True, "no": False}
NAMES = frozenset(TRUTHS)


@pytest.mark.parametrize("left", TRUTHS)
@pytest.mark.parametrize("right", TRUTHS)
@pytest.mark.parametrize("kind", [AllOf, AnyOf, NoneOf])
def test_three_valued_logic_is_the_same_in_fhirpath(kind: type[AllOf | AnyOf | NoneOf], left: str, right: str) -> None:
    condition = kind((Compare(left, "is", True), Compare(right, "is", True)))
    assert by_fhirpath(condition, FACTS, NAMES) is evaluate(condition, FACTS)


@pytest.mark.parametrize("kind", [AllOf, AnyOf, NoneOf])
@pytest.mark.parametrize("children", [(), (Known("yes"),), (Unknown("yes"),), (Unknown("unknown"),)])
def test_groups_of_none_and_of_one_are_the_same_in_fhirpath(
    kind: type[AllOf | AnyOf | NoneOf], children: tuple[Condition, ...]
) -> None:
    assert by_fhirpath(kind(children), FACTS, NAMES) is evaluate(kind(children), FACTS)


@pytest.mark.parametrize("fact", TRUTHS)
@pytest.mark.parametrize("danger", [True, False])
def test_a_danger_counts_the_same_in_fhirpath(fact: str, danger: bool) -> None:
    counts = UnlessKnownNot(Compare(fact, "is", danger))
    for condition in (counts, NoneOf((counts,))):
        assert by_fhirpath(condition, FACTS, NAMES) is evaluate(condition, FACTS)


@pytest.mark.parametrize("value", [-3, -0.5, 0, 1e-5, 63.5, 1e20])
@pytest.mark.parametrize("comparator", ["is", "is_not", "at_least", "above", "at_most", "below"])
def test_numbers_compare_the_same_in_fhirpath(comparator: Any, value: float) -> None:
    for found in (value - 1, value, value + 1):
        condition = Compare("number", comparator, value)
        assert by_fhirpath(condition, {"number": found}, frozenset({"number"})) is evaluate(
            condition, {"number": found}
        )


def test_small_numbers_are_written_without_an_exponent() -> None:
    assert fhirpath(Compare("number", "below", 1e-5)) == "%number < 0.00001"


@pytest.mark.parametrize("value", ["it's", "a\\b", "plain"])
def test_text_is_quoted(value: str) -> None:
    condition = Compare("text", "one_of", (value, "other"))
    assert by_fhirpath(condition, {"text": value}, frozenset({"text"})) is True


@settings(max_examples=30)
@given(patients(RULESET))
def test_the_condition_of_every_rule_says_the_same_of_published_codes_in_fhirpath(facts: dict[str, FactValue]) -> None:
    published = {name: published_value(value) for name, value in facts.items()}
    assert RULESET.rules
    for rule in RULESET.rules.values():
        condition = published_condition(rule.when)
        assert by_fhirpath(condition, published, rule.reads) is evaluate(rule.when, facts), rule.id


def literals(expression: str) -> list[tuple[str, str]]:
    """Each fact and the text that ``expression`` compares it with, as an independent parser reads them."""

    def walk(node: dict[str, Any]) -> Iterator[tuple[str, str]]:
        children = node.get("children", [])
        if node.get("type") == "EqualityExpression":
            fact, text = (side["text"] for side in children)
            if text.startswith("'"):
                yield fact.removeprefix("%"), text.strip("'")
        for child in children:
            yield from walk(child)

    return list(walk(fhirpathpy.parse(expression)))


def test_every_text_that_a_published_expression_compares_with_is_a_code_of_that_fact() -> None:
    answers = {
        resource["id"]: {concept["code"] for concept in resource["compose"]["include"][0]["concept"]}
        for (kind, name), resource in PUBLISHED.items()
        if kind == "ValueSet" and name != "care-events"
    }
    expressions = [
        element["expression"]
        for resource in PUBLISHED.values()
        for element in every(resource)
        if isinstance(element, dict) and element.get("language") == "text/fhirpath"
    ]
    compared = [pair for expression in expressions for pair in literals(expression)]
    written = [value for rule in RULESET.rules.values() for value in coded(rule.when)]
    assert len(compared) == len(written) > 50
    assert [pair for pair in compared if pair[1] not in answers[RULESET.vocabulary[pair[0]].code]] == []


def coded(condition: Condition) -> list[str]:
    """Every coded value that ``condition`` compares with."""
    values = [one.value if isinstance(one.value, tuple) else (one.value,) for one in comparisons(condition)]
    return [value for several in values for value in several if isinstance(value, str)]


def test_what_rules_conclude_and_offer_is_said_in_published_codes() -> None:
    said = {
        (inner["title"], inner["textEquivalent"])
        for action in PUBLISHED["PlanDefinition", "rigid-neck-collar"]["action"]
        for inner in action["action"]
        if inner.get("title") in ("Conclude", "Offer a size")
    }
    sizes = {text.split(" ")[0] for title, text in said if title == "Offer a size"}
    assert sizes and sizes <= set(CODES[f"{DEFAULT_BASE}/CodeSystem/size-axis-values"])
    values = [text.split(" = ") for title, text in said if title == "Conclude"]
    concluded = [value for fact, value in values if RULESET.vocabulary[fact].type == "code"]
    assert concluded and set(concluded) <= set(CODES[f"{DEFAULT_BASE}/CodeSystem/fact-values"])


def test_every_published_type_is_known_to_the_official_definitions() -> None:
    assert {kind for kind, _ in PUBLISHED} <= set(TYPES)
