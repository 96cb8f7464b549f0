"""Patients as lines of an export: their records as a hospital writes them, and each with one thing wrong."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from random import Random
from typing import Any

from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Ruleset
from rules.testing.generators import Generator
from tests.cds.hook_calls import FACTS, VALUES

Json = dict[str, Any]
UCUM = "http://unitsofmeasure.org"
WRITTEN_IN = {"mm": ("cm", "[in_i]", "mm"), "kg": ("[lb_av]", "g", "kg"), "cm": ("m", "cm")}
"""Units that a measure of a fact's unit is also written in (UCUM)."""
PER_UNIT = {"cm": 10, "[in_i]": 25.4, "[lb_av]": 0.45359237, "g": 0.001, "m": 100}
NOT_OBSERVED = ("age_years", "sex", "setting")
"""Facts that the Patient and the Encounter say."""


def plain_patients(ruleset: Ruleset, count: int, seed: int) -> Iterator[list[Json]]:
    """The records of ``count`` generated patients, with one value or two of each of some facts."""
    random, generator = Random(seed), Generator(ruleset, seed)
    facts = [fact for fact in ruleset.vocabulary.values() if fact.given == "observed" and fact.unit != "h"]
    facts = [fact for fact in facts if fact.name not in NOT_OBSERVED]
    for number in range(count):
        patient = f"g{number}"
        records = [_person(patient, random), *([_stay(patient, random)] if random.random() < 0.7 else [])]
        for fact in random.sample(facts, random.randint(0, 12)):
            for repeat in range(random.randint(1, 2)):
                record = _observation(patient, fact, repeat, random)
                records.append({**record, **_value(fact, generator.answer(fact), random)})
        yield records


def _person(patient: str, random: Random) -> Json:
    return {
        "resourceType": "Patient",
        "id": patient,
        "name": [{"family": f"Invented {patient}", "given": ["Ada", "Bo"][: random.randint(1, 2)]}],
        "birthDate": f"{random.randint(1930, 2024)}-{random.randint(1, 12):02}-{random.randint(1, 28):02}",
        "gender": random.choice(["male", "female", "unknown", "other"]),
    }


def _stay(patient: str, random: Random) -> Json:
    return {
        "resourceType": "Encounter",
        "id": f"{patient}-stay",
        "status": random.choice(["finished", "in-progress"]),
        "subject": {"reference": f"Patient/{patient}", "display": f"Invented {patient}"},
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": random.choice(["EMER", "AMB"])},
        "period": {"start": f"2026-01-{random.randint(10, 28)}T07:00:00Z"},
        "serviceProvider": {"reference": "Organization/1", "display": random.choice(["Ward 3", "Theatre"])},
    }


def _observation(patient: str, fact: FactDefinition, repeat: int, random: Random) -> Json:
    time = f"2026-01-{29 - 3 * repeat}T{random.randint(0, 23):02}:15:{random.randint(0, 59):02}"
    time += random.choice(["Z", "Z", "Z", "+01:00", ".25Z", "-05:00"])
    return {
        "resourceType": "Observation",
        "id": f"{patient}-{fact.code}-{repeat}",
        "meta": {"versionId": str(repeat), "lastUpdated": time},
        "status": random.choice(["final", "amended"]),
        "subject": {"reference": f"Patient/{patient}", "display": f"Invented {patient}"},
        "code": {"coding": [{"system": FACTS, "code": fact.code, "display": fact.label}]},
        "effectiveDateTime": time,
    }


def _value(fact: FactDefinition, value: FactValue, random: Random) -> Json:
    if fact.type == "boolean":
        return {"valueBoolean": value}
    if fact.type == "code":
        return {"valueCodeableConcept": {"coding": [{"system": VALUES, "code": str(value).replace("_", "-")}]}}
    unit = random.choice(WRITTEN_IN.get(fact.unit or "", (fact.unit or "1",)))
    number = value if unit == fact.unit else round(float(value) / PER_UNIT.get(unit, 1), 3)
    return {"valueQuantity": {"value": number, "unit": unit, "system": UCUM, "code": unit}}


# --- what may be wrong ---------------------------------------------------------------------------------------------------

Damage = Callable[[Json, Random], None]
"""Changes one Observation of a patient."""


def _set(path: str, value: Any) -> Damage:
    def damage(record: Json, random: Random) -> None:
        *way, last = path.split(".")
        holder: Any = record
        for key in way:
            holder = holder.setdefault(key, {}) if isinstance(holder, dict) else holder[int(key)]
        holder[last] = value(random) if callable(value) else value

    return damage


def _drop(key: str) -> Damage:
    return lambda record, random: record.pop(key, None)


def _other_type(record: Json, random: Random) -> None:
    key = random.choice(sorted(record.keys() - {"resourceType"}))
    record[key] = random.choice([None, 7, "text", [], {}, [record[key]], True, {"coding": "x"}])


DAMAGES: dict[str, Damage] = {
    "nothing": lambda record, random: None,
    "no id": _drop("id"),
    "no status": _drop("status"),
    "no time": _drop("effectiveDateTime"),
    "no code": _drop("code"),
    "no subject": _drop("subject"),
    "another status": _set("status", "entered-in-error"),
    "another type somewhere": _other_type,
    "somebody else's": _set("subject.reference", "https://elsewhere.example.org/fhir/Patient/g1"),
    "a version of the patient": lambda record, random: record["subject"].update(
        reference=record["subject"]["reference"] + "/_history/3"
    ),
    "future": _set("effectiveDateTime", "2026-02-20T08:00:00Z"),
    "a few minutes ahead": _set("effectiveDateTime", "2026-01-31T10:03:00Z"),
    "only a date": _set("effectiveDateTime", "2026-01-28"),
    "only a month": _set("effectiveDateTime", "2026-01"),
    "no such day": _set("effectiveDateTime", "2025-02-30T08:00:00Z"),
    "no time zone": _set("effectiveDateTime", "2026-01-28T08:00:00"),
    "a leap second": _set("effectiveDateTime", "2026-01-28T08:00:60Z"),
    "escaped time": _set("effectiveDateTime", "2026-01-28T08:00:00Z\u00e9"),
    "long ago": _set("effectiveDateTime", "2019-01-28T08:00:00Z"),
    "a period": lambda record, random: record.update(
        effectivePeriod={"start": record.pop("effectiveDateTime"), "end": "2026-03-01T00:00:00Z"}
    ),
    "issued alone": lambda record, random: record.update(issued=record.pop("effectiveDateTime")),
    "modifier": _set("modifierExtension", [{"url": "https://example.org/denied", "valueBoolean": True}]),
    "implicit rules": _set("implicitRules", "https://example.org/rules"),
    "another unit": _set("valueQuantity.code", lambda random: random.choice(["cm", "mg", "parsec", "", "[in_i]", "1"])),
    "no system of units": _set("valueQuantity.system", "https://example.org/units"),
    "a limit": _set("valueQuantity.comparator", "<"),
    "a number as text": _set("valueQuantity.value", "66"),
    "implausible": _set("valueQuantity.value", lambda random: random.choice([-3, 1e9, 123456.5, 1e13, 0])),
    "an exponent": _set("valueQuantity.value", 6.6e-7),
    "two values": _set("valueString", "true"),
    "two codes": lambda record, random: record["code"]["coding"].append({"system": FACTS, "code": "bed-rest"}),
    "unknown code of ours": _set("code.coding.0.code", "neck-hight"),
    "another value": lambda record, random: record.update(
        valueCodeableConcept={"coding": [{"system": VALUES, "code": "no-such-value"}]}
    ),
    "no value by its own word": _set("dataAbsentReason", {"coding": [{"code": "not-performed"}]}),
    "two types of time": _set("effectiveInstant", "2026-01-20T08:00:00Z"),
    "a time and a period": _set("effectivePeriod", {"start": "2025-01-28", "end": "2025-01-29"}),
    "a reversed period": lambda record, random: record.update(
        effectivePeriod={"start": record.pop("effectiveDateTime"), "end": "2025-03-01T00:00:00Z"}
    ),
    "a component": _set(
        "component", [{"code": {"coding": [{"system": FACTS, "code": "tracheostomy"}]}, "valueBoolean": True}]
    ),
    "a danger inside": _set(
        "contained",
        [{"resourceType": "Condition", "code": {"coding": [{"system": "http://snomed.info/sct", "code": "70407001"}]}}],
    ),
    "contained": _set("contained", [{"resourceType": "Patient", "id": "x", "birthDate": "1999-01-01"}]),
    "body site": _set("bodySite", {"text": "neck", "coding": [{"display": "Structure of neck"}]}),
    "extension": _set("extension", [{"url": "https://example.org/x", "valueString": "neck"}]),
    "quotes in a text": _set(
        "note", [{"text": 'she said "id": "7", "subject": {"reference": "Patient/g1"} \\ \u2028'}]
    ),
    "a mark in a text": _set("note", [{"text": "\x01 \x02"}]),
}

LINE_DAMAGES: dict[str, Callable[[str, Random], list[str]]] = {
    "twice the same": lambda line, random: [line, line],
    "twice under one id": lambda line, random: [line, line.replace("2026-01-2", "2026-01-1")],
    "cut off": lambda line, random: [line[: random.randint(len(line) // 2, len(line) - 1)]],
    "not an object": lambda line, random: [f"[{line}]"],
    "a key twice": lambda line, random: [line.replace('"status"', '"id": "other", "status"', 1)],
    "the time twice": lambda line, random: [line.replace('"status"', '"effectiveDateTime": "2026-01-30", "status"', 1)],
    "a raw mark": lambda line, random: [line.replace('"status"', '"issued": \x01, "status"', 1)],
    "a mark in place of a time": lambda line, random: [
        line.replace('"effectiveDateTime": "', '"effectiveDateTime": "\x01', 1)
    ],
    "compact": lambda line, random: [json.dumps(json.loads(line), separators=(",", ":"))],
    "escaped": lambda line, random: [line.replace("Patient/g", "Patient\\/g").replace("final", "fin\\u0061l")],
    "sorted": lambda line, random: [json.dumps(json.loads(line), sort_keys=True)],
    "a long number": lambda line, random: [line.replace('"value": ', '"value": 0', 1)],
}
"""Changes to the line of one Observation."""


def damaged_lines(records: list[Json], name: str, random: Random) -> list[str]:
    """``records`` of one patient as lines, with the damage ``name`` done to one Observation, if there is one."""
    records = json.loads(json.dumps(records))
    observed = [place for place, record in enumerate(records) if record["resourceType"] == "Observation"]
    place = random.choice(observed) if observed else None
    if name in DAMAGES and place is not None:
        DAMAGES[name](records[place], random)
    lines = [[json.dumps(record)] for record in records]
    if name in LINE_DAMAGES and place is not None:
        lines[place] = LINE_DAMAGES[name](lines[place][0], random)
    return [line for several in lines for line in several]


PERSON_DAMAGES: dict[str, Callable[[Json], Any]] = {
    "only a year": lambda patient: patient.update(birthDate="1980"),
    "born tomorrow": lambda patient: patient.update(birthDate="2026-02-20"),
    "born long ago": lambda patient: patient.update(birthDate="1870-01-01"),
    "born on no day": lambda patient: patient.update(birthDate="1981-02-29"),
    "not born": lambda patient: patient.pop("birthDate"),
    "no gender": lambda patient: patient.pop("gender"),
    "another gender": lambda patient: patient.update(gender="M"),
    "dead": lambda patient: patient.update(deceasedBoolean=True),
    "dead by date": lambda patient: patient.update(deceasedDateTime="2026-01-02T00:00:00Z"),
    "dead in another form": lambda patient: patient.update(deceasedBoolean="true"),
    "dead by no date": lambda patient: patient.update(deceasedDateTime=True),
    "alive": lambda patient: patient.update(deceasedBoolean=False),
    "denied": lambda patient: patient.update(modifierExtension=[{"url": "https://example.org/denied"}]),
}
"""Changes to the Patient."""

STAY_DAMAGES: dict[str, Callable[[Json], Any]] = {
    "no start": lambda stay: stay.pop("period"),
    "starts tomorrow": lambda stay: stay.update(period={"start": "2026-02-20T00:00:00Z"}),
    "starts never": lambda stay: stay.update(period={"start": "soon"}),
    "nowhere": lambda stay: stay.pop("serviceProvider"),
    "an empty name": lambda stay: stay["serviceProvider"].update(display=""),
    "a quoted name": lambda stay: stay["serviceProvider"].update(display='Ward "3"'),
    "a place": lambda stay: stay.update(location=[{"location": {"reference": "Location/1", "display": "Bay 7"}}]),
    "an unnamed place": lambda stay: stay.update(location=[{"location": {"reference": "Location/1"}}]),
    "a class of the hospital": lambda stay: stay["class"].update(system="http://hospital.example/classes"),
    "a class by its identifier": lambda stay: stay["class"].update(system="urn:oid:2.16.840.1.113883.5.4"),
    "no class": lambda stay: stay.pop("class"),
    "planned": lambda stay: stay.update(status="planned"),
}
"""Changes to the Encounter."""
