"""``Library/$evaluate``: the public definitions of the published Library, by the decision of the service.

Sources: Using CQL with FHIR 2.0.0, http://hl7.org/fhir/uv/cql/STU2/OperationDefinition-cql-library-evaluate.html, and its profile
CQL Evaluation Result for how null and an empty list are written.
"""

import re
from base64 import b64decode
from collections.abc import Iterator
from typing import Any

import fhirkit
import pytest
from fastapi.testclient import TestClient

from cds.defaults import DEFAULT_BASE
from cds.fhir.operations.definitions import EVALUATE
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.reader import read
from tests.cds.hook_calls import MEASURED, bundle, observation, patient
from tests.cds.web.routes.operation_calls import Json, data, parameters, subject
from tests.published.engines.decided import Said, Service, in_order
from tests.published.engines.generated_records import AT, RecordWriter
from tests.published.fhir_r4.official import problems
from tests.shipped_content import RULESET

CODE_MAP = load_code_map(RULESET)
URL = f"{DEFAULT_BASE}/Library/rigid-neck-collar"
ONE = "/fhir/Library/rigid-neck-collar/$evaluate"
RECORDS = data(bundle(patient(), *MEASURED))

DEFINED_INPUTS = {
    "url": ("0", "1"),
    "library": ("0", "1"),
    "subject": ("0", "1"),
    "expression": ("0", "*"),
    "parameters": ("0", "1"),
    "useServerData": ("0", "1"),
    "data": ("0", "1"),
    "prefetchData": ("0", "*"),
    "dataEndpoint": ("0", "1"),
    "contentEndpoint": ("0", "1"),
    "terminologyEndpoint": ("0", "1"),
}
"""The table of the operation."""


def test_the_inputs_are_those_of_the_definition() -> None:
    taken = {each.name: (str(each.least), "*" if each.most is None else str(each.most)) for each in EVALUATE.takes}
    assert taken.keys() == DEFINED_INPUTS.keys()
    refused = {each.name for each in EVALUATE.takes if each.refused is not None}
    stricter = {name for name, numbers in taken.items() if numbers != DEFINED_INPUTS[name]}
    assert stricter - refused == {"data"}, "no records are kept here"


def test_every_public_definition_of_the_published_library_is_given(client: TestClient) -> None:
    """``expression``: without it, all public definitions of the library are evaluated."""
    published = client.get("/fhir/Library/rigid-neck-collar").json()
    source = b64decode(published["content"][0]["data"]).decode()
    public = set(re.findall(r'^define "(.*)":$', source, re.M))
    assert "Size Class" in public and len(public) > len(RULESET.rules) + len(RULESET.vocabulary)
    given = client.post(ONE, json=parameters(subject("p1"), RECORDS)).json()["parameter"]
    assert {each["name"] for each in given} == public


# --- the answer as values of CQL -----------------------------------------------------------------------------------------


def value(parameter: Json) -> Any:
    """A parameter as a value: None where it is marked as absent."""
    if "part" in parameter:
        names = dict.fromkeys(part["name"] for part in parameter["part"])
        return {name: values(parameter["part"], name, alone=name != "events") for name in names}
    (held,) = (name for name in parameter if name != "name")
    if not held.startswith("_"):
        return parameter[held]
    (mark,) = parameter[held]["extension"]
    assert mark == {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
    return None


def values(given: list[Json], name: str, *, alone: bool = False) -> Any:
    """What ``name`` is: a list, or the one value where it stands ``alone``."""
    found = [each for each in given if each["name"] == name]
    assert found, name
    if [set(each) for each in found] == [{"name", "_valueBoolean"}] and "isEmptyList" in str(found[0]):
        return []
    if alone:
        (only,) = found
        return value(only)
    return [value(each) for each in found]


def said(given: list[Json]) -> Said:
    """The same parts of the answer that are read from an outside engine."""
    return in_order(
        {
            "rules": values(given, "Rules That Fire"),
            "size": values(given, "Size Class", alone=True),
            "holds": [[each["kind"], each["axis"], each["text"]] for each in values(given, "Holds")],
            "cautions": [[each["severity"], each["text"]] for each in values(given, "Cautions")],
            "tasks": [
                {key: round(part, 6) if isinstance(part, float) else part for key, part in each.items()}
                for each in values(given, "Tasks")
            ],
        }
    )


def absent_filled(resource: Json) -> Json:
    """``resource`` with a value wherever one is absent; the official check takes no extensions of primitive values."""

    def filled(parameter: Json) -> Json:
        if "part" in parameter:
            return {**parameter, "part": [filled(part) for part in parameter["part"]]}
        marked = next((name for name in parameter if name.startswith("_")), None)
        return parameter if marked is None else {"name": parameter["name"], "valueBoolean": True}

    return {**resource, "parameter": [filled(each) for each in resource["parameter"]]}


def patients() -> Iterator[Json]:
    yield from RecordWriter(RULESET, CODE_MAP, seed=9).bundles(100)


@pytest.mark.slow
def test_generated_patients_get_what_outside_engines_are_held_to(client: TestClient) -> None:
    """``tests.published.engines`` holds outside CQL engines to the same ``Service``, in the same parts."""
    service, sizes, open_rules = Service(RULESET, CODE_MAP), set(), 0
    for number, records in enumerate(patients()):
        answer = client.post(ONE, json=parameters(data(records), at=AT.isoformat()))
        assert answer.status_code == 200, answer.text
        given = answer.json()["parameter"]
        decided = service.said(records)
        assert said(given) == decided
        sizes.add(decided["size"])
        fired = [rule for rule in RULESET.rules if values(given, rule, alone=True) is True]
        assert sorted(fired) == sorted(decided["rules"])
        open_rules += sum(values(given, rule, alone=True) is None for rule in RULESET.rules)
        for fact in read(records, RULESET, CODE_MAP, AT).facts:
            published = fact.value.replace("_", "-") if isinstance(fact.value, str) else fact.value
            assert values(given, fact.name, alone=True) == pytest.approx(published)
        if number % 10 == 0:
            assert problems(absent_filled(answer.json())) == []
            assert fhirkit.validate(answer.json()) == []
    assert len(sizes) > 5 and open_rules > 100


def test_what_is_not_known_is_absent_and_no_false(client: TestClient) -> None:
    asked = [
        {"name": "expression", "valueString": name} for name in ("neck_swelling", "age_years", "Holds", "Size Class")
    ]
    given = client.post(ONE, json=parameters(subject("p1"), RECORDS, *asked)).json()["parameter"]
    assert [each["name"] for each in given] == ["neck_swelling", "age_years", "Holds", "Size Class"]
    assert values(given, "neck_swelling", alone=True) is None and "_valueBoolean" in given[0]
    assert 41 < values(given, "age_years", alone=True) < 42
    assert values(given, "Holds") == []
    assert values(given, "Size Class", alone=True) == "adult H3 G2"


def test_a_task_is_given_by_its_name(client: TestClient) -> None:
    swollen = data(bundle(patient(), *MEASURED, observation("neck-swelling", True)))
    asked = [{"name": "expression", "valueString": name} for name in ("Task remeasure-neck", "Task measure-neck")]
    given = client.post(ONE, json=parameters(subject("p1"), swollen, *asked))
    assert given.status_code == 200, given.text
    assert values(given.json()["parameter"], "Task remeasure-neck", alone=True)["people"] >= 1


def test_a_step_of_the_library_is_not_given_and_said_so(client: TestClient) -> None:
    asked = {"name": "expression", "valueString": "Rule Table"}
    answer = client.post(ONE, json=parameters(subject("p1"), RECORDS, asked))
    assert answer.status_code == 422
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == ["Parameters.parameter[2].valueString"] and "Size Class" in issue["diagnostics"]


def test_thousands_of_names_get_no_long_answer(client: TestClient) -> None:
    asked = [
        {"name": "expression", "valueString": name} for name in ("no such name", "Size Class") for _ in range(2000)
    ]
    assert len(client.post(ONE, json=parameters(RECORDS, *asked)).json()["issue"]) == 20
    same = client.post(ONE, json=parameters(RECORDS, *asked[2000:])).json()["parameter"]
    assert same == [{"name": "Size Class", "valueString": "adult H3 G2"}]


def test_the_library_is_named_by_its_canonical(client: TestClient) -> None:
    one = {"name": "expression", "valueString": "Size Class"}
    canonical = {"name": "url", "valueCanonical": f"{URL}|{RULESET.version}"}
    named = client.post("/fhir/Library/$evaluate", json=parameters(canonical, subject("p1"), RECORDS, one))
    assert named.json() == client.post(ONE, json=parameters(subject("p1"), RECORDS, one)).json()
    other = {"name": "url", "valueCanonical": f"{URL}|0"}
    assert client.post("/fhir/Library/$evaluate", json=parameters(other, RECORDS)).status_code == 404


def test_without_a_subject_the_records_say_who_is_meant(client: TestClient) -> None:
    of_two = data(bundle(patient(), {"resourceType": "Patient", "id": "p2"}))
    answer = client.post(ONE, json=parameters(of_two))
    assert answer.status_code == 422 and "say which patient is meant" in answer.text
