"""Engines that others wrote apply the published artefacts to generated patients, and say what the service says.

Sources: the translator ``@cqframework/cql`` and the engine ``cql-execution`` with ``cql-exec-fhir`` for Clinical Quality
Language, the engine that ``@cqframework/cql`` carries as the second; ``fhirpath`` (JavaScript) and ``fhirpathpy`` for
FHIRPath. ``python -m tests.published.engines`` takes more patients.
"""

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import fhirpathpy
import pytest

from cds.fhir.publishing.artifacts import artefacts
from cds.fhir.publishing.published_codes import published_value
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.reader import read
from rules import load_ruleset
from rules.evaluation.interpreter import Firing, fire
from tests.published.engines.agreement import by_cqframework, by_cql, differences, translated
from tests.published.engines.decided import Service
from tests.published.engines.generated_records import AT, RecordWriter
from tests.published.engines.node import answers

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("engines")]

RULESET = load_ruleset()
CODE_MAP = load_code_map(RULESET)
SERVICE = Service(RULESET, CODE_MAP)
BUNDLES = list(RecordWriter(RULESET, CODE_MAP).bundles(60))


def test_the_patients_hold_what_must_not_count() -> None:
    refused = {one.kind for bundle in BUNDLES for one in read(bundle, RULESET, CODE_MAP, AT).not_used}
    assert refused >= {
        "status",
        "modifier",
        "future",
        "stale",
        "no time",
        "contradiction",
        "implausible",
        "unit",
        "coarse",
    }


def test_the_patients_have_ages_of_every_kind() -> None:
    known = [{fact.name: fact for fact in read(bundle, RULESET, CODE_MAP, AT).facts} for bundle in BUNDLES]
    sources = {str(facts["age_years"].reference).split("/")[0] for facts in known if "age_years" in facts}
    assert sources >= {"Patient", "Observation"}
    assert any("born" in str(facts["identity_doubtful"].original) for facts in known if "identity_doubtful" in facts)


def test_the_patients_have_records_of_every_type() -> None:
    types = {"Patient", "Encounter", "Observation", "Condition", "Procedure", "ServiceRequest", "DeviceUseStatement"}
    types |= {"QuestionnaireResponse"}
    refused = (read(bundle, RULESET, CODE_MAP, AT).not_used for bundle in BUNDLES)
    assert set().union(*map(types_used, BUNDLES)) == types
    assert {str(entry.reference).split("/")[0] for entries in refused for entry in entries} == types


def test_a_cql_engine_decides_as_the_service_does() -> None:
    elm = translated(RULESET, CODE_MAP)
    decided = [SERVICE.said(bundle) for bundle in BUNDLES]
    assert sum(one["size"] is not None for one in decided) > 5
    assert sum(len(one["cautions"]) for one in decided) > 100 < sum(len(one["tasks"]) for one in decided)
    assert list(differences(SERVICE, BUNDLES, by_cql(elm, BUNDLES))) == []


def test_a_second_cql_engine_decides_as_the_service_does() -> None:
    bundles = list(RecordWriter(RULESET, CODE_MAP, texts=False).bundles(15))
    assert any(SERVICE.said(bundle)["size"] for bundle in bundles)
    assert list(differences(SERVICE, bundles, by_cqframework(RULESET, CODE_MAP, bundles))) == []


def test_a_planted_wrong_comparison_is_caught(tmp_path: Path) -> None:
    elm = json.loads(translated(RULESET, CODE_MAP).read_text())
    firing = {rule: bundle for bundle in BUNDLES for rule in SERVICE.said(bundle)["rules"]}
    rule, planted = next(
        (definition["name"], comparison)
        for definition in elm["library"]["statements"]["def"]
        if definition["name"] in firing
        # Beside another way to fire, a wrong comparison may go unseen in the one patient asked for.
        and all(element.get("type") != "Or" for element in elements(definition["expression"]))
        for comparison in elements(definition["expression"])
        if comparison.get("type") == "GreaterOrEqual"
    )
    planted["type"] = "Less"
    wrong = tmp_path / "wrong.json"
    wrong.write_text(json.dumps(elm))
    patient = [firing[rule]]
    assert list(differences(SERVICE, patient, by_cql(wrong, patient)))


@pytest.mark.parametrize(
    ("definition", "literal", "kind"),
    [
        ("Diagnoses", "active", "Condition"),
        ("Procedures", "completed", "Procedure"),
        ("Orders", "active", "ServiceRequest"),
        ("Items 1 Deep", "completed", "QuestionnaireResponse"),
        ("Collars in Use", "active", "DeviceUseStatement"),
        ("Current Encounter", "in-progress", "Encounter"),
    ],
)
def test_a_planted_wrong_status_is_caught(definition: str, literal: str, kind: str, tmp_path: Path) -> None:
    elm = json.loads(translated(RULESET, CODE_MAP).read_text())
    (reading,) = (one for one in elm["library"]["statements"]["def"] if one["name"] == definition)
    planted = [element for element in elements(reading) if element.get("value") == literal]
    assert planted
    for element in planted:
        element["value"] = "planted"
    wrong = tmp_path / "wrong.json"
    wrong.write_text(json.dumps(elm))
    patients = [bundle for bundle in BUNDLES if kind in types_used(bundle)][:10]
    assert list(differences(SERVICE, patients, by_cql(wrong, patients)))


def types_used(bundle: object) -> set[str]:
    """The types of the records that facts are read from."""
    return {str(fact.reference).split("/")[0] for fact in read(bundle, RULESET, CODE_MAP, AT).facts}


def elements(element: Any) -> Iterator[dict[str, Any]]:
    if isinstance(element, dict):
        yield element
        for inner in element.values():
            yield from elements(inner)
    elif isinstance(element, list):
        for inner in element:
            yield from elements(inner)


# --- conditions in FHIRPath: the engines are given the facts that were read, what counts among records is said in CQL alone

CONDITIONS = {
    action["extension"][0]["valueCode"]: action["condition"][0]["expression"]["expression"]
    for action in artefacts(RULESET)["PlanDefinition", RULESET.name]["action"]
}


def firings() -> list[Firing]:
    read_facts = (read(bundle, RULESET, CODE_MAP, AT).facts for bundle in BUNDLES)
    return [fire(RULESET, {fact.name: fact.value for fact in facts}) for facts in read_facts]


def published(firing: Firing) -> dict[str, object]:
    known = {name: published_value(value) for name, value in firing.facts.items()}
    return {name: known.get(name, []) for name in RULESET.vocabulary}


def test_fhirpath_in_javascript_fires_the_same_rules(tmp_path: Path) -> None:
    file = tmp_path / "conditions.json"
    file.write_text(json.dumps(CONDITIONS))
    decided = firings()
    said = list(answers("fhirpath.mjs", str(file), asked=map(published, decided)))
    assert said and said == [[rule.id for rule in firing.fired] for firing in decided]


@cache
def compiled(expression: str) -> Any:
    return fhirpathpy.compile(expression)


def test_fhirpath_in_python_fires_the_same_rules() -> None:
    decided = firings()[:10]
    said = [
        [rule for rule, expression in CONDITIONS.items() if compiled(expression)({}, published(firing)) == [True]]
        for firing in decided
    ]
    assert said and said == [[rule.id for rule in firing.fired] for firing in decided]
