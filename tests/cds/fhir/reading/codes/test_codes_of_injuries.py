"""What the codes of injuries say: ICD-10 and ICD-10-CM, chapters X and XIX, from memory; to be confirmed by the site.

The seventh character: ICD-10-CM guideline I.C.19.a (A active treatment, D healing, S sequela).
"""

from __future__ import annotations

import pytest

from cds.fhir.reading.code_map import as_listed
from tests.cds.fhir.reading.sent import ICD, LOINC, SNOMED, Resource, code_map, facts, of_patient, reading

WHO = "http://hl7.org/fhir/sid/icd-10"
NECK, AIRWAY, STOMA = "known_neck_injury", "airway_threat", "tracheostomy"


def diagnosis(code: str, system: str = ICD, **fields: object) -> Resource:
    coded = {"coding": [{"system": system, "code": code}]}
    return of_patient("Condition", "c", **{"recordedDate": "2026-01-31T09:00:00Z", "code": coded, **fields})


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        # Hyoid bone, larynx, thyroid cartilage, trachea: the airway, and the spine with it.
        ("S12.8XXA", {AIRWAY, NECK}),
        ("S12.8XXD", {NECK}),
        ("S12.8XXS", set()),
        ("S12.9XXA", {NECK}),
        ("S12.110A", {NECK}),
        ("S12.110D", {NECK}),
        ("S12.110G", {NECK}),
        ("S12.110S", set()),
        ("S13.121S", set()),
        ("S13.111S", set()),
        ("S14.101A", {"neurological_deficit"}),
        ("S14.101S", set()),
        ("S06.0X0A", {"raised_intracranial_pressure_risk"}),
        ("S06.0X0S", set()),
        ("T71.162S", set()),
        ("S11.011A", {AIRWAY, "penetrating_injury"}),
        ("S11.011S", set()),
        ("S11.80XA", set()),
        ("S17.0XXA", {AIRWAY}),
        ("S17.8XXA", set()),
        ("S19.81XA", {AIRWAY}),
        ("S19.89XA", set()),
        ("T17.300A", {AIRWAY}),
        ("T17.290A", set()),
        ("J05.10", {AIRWAY}),
        ("J05.0", set()),
        ("J36", {AIRWAY}),
        ("J39.0", {AIRWAY}),
        ("J39.2", set()),
        # J95.0: haemorrhage and malfunction close an airway; infection and fistula are complications of it.
        ("J95.01", {AIRWAY, STOMA}),
        ("J95.03", {AIRWAY, STOMA}),
        ("J95.02", {STOMA}),
        ("J95.04", {STOMA}),
        # S is no seventh character where it is none.
        ("M80.08XS", {"osteoporosis"}),
    ],
)
def test_a_code_says_these_facts(code: str, expected: set[str]) -> None:
    assert {fact for fact, value in facts(diagnosis(code)).items() if value is True} == expected


def test_the_international_code_of_a_tracheostomy_that_fails_holds_bleeding_and_blockage() -> None:
    assert facts(diagnosis("J95.0", WHO)) == {AIRWAY: True, STOMA: True}


def test_what_is_left_of_an_injury_is_for_a_person_to_read() -> None:
    """By its code alone, and by its words; what is left of a concussion is of no danger to a neck."""
    (listed,) = reading(diagnosis("S12.110S")).not_used
    assert (listed.kind, listed.look_up) == ("unread", "S12.110S")
    assert reading(diagnosis("S06.0X0S")).not_used == ()


@pytest.mark.parametrize(
    ("system", "code"),
    [
        # The object identifiers that HL7 lists for the systems.
        ("urn:oid:2.16.840.1.113883.6.90", "R06.1"),
        ("urn:oid:2.16.840.1.113883.6.3", "R06.1"),
        ("urn:oid:2.16.840.1.113883.6.96", "70407001"),
        ("http://fhir.de/CodeSystem/bfarm/icd-10-gm", "R06.1"),
        # Without the point, as claims carry it.
        (ICD, "R061"),
        (WHO, "R061"),
        ("urn:oid:2.16.840.1.113883.6.90", "S128XXA"),
    ],
)
def test_a_code_is_known_under_every_address_of_its_system(system: str, code: str) -> None:
    assert facts(diagnosis(code, system))[AIRWAY] is True


@pytest.mark.parametrize(
    ("system", "code", "expected"),
    [
        (ICD, "S12110S", (ICD, "S12.110S")),
        (ICD, "S12", (ICD, "S12")),
        (ICD, "M48.00", (ICD, "M48.00")),
        ("urn:oid:2.16.840.1.113883.6.1", "9269-2", (LOINC, "9269-2")),
        (SNOMED, "70407001", (SNOMED, "70407001")),
        ("urn:oid:1.2.3", "R061", ("urn:oid:1.2.3", "R061")),
    ],
)
def test_a_code_is_looked_up_as_the_map_has_it(system: str, code: str, expected: tuple[str, str]) -> None:
    assert as_listed(system, code) == expected


def test_a_code_of_several_facts_asks_nothing() -> None:
    """As the code of an Observation it would have one value for two facts."""
    asked = {"coding": [{"system": ICD, "code": "S12.8XXA"}]}
    sent = of_patient(
        "Observation", "o", status="final", code=asked, valueBoolean=True, effectiveDateTime="2026-01-31T09:00:00Z"
    )
    assert facts(sent) == {}
    (listed,) = reading(sent).not_used
    assert listed.reason == f"the codes name several facts: {AIRWAY}, {NECK}"


def test_every_injury_of_the_map_has_its_seventh_character() -> None:
    """A new entry of the chapter of injuries without it would take what is left of one for the injury itself."""
    injuries = [meaning for key, all_of in code_map().prefixes.items() if key.code[0] in "ST" for meaning in all_of]
    assert len(injuries) > 20
    assert all("S" in meaning.not_seventh for meaning in injuries)


# --- how old a diagnosis is: Condition.recordedDate is when it entered the system, Condition.onset when it began (FHIR R4)

ACTIVE = {"clinicalStatus": {"coding": [{"code": "active"}]}}
LIST, VISIT = ({"category": [{"coding": [{"code": code}]}]} for code in ("problem-list-item", "encounter-diagnosis"))
UNDATED = {"recordedDate": None}
PARALYSED, BROKEN, CONCUSSION, FALL = "G82.50", "S12.9XXA", "S06.0X0A", "W19.XXXA"


def dated(code: str, fields: Resource) -> Resource:
    found = diagnosis(code, **(ACTIVE | fields))
    return {key: value for key, value in found.items() if value is not None}


@pytest.mark.parametrize(
    ("code", "fields", "used"),
    [
        # A list that was gone through today makes no old deficit a new one.
        (PARALYSED, {}, True),
        (PARALYSED, {"onsetDateTime": "2001"}, False),
        (PARALYSED, {"onsetDateTime": "2025-06"}, False),
        (PARALYSED, {"onsetDateTime": "2025-12-24"}, True),
        # As coarse as it is, it may have begun in the last weeks.
        (PARALYSED, {"onsetDateTime": "2025"}, True),
        (PARALYSED, {"onsetDateTime": "2026"}, True),
        (PARALYSED, {"onsetDateTime": "some day"}, True),
        (PARALYSED, {"recordedDate": "2025-06-01"}, False),
        # Without any date: now, unless it stands on a list.
        (PARALYSED, UNDATED, True),
        (PARALYSED, UNDATED | VISIT, True),
        (PARALYSED, UNDATED | LIST, False),
        (PARALYSED, UNDATED | LIST | {"onsetDateTime": "2026-01"}, True),
        ("S14.101A", {"onsetDateTime": "2001"}, False),
        (CONCUSSION, {"onsetDateTime": "2011"}, False),
        (CONCUSSION, UNDATED | LIST, False),
        (CONCUSSION, {"onsetDateTime": "2026-01-30"}, True),
        # An emergency is as old as it was last written down: what began long ago may close an airway today.
        ("R06.1", {"onsetDateTime": "2025-01-01"}, True),
        ("R06.1", UNDATED | LIST, True),
        # Nobody ends the diagnosis of an encounter; a problem list is kept.
        (BROKEN, {"recordedDate": "2019-06-01"} | VISIT, False),
        (BROKEN, {"recordedDate": "2025-06-01"} | VISIT, True),
        (BROKEN, {"recordedDate": "2019-06-01"} | LIST, True),
        (BROKEN, {"recordedDate": "2019-06-01", "category": [*LIST["category"], *VISIT["category"]]}, True),
        (BROKEN, {"recordedDate": "2019-06-01"}, True),
        (BROKEN, UNDATED | VISIT, True),
        (BROKEN, {"onsetDateTime": "2019"} | VISIT, False),
        # What happened says for a week that something did.
        (FALL, {}, True),
        (FALL, {"recordedDate": "2026-01-25"}, True),
        (FALL, {"recordedDate": "2026-01-20"}, False),
        (FALL, {"onsetDateTime": "2026-01-10"}, False),
        (FALL, UNDATED, True),
        (FALL, UNDATED | LIST, False),
        ("W19.XXXD", {}, False),
        ("V43.52XA", {}, True),
        ("S09.90XA", {}, True),
        ("S09.20XA", {}, False),
        ("W20.8XXA", {}, False),
    ],
)
def test_a_diagnosis_is_as_old_as_it_says(code: str, fields: Resource, used: bool) -> None:
    assert (True in facts(dated(code, fields)).values()) is used


@pytest.mark.parametrize(
    ("code", "fields", "named"),
    [
        (PARALYSED, {"onsetDateTime": "2001"}, PARALYSED),
        (PARALYSED, {"recordedDate": "2025-06-01"}, PARALYSED),
        (PARALYSED, UNDATED | LIST, "acute paralysis: G82.50 (no time is recorded"),
        (BROKEN, {"recordedDate": "2019-06-01"} | VISIT, "S12.9XXA (2019-06-02: does it still hold?)"),
        (CONCUSSION, {"onsetDateTime": "2011"}, None),
        (FALL, {"recordedDate": "2026-01-20"}, None),
    ],
)
def test_what_is_of_old_is_named_where_it_still_matters(code: str, fields: Resource, named: str | None) -> None:
    (listed,) = reading(dated(code, fields)).not_used
    assert listed.kind in ("stale", "no time")
    assert (named or "") in (listed.look_up or "") and bool(listed.look_up) is bool(named)


def test_a_deficit_of_old_is_no_news_after_it_was_denied() -> None:
    denied = of_patient(
        "Observation",
        "o",
        status="final",
        code={"coding": [{"system": code_map().own_facts, "code": "paralysis"}]},
        valueBoolean=False,
        effectiveDateTime="2026-01-31T09:30:00Z",
    )
    read = reading(dated(PARALYSED, {"onsetDateTime": "2001"}), denied)
    assert {fact.name: fact.value for fact in read.facts}["paralysis"] is False
    assert not any(one.look_up for one in read.not_used)
