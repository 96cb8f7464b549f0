from dataclasses import replace
from itertools import chain
from pathlib import Path

import pytest

from cds.fhir.reading.code_map import CodingKey
from cds.fhir.reading.code_map_loader import CODE_MAP, build_code_map, load_code_map
from cds.fhir.reading.reader import read
from rules.errors import KnowledgeError
from rules.loading.yaml_reader import YamlFile
from tests.cds.fhir.reading.sent import (
    AT,
    LOINC,
    OWN,
    SNOMED,
    bundle,
    code_map,
    observation,
    patient,
    quantity,
    ruleset,
)

SITE = "https://hospital.example/codes"


def _with_site(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "site_codes.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_fact_that_can_be_observed_has_its_own_code() -> None:
    vocabulary = ruleset().vocabulary
    assert {fact.given for fact in vocabulary.values()} == {"observed", "either", "concluded"}
    for name, fact in vocabulary.items():
        meanings = code_map().meanings([CodingKey(OWN, fact.code)])
        assert (name in {meaning.fact for meaning in meanings}) is (fact.given != "concluded")


def test_every_value_of_a_coded_fact_has_its_own_code() -> None:
    coded = {
        (name, value)
        for name, fact in ruleset().vocabulary.items()
        if fact.given != "concluded"
        for value in fact.values
    }
    assert {(fact, value) for (fact, _), value in code_map().values.items()} == coded


def test_codes_that_were_only_recalled_say_so() -> None:
    # Read in a published guide or standard: these. Every other code of an outside system is marked.
    read_again = {
        CodingKey(LOINC, "8302-2"),
        CodingKey(LOINC, "29463-7"),
        CodingKey(LOINC, "39156-5"),
        CodingKey(LOINC, "9269-2"),
        CodingKey(LOINC, "38227-5"),
        CodingKey(SNOMED, "420236007"),
        CodingKey(LOINC, "67775-7"),
        CodingKey(LOINC, "11454-6"),
        CodingKey(SNOMED, "9631008"),
        CodingKey(SNOMED, "387713003"),
    }
    outside = {coding: meanings for coding, meanings in code_map().exact.items() if coding.system != OWN}
    assert {coding for coding, meanings in outside.items() if not meanings[0].from_memory} == read_again
    assert all(meanings[0].from_memory for meanings in code_map().prefixes.values())


def test_every_code_of_another_organisation_says_how_sure_it_is() -> None:
    """Either recalled, and to be confirmed by the site, or read, and then where."""
    shipped = YamlFile.read(CODE_MAP).data
    outside = [
        (section, entry["system"], entry.get("code", entry.get("prefix")), entry)
        for section in (
            "facts",
            "values",
            "finding_questions",
            "neck_codes",
            "yes",
            "no",
            "settings",
            "collars",
            "parts",
        )
        for entry in (chain(*shipped[section].values()) if section == "parts" else shipped[section])
        if "{base}" not in shipped["systems"][entry["system"]][0]
    ]
    assert {section for section, *_ in outside} == {
        *("facts", "values", "finding_questions", "neck_codes", "yes", "no", "settings", "collars", "parts")
    }
    assert len(outside) > 100
    unmarked = [place for *place, entry in outside if (entry.get("from_memory") is True) == ("read_in" in entry)]
    assert unmarked == []


def test_a_site_adds_and_replaces_codes(tmp_path: Path) -> None:
    site = _with_site(
        tmp_path,
        f"""
site: {{name: an invented hospital}}
systems: {{local: ["{SITE}"]}}
facts:
  - {{system: local, code: NECK-C, fact: neck_circumference_mm}}
  - {{system: loinc, code: 56074-2, fact: neck_height_mm}}
units: {{centimetre: cm}}
collars: [{{system: local, code: COLLAR, kind: long_term}}]
settings: [{{system: local, code: BAY, setting: emergency}}]
""",
    )
    found = load_code_map(ruleset(), [site])
    (added,) = found.meanings([CodingKey(SITE, "NECK-C")])
    assert (added.fact, added.local) == ("neck_circumference_mm", True)
    assert found.meanings([CodingKey(LOINC, "56074-2")])[0].fact == "neck_height_mm"
    order = {"resourceType": "DeviceRequest", "codeCodeableConcept": {"coding": [{"system": SITE, "code": "COLLAR"}]}}
    assert found.is_collar_order(order)
    assert not code_map().is_collar_order(order)
    assert found.settings[CodingKey(SITE, "BAY")] == "emergency"
    in_words = observation("o", "NECK-C", SITE, valueQuantity={"value": 40, "unit": "centimetre"})
    facts = read(bundle(patient(), in_words), ruleset(), found, AT).facts
    assert {fact.name: fact.value for fact in facts}["neck_circumference_mm"] == 400


def test_a_site_can_leave_a_code_out(tmp_path: Path) -> None:
    site = _with_site(tmp_path, "ignore: [{system: loinc, code: 56074-2}, {system: icd-10-cm, prefix: S06}]")
    found = load_code_map(ruleset(), [site])
    assert found.meanings([CodingKey(LOINC, "56074-2")]) == ()
    assert found.meanings([CodingKey("http://hl7.org/fhir/sid/icd-10-cm", "S06.5")]) == ()


def test_the_longest_prefix_counts(tmp_path: Path) -> None:
    site = _with_site(tmp_path, "facts: [{system: icd-10-cm, prefix: M45.A, fact: osteoporosis, value: true}]")
    found = load_code_map(ruleset(), [site])
    icd = "http://hl7.org/fhir/sid/icd-10-cm"
    assert found.meanings([CodingKey(icd, "M45.A1")])[0].fact == "osteoporosis"
    assert found.meanings([CodingKey(icd, "M45.9")])[0].fact == "inflammatory_spine_disease"


def test_another_base_moves_the_own_codes() -> None:
    found = load_code_map(ruleset(), base="https://codes.example/fhir")
    coding = CodingKey("https://codes.example/fhir/CodeSystem/facts", "neck-circumference")
    assert found.meanings([coding])[0].fact == "neck_circumference_mm"
    weight = observation("o", "neck-circumference", coding.system, valueQuantity=quantity(400, "mm"))
    assert "neck_circumference_mm" in {
        fact.name for fact in read(bundle(patient(), weight), ruleset(), found, AT).facts
    }


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("facts: [{system: loinc, code: 1-1, fact: neck_girth}]", "facts.0: neck_girth = None: no fact of this name"),
        ("facts: [{system: loinc, code: 1-1, fact: minor}]", "facts.0: minor is worked out by rules"),
        ("facts: [{system: lonic, code: 1-1, fact: sex}]", "facts.0: no system called 'lonic'"),
        ("facts: [{system: loinc, code: 1-1, fact: bed_rest, value: 7}]", "facts.0: bed_rest = 7: not a yes/no value"),
        ("facts: [{system: loinc, fact: bed_rest}]", "facts.0: expected either code or prefix"),
        ("facts: [{system: loinc, code: 1-1, fact: sex}, {system: loinc, code: 1-1, fact: sex}]", "already stands in"),
        (
            "facts: [{system: sct, code: 9631008, fact: sex}]",
            "facts.0.code: must be a text, not a number; found 9631008",
        ),
        ("facts: [{system: sct, code: x, fact: sex, colour: red}]", "facts.0.colour: no key of this name"),
        ("settings: [{system: act-code, code: X, setting: shop}]", "settings.0: setting = 'shop'"),
        ("collars: [{system: hcpcs, prefix: L01}]", "collars.0: a prefix is only read under facts and neck_codes"),
        ("units: {inches: inch}", "units.inches: unknown unit 'inch'; expected a UCUM code"),
        ("gender: {male: man}", "gender.male: sex = 'man'"),
        ("safer: {airway_threat: perhaps}", "safer.airway_threat: airway_threat = 'perhaps'"),
        ("elapsing: [weight_kg]", "elapsing.0: weight_kg does not count hours"),
        ("ignore: [{system: loinc, code: 0-0}]", "ignore.0: no earlier entry"),
        ("reading: {same_within_percent: 50}", "reading.same_within_percent: must be less than or equal to 5"),
        ("facts: 7", "facts: must be a list, not a number; found 7"),
    ],
)
def test_a_problem_is_named_with_its_place(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(KnowledgeError) as error:
        load_code_map(ruleset(), [_with_site(tmp_path, text)])
    assert str(error.value).startswith("site_codes.yaml:1: ")
    assert message in str(error.value)


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    site = _with_site(tmp_path, "facts: [{system: a, code: b, fact: sex}, {system: c, code: d, fact: sex}]")
    with pytest.raises(KnowledgeError) as error:
        load_code_map(ruleset(), [site])
    assert len(error.value.problems) == 2


def test_the_shipped_map_alone_has_everything_that_a_map_needs() -> None:
    built = build_code_map(ruleset().vocabulary, [YamlFile.read(CODE_MAP)])
    assert replace(built, vocabulary=code_map().vocabulary) == code_map()
