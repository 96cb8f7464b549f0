import hashlib
import json
import re
from dataclasses import fields, replace
from itertools import chain
from pathlib import Path
from typing import Any

import pytest

from cds.fhir.free_text.collar_text import CollarWords
from cds.fhir.reading.code_map import (
    CodeMap,
    CodingKey,
    Collar,
    Meaning,
    NeckWord,
    UnreadDiagnoses,
    UnreadObservations,
    _ordered,
    as_compared,
    coding_of,
    codings_of,
    texts_of,
)
from cds.fhir.reading.code_map_loader import CODE_MAP, build_code_map, load_code_map
from cds.fhir.reading.reader import read
from rules.errors import KnowledgeError
from rules.loading.yaml_reader import YamlFile
from rules.model.facts import Danger, Lasting
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
        (
            "collars: [{system: hcpcs, prefix: L01}]",
            "collars.0: a prefix is only read under facts, neck_codes and collar_codes",
        ),
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


# --- exactly what the map tells ------------------------------------------------------------------------------------------


def _coded(*codings: tuple[str, str], **fields: Any) -> dict[str, Any]:
    return {**fields, "coding": [{"system": system, "code": one} for system, one in codings]}


A, B = CodingKey(SITE, "A"), CodingKey(SITE, "B")


def _map(**changes: Any) -> CodeMap:
    """The shipped map with other tables; what it derives from them is derived again."""
    return replace(code_map(), **changes)


@pytest.mark.parametrize(
    ("fact", "value", "injury", "binds"),
    [
        ("blunt_injury", True, True, False),
        ("blunt_injury", False, False, False),
        ("fall_height_m", 0, True, False),
        ("fall_height_m", 3.5, True, False),
        ("bed_rest", True, False, False),
        ("ct_neck", "negative", False, True),
        ("ct_neck", "positive", False, False),
        ("ordered_wear_hours", 12, False, True),
        ("clearance_recorded", False, False, False),
    ],
)
def test_what_begins_an_injury_and_what_answers_for_one(fact: str, value: Any, injury: bool, binds: bool) -> None:
    episode = code_map().episode
    assert (episode.is_injury(fact, value), episode.binds(fact, value)) == (injury, binds)


@pytest.mark.parametrize(
    ("word", "said", "expected"),
    [
        (NeckWord("spin"), "spinal cord", True),
        (NeckWord("spin"), "the spine", True),
        (NeckWord("spin"), "inspinal", False),
        (NeckWord("spin."), "spinal cord", False),
        (NeckWord("spin."), "spin", True),
        (NeckWord("lie flat"), "cannot lie flat", True),
        (NeckWord("lie flat"), "lies flatly", True),
        (NeckWord("lie. flat"), "lies flat", False),
        (NeckWord("lie flat"), "flat lie", False),
        (NeckWord("lie flat"), "lie down flat", False),
        (NeckWord("lie flat"), "lie", False),
        # Not beside these.
        (NeckWord("neck", unless=("femur", "lie flat")), "neck", True),
        (NeckWord("neck", unless=("femur", "lie flat")), "neck of femurs", False),
        (NeckWord("neck", unless=("femur", "lie flat")), "neck lie flat", False),
        (NeckWord("neck", unless=("femur.",)), "neck of femurs", True),
        # Only beside these, or alone.
        (NeckWord("halo", only_with=("trac", "vest.")), "halo", False),
        (NeckWord("halo", only_with=("trac", "vest.")), "halo traction", True),
        (NeckWord("halo", only_with=("trac", "vest.")), "vest halo", True),
        (NeckWord("halo", only_with=("trac", "vest.")), "halo vests", False),
        (NeckWord("halo", alone=True), "halo", True),
        (NeckWord("halo", alone=True), "halos", True),
        (NeckWord("halo", alone=True), "halo ring", False),
        (NeckWord("halo", ("ring",), ("trac",), alone=True), "halo", True),
        (NeckWord("halo", ("ring",), ("trac",), alone=True), "halo traction", True),
        (NeckWord("halo", ("ring",), ("trac",), alone=True), "halo traction ring", False),
        (NeckWord("halo", ("ring",), ("trac",), alone=True), "halo naevus", False),
        (NeckWord("lie flat", alone=True), "lie flat", True),
        (NeckWord("lie flat", alone=True), "lie flat now", False),
        (NeckWord("neck"), "", False),
    ],
)
def test_a_word_about_the_neck_counts_by_its_beginning_and_by_what_stands_beside_it(
    word: NeckWord, said: str, expected: bool
) -> None:
    assert word.found_in(said.split()) is expected


@pytest.mark.parametrize(("word", "first"), [("neck", "neck"), ("lie. flat", "lie"), ("spin.", "spin")])
def test_how_the_first_word_begins(word: str, first: str) -> None:
    assert NeckWord(word).first == first


def test_what_the_map_derives_from_its_tables() -> None:
    prefixes = {CodingKey(SITE, one): (Meaning("bed_rest"),) for one in ("A", "AB", "BA", "ABCD")}
    made = _map(
        base="https://codes.example/fhir",
        prefixes={**prefixes, CodingKey(LOINC, "123"): (Meaning("sex"),)},
        neck_words=(NeckWord("lie. flat"), NeckWord("neck"), NeckWord("lie down")),
        neck_codes=frozenset({A, B, CodingKey(LOINC, "1")}),
    )
    assert made.prefix_lengths == {SITE: (4, 2, 1), LOINC: (3,)}
    assert [word.word for word in made.neck_words_for(["lies", "flat"])] == ["lie. flat", "lie down"]
    assert [word.word for word in made.neck_words_for(["a", "necks"])] == ["neck"]
    assert list(made.neck_words_for(["l", "li", "nec", "xneck", ""])) == []
    assert made.neck_systems == {SITE, LOINC}
    assert made.own_facts == "https://codes.example/fhir/CodeSystem/facts"
    assert made.own_values == "https://codes.example/fhir/CodeSystem/fact-values"


REST, SEX, WEIGHT = Meaning("bed_rest"), Meaning("sex"), Meaning("weight_kg")


@pytest.mark.parametrize(
    ("codings", "expected"),
    [
        (["A"], ("bed_rest",)),
        (["AB"], ("sex",)),
        (["ABC"], ("sex",)),
        (["AC"], ("weight_kg",)),
        (["B"], ()),
        (["A", "AB"], ("bed_rest", "sex")),
        (["AB", "A"], ("sex", "bed_rest")),
        (["A", "A"], ("bed_rest",)),
        (["B", "A"], ("bed_rest",)),
        ([], ()),
    ],
)
def test_the_meanings_of_codes(codings: list[str], expected: tuple[str, ...]) -> None:
    """The whole code first, then the longest beginning; each meaning once, in the order of the codes."""
    made = _map(exact={A: (REST,)}, prefixes={A: (WEIGHT,), CodingKey(SITE, "AB"): (SEX,)})
    found = made.meanings([CodingKey(SITE, one) for one in codings])
    assert tuple(meaning.fact for meaning in found) == expected
    assert made.meanings([CodingKey(LOINC, one) for one in codings]) == ()


@pytest.mark.parametrize(
    ("asked", "found", "expected"),
    [
        ([A], [B], True),
        ([CodingKey(SITE, "x"), A], [CodingKey(SITE, "x"), B], True),
        ([B], [B], False),
        ([A], [A], False),
        ([A], [], False),
        ([], [B], False),
    ],
)
def test_what_was_found_is_the_coded_value_of_a_question_for_it(
    asked: list[CodingKey], found: list[CodingKey], expected: bool
) -> None:
    made = _map(exact={B: (REST,)}, prefixes={}, finding_questions=frozenset({A}))
    value = _coded(*found)
    assert made.finding({"code": _coded(*asked), "valueCodeableConcept": value}) == (value if expected else None)
    assert made.finding({"code": _coded(*asked)}) is None
    assert made.finding({"valueCodeableConcept": value}) is None


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("neck_swelling", (True,)),
        ("airway_threat", (True,)),
        ("airway_secured", (False,)),
        ("swallow_screen_passed", (False,)),
        ("ct_neck", ("positive",)),
        ("osteoporosis", (True,)),
        ("bed_rest", (True,)),
        ("habitus", ("slight", "average", "heavy", "very_heavy")),
        ("weight_kg", ()),
        ("fall_stairs", ()),
    ],
)
def test_the_answers_that_may_be_a_danger(name: str, expected: tuple[Any, ...]) -> None:
    """Whatever is safer to assume, a danger or lasting; where nothing says so, a yes and any code."""
    assert code_map().dangers(ruleset().vocabulary[name]) == expected


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("glasgow_coma_score", {15: 0, 14: 1, 8: 7, 3: 12}),
        ("braden_score", {13: 0, 12: 1}),
        ("responsiveness", {"alert": 0, "voice": 1, "pain": 2, "unresponsive": 3}),
        ("airway_threat", {True: 1, False: 0}),
        ("airway_secured", {True: 0, False: 1}),
        ("ct_neck", {"positive": 1, "negative": 0}),
        ("head_position", {"fixed_flexion": 1, "neutral": 0}),
        ("weight_kg", {3: 0, 300: 0}),
        ("mobility", {"bed_only": 0}),
    ],
)
def test_how_grave_a_value_is(name: str, values: dict[Any, float]) -> None:
    fact = ruleset().vocabulary[name]
    assert {value: code_map().gravity(fact, value) for value in values} == values
    assert code_map().may_be_grave(fact) is any(values.values())


def test_all_that_says_which_answers_are_a_danger_counts() -> None:
    fact = (
        ruleset()
        .vocabulary["habitus"]
        .model_copy(
            update={
                "danger": Danger(name="x", answers=("heavy", "average")),
                "lasting": Lasting(answers=("average", "very_heavy")),
            }
        )
    )
    assert _map(safer={"habitus": "slight"}).dangers(fact) == ("slight", "heavy", "average", "very_heavy")
    assert _map(safer={}).dangers(fact) == ("heavy", "average", "very_heavy")
    assert _map(safer={}).dangers(fact.model_copy(update={"danger": None})) == ("average", "very_heavy")


# --- collars -------------------------------------------------------------------------------------------------------------

LONG_TERM = Collar("long_term", "x")
OWN_ORDERS = OWN.replace("facts", "orders")


def _collars(**changes: Any) -> CodeMap:
    """A code for a collar, a system of which each code is one, names that the site decides, and a code that it ignores."""
    tables = {
        "collars": {A: LONG_TERM, CodingKey(LOINC, "*"): Collar()},
        "texts": {"item 7": True, "cervical collar b": False},
        "ignored": frozenset({B}),
    }
    return _map(**{**tables, **changes})


@pytest.mark.parametrize(
    ("concept", "collar", "look_alike"),
    [
        (_coded(A), LONG_TERM, None),
        (_coded(CodingKey(SITE, "x"), A), LONG_TERM, None),
        (_coded(CodingKey(SITE, "*")), None, None),
        (_coded(CodingKey(LOINC, "any")), Collar(), None),
        (_coded(A, text="Soft collar"), LONG_TERM, None),
        # By its words: all that are about a device of the kind order one.
        ({"text": "Cervical collar"}, Collar(None, "Cervical collar"), None),
        ({"text": "Extrication collar"}, Collar("extrication", "Extrication collar"), None),
        ({"text": "Walker", "coding": [{"display": "Cervical collar"}]}, Collar(None, "Cervical collar"), None),
        (
            {"text": "Cervical collar", "coding": [{"display": "Extrication collar"}]},
            Collar(None, "Cervical collar"),
            None,
        ),
        ({"text": "Cervical collar", "coding": [{"display": "Soft collar"}]}, None, "Cervical collar"),
        ({"text": "Soft collar", "coding": [{"display": "Cervical collar"}]}, None, "Soft collar"),
        ({"text": "Soft collar"}, None, "Soft collar"),
        ({"text": "Walker"}, None, None),
        ({"text": "Shoulder sling with collar"}, None, None),
        ({"text": "Shoulder sling with collar", "coding": [{"display": "Soft collar"}]}, None, "Soft collar"),
        # Names that the site decides by itself, without regard to case and blanks.
        ({"text": "Item  7"}, Collar(None, "Item  7"), None),
        ({"text": "Soft collar", "coding": [{"display": "ITEM 7"}]}, Collar(None, "ITEM 7"), None),
        ({"text": "Cervical  Collar B"}, None, None),
        ({"text": "Item 7", "coding": [{"display": "cervical collar b"}]}, None, None),
        ({"text": "Item 70"}, None, None),
        # Codes that are ours or ignored say it alone.
        (_coded(B, text="Cervical collar"), None, None),
        (_coded(B, A, text="Cervical collar"), LONG_TERM, None),
        (_coded((OWN_ORDERS, "x"), text="Cervical collar"), None, None),
        (_coded((OWN, "x"), text="Soft collar"), None, None),
        (_coded((SITE, "x"), text="Soft collar"), None, "Soft collar"),
        (None, None, None),
        ("Cervical collar", None, None),
    ],
)
def test_the_collar_that_a_concept_means(concept: Any, collar: Collar | None, look_alike: str | None) -> None:
    made = _collars()
    assert (made.collar(concept), made.collar_look_alike(concept)) == (collar, look_alike)


@pytest.mark.parametrize(
    ("order", "is_order", "look_alike"),
    [
        # A modifier that is neither true nor false: nobody can say whether a collar is ordered or forbidden.
        (
            {"resourceType": "ServiceRequest", "doNotPerform": "true", "code": {"text": "Rigid neck collar"}},
            False,
            "Rigid neck collar",
        ),
        (
            {"resourceType": "ServiceRequest", "_doNotPerform": {"id": "a"}, "code": {"text": "Rigid neck collar"}},
            False,
            "Rigid neck collar",
        ),
        ({"resourceType": "ServiceRequest", "doNotPerform": 1, "code": {"text": "Chest X-ray"}}, False, None),
        ({"resourceType": "ServiceRequest", "code": _coded(A)}, True, None),
        ({"resourceType": "DeviceRequest", "codeCodeableConcept": _coded(A)}, True, None),
        ({"resourceType": "ServiceRequest", "code": _coded(A), "doNotPerform": False}, True, None),
        ({"resourceType": "ServiceRequest", "code": {"text": "Soft collar"}}, False, "Soft collar"),
        ({"resourceType": "ServiceRequest", "code": {"text": "Soft collar"}, "doNotPerform": True}, False, None),
        ({"resourceType": "ServiceRequest", "code": _coded(A), "doNotPerform": True}, False, None),
        # In a form that R4 does not know: R5 has a CodeableReference, and DeviceRequest.code.
        ({"resourceType": "ServiceRequest", "codeCodeableConcept": _coded(A)}, False, "A"),
        ({"resourceType": "DeviceRequest", "code": _coded(A)}, False, "A"),
        ({"resourceType": "DeviceRequest", "code": {"concept": _coded(A, text="Collar of A")}}, False, "Collar of A"),
        ({"resourceType": "ServiceRequest", "code": {"concept": _coded(A)}}, False, "A"),
        ({"resourceType": "ServiceRequest", "code": {"concept": {"text": "Knee"}}}, False, None),
        ({"resourceType": "ServiceRequest", "code": [_coded(A)]}, False, "A"),
        ({"resourceType": "ServiceRequest", "code": "Rigid cervical collar"}, False, "Rigid cervical collar"),
        ({"resourceType": "ServiceRequest", "code": {"text": ["Soft collar"]}}, False, "Soft collar"),
        ({"resourceType": "ServiceRequest", "code": {"coding": _coded(A)["coding"][0]}}, False, "A"),
        ({"resourceType": "ServiceRequest", "code": [7, None, {"concept": 7}, {"coding": 7, "text": 7}]}, False, None),
        ({"resourceType": "ServiceRequest", "code": [_coded(A)], "doNotPerform": True}, False, None),
        ({"resourceType": "Procedure", "code": _coded(A)}, False, None),
        ({"resourceType": "ServiceRequest"}, False, None),
        ({"code": _coded(A)}, False, None),
        ("ServiceRequest", False, None),
    ],
)
def test_what_orders_a_collar(order: Any, is_order: bool, look_alike: str | None) -> None:
    made = _collars()
    assert (made.is_collar_order(order), made.order_look_alike(order)) == (is_order, look_alike)


# --- concepts of FHIR ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("concept", "texts", "codings"),
    [
        ({"text": "a", "coding": [{"display": "b"}, {"display": "a"}, {"display": "c"}]}, ["a", "b", "c"], []),
        ({"text": "", "coding": [{"display": 7}, "x", {"display": "b"}]}, ["b"], []),
        ({"coding": [{"system": SITE, "code": "A"}, {"system": SITE, "code": "A"}]}, [], [A, A]),
        (
            {
                "coding": [
                    {"system": SITE},
                    {"code": "A"},
                    {"system": 7, "code": "A"},
                    {"system": SITE, "code": 7},
                    "x",
                    dict(A._asdict()),
                ]
            },
            [],
            [A],
        ),
        ({"coding": {"system": SITE, "code": "A", "display": "a"}}, [], []),
        ({}, [], []),
        ("a", [], []),
        (None, [], []),
    ],
)
def test_the_texts_and_the_codes_of_a_concept(concept: Any, texts: list[str], codings: list[CodingKey]) -> None:
    assert (texts_of(concept), list(codings_of(concept))) == (texts, codings)


@pytest.mark.parametrize(
    ("coding", "expected"),
    [
        ({"system": SITE, "code": "A"}, A),
        ({"system": "", "code": ""}, CodingKey("", "")),
        ({"system": SITE}, None),
        ("A", None),
    ],
)
def test_a_coding_is_complete_or_none(coding: Any, expected: CodingKey | None) -> None:
    assert coding_of(coding) == expected


def test_names_are_compared_without_case_and_with_single_blanks() -> None:
    assert as_compared("  Große\tHALSKRAUSE \n 7 ") == "grosse halskrause 7"


# --- the hash ------------------------------------------------------------------------------------------------------------


def test_the_hash_is_that_of_the_content_whatever_its_order() -> None:
    """SHA-256 (FIPS 180-4) of plain JSON; another order of a table or a set is the same, another entry is not."""
    first = _map(exact={A: (REST,), B: (SEX,)}, yes=frozenset({A, B}))
    turned = _map(exact={B: (SEX,), A: (REST,)}, yes=frozenset({B, A}))
    assert first.hash == turned.hash
    assert re.fullmatch("[0-9a-f]{64}", first.hash)
    others = [
        _map(exact={A: (REST,), B: (replace(SEX, local=True),)}, yes=first.yes),
        _map(exact={A: (REST,)}, yes=first.yes),
        _map(exact=first.exact, yes=frozenset({A})),
        replace(first, same_within_percent=1.0),
        replace(first, base="https://codes.example/fhir"),
        replace(first, collar_words=CollarWords()),
        replace(first, neck_words=first.neck_words[::-1]),
        replace(first, units={"x": "mm"}),
    ]
    assert len({first.hash, *(one.hash for one in others)}) == len(others) + 1
    assert replace(first, vocabulary=type(first.vocabulary)({})).hash == first.hash


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("x", "x"),
        (None, None),
        (("b", ("a",)), ["b", ["a"]]),
        ({"b": 1, "a": (2,)}, [["a", [2]], ["b", 1]]),
        ({B: True, A: {"y": 1, "x": 2}}, [[[SITE, "A"], [["x", 2], ["y", 1]]], [[SITE, "B"], True]]),
        (frozenset({"b", "a"}), ["a", "b"]),
        (frozenset({B, A}), [[SITE, "A"], [SITE, "B"]]),
        (frozenset({2, 10}), [10, 2]),  # By their JSON text, so that everything has an order.
        ({2: None, "1": None}, [["1", None], [2, None]]),
        (
            Collar("long_term", "x", local=True),
            [["display", "x"], ["from_memory", False], ["kind", "long_term"], ["local", True]],
        ),
        (Collar, Collar),
    ],
)
def test_every_table_has_one_order_as_plain_json(value: Any, expected: Any) -> None:
    assert _ordered(value) == expected


def test_the_shipped_tables_are_hashed_without_the_vocabulary() -> None:
    """The digest by hand, of a map with nothing in it but its numbers."""
    empty: dict[str, Any] = {
        one.name: type(getattr(code_map(), one.name))() for one in fields(CodeMap) if one.name not in _NO_TABLE
    }
    made = replace(code_map(), **empty, base="b", unread_observations=UnreadObservations(1, (), frozenset()))
    content = {name: [] for name in empty} | {
        "episode": [["answers", []], ["gap_hours", 0], ["hours", None], ["injuries", []]]
    }
    content["unread_diagnoses"] = [[name, []] for name in sorted(one.name for one in fields(UnreadDiagnoses))]
    content["collar_words"] = [
        [one.name, [] if one.name == "joined" else [["stems", []], ["whole", []]]]
        for one in sorted(fields(CollarWords), key=lambda one: one.name)
    ]
    content |= {"unread_observations": [["denied", []], ["not_of_now", []], ["within_hours", 1]], "base": "b"}
    content |= {"same_within_percent": 0.5, "future_tolerance_minutes": 5.0, "stale_danger_hours": 0.0}
    order = [one.name for one in fields(CodeMap) if one.name != "vocabulary"]
    written = json.dumps({name: content[name] for name in order})
    assert made.hash == hashlib.sha256(written.encode()).hexdigest()


_NO_TABLE = {"base", "vocabulary", "unread_observations", "same_within_percent", "future_tolerance_minutes"}


def device_order(**fields: Any) -> dict[str, Any]:
    return {"resourceType": "DeviceRequest", "status": "draft", "intent": "order", **fields}


NAMED = {"name": "C-collar", "type": "user-friendly-name"}
HELD = {"resourceType": "Device", "id": "x", "type": {"text": "Rigid cervical collar"}}


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        # DeviceRequest.code[x] is a CodeableConcept or a Reference(Device).
        (device_order(codeReference={"display": "Rigid neck collar"}), True),
        (device_order(codeReference={"reference": "#x"}, contained=[HELD]), True),
        (device_order(codeReference={"reference": "#y"}, contained=[HELD]), False),
        (device_order(codeReference={"reference": "#x"}, contained=[HELD | {"type": {}, "deviceName": [NAMED]}]), True),
        (device_order(codeReference={"reference": "#x"}, contained=["x", {**HELD, "type": {"text": "Walker"}}]), False),
        (device_order(codeReference={"display": "Rigid neck collar"}, doNotPerform=True), False),
        (device_order(codeReference="Rigid neck collar"), False),
        (device_order(codeCodeableConcept={"text": "Rigid neck collar"}), True),
        ({**device_order(codeReference={"display": "Rigid neck collar"}), "resourceType": "ServiceRequest"}, False),
    ],
)  # fmt: skip
def test_an_order_of_a_device_may_name_the_device(order: dict[str, Any], expected: bool) -> None:
    assert code_map().is_collar_order(order) is expected


HCPCS = "http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets"


@pytest.mark.parametrize(
    ("coded", "alike"),
    [
        # HCPCS Level II, L0112 to L0200: orthoses of the neck (from memory).
        ({"code": "L0140"}, "L0140"),
        ({"code": "L0200"}, "L0200"),
        ({"code": "L0220"}, None),
        ({"code": "L1830"}, None),
        ({"code": "L0140", "display": "Rib belt"}, None),
        ({"code": "L0172"}, None),
    ],
)
def test_a_code_of_neck_collars_alone_is_listed(coded: dict[str, str], alike: str | None) -> None:
    order = device_order(codeCodeableConcept={"coding": [{"system": HCPCS, **coded}]})
    assert code_map().order_look_alike(order) == alike
    assert code_map().is_collar_order(order) is (coded["code"] == "L0172")
