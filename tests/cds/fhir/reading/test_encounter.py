"""Element names, states: Encounter of FHIR R4; classes and location types: HL7 v3 ActCode, ServiceDeliveryLocationRoleType."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest

from cds.fhir.reading.bundle_index import ReferenceIndex
from cds.fhir.reading.encounter import current_encounter, read_encounter
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason
from tests.cds.fhir.reading.sent import AT, Resource, code_map, concept, of_patient, record

ACT = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
ROLE = "http://terminology.hl7.org/CodeSystem/v3-RoleCode"
EAST = datetime(2026, 1, 31, 12, tzinfo=timezone(timedelta(hours=2)))
"""The same moment as AT, where the clocks are two hours ahead."""


def encounter(identity: str = "e", **fields: Any) -> Resource:
    inpatient = {"system": ACT, "code": "IMP"}
    return of_patient("Encounter", identity, **{"status": "in-progress", "class": inpatient, **fields})


def started(start: Any) -> Resource:
    return {"period": {"start": start}}


@pytest.mark.parametrize(
    ("encounters", "asked", "expected"),
    [
        ([encounter("a"), encounter("b", status="finished")], "Encounter/b", "b"),
        ([encounter("a"), encounter("b")], "Encounter/c", None),
        ([], None, None),
        ([encounter("a", status="finished"), encounter("b", status="planned")], None, None),
        ([encounter("a", status="finished", **started("2026-01-30")), encounter("b")], None, "b"),
        ([encounter("a", status="arrived")], None, "a"),
        ([encounter("a", status="triaged")], None, "a"),
        ([encounter("a", status="onleave")], None, "a"),
        # The one that started last; one whose start cannot be read counts as the first of all; else by its name.
        ([encounter("a", **started("2026-01-30")), encounter("b", **started("2026-01-29"))], None, "a"),
        ([encounter("a", **started("2026-01-29")), encounter("b", **started("soon"))], None, "a"),
        ([encounter("a", **started("2026-01-29")), encounter("b")], None, "a"),
        ([encounter("b"), encounter("a")], None, "b"),
        # The day begins here two hours before midnight of Greenwich.
        ([encounter("a", **started("2026-01-30")), encounter("b", **started("2026-01-29T23:00:00Z"))], None, "b"),
    ],
)
def test_the_encounter_to_read(encounters: list[Resource], asked: str | None, expected: str | None) -> None:
    found = current_encounter(list(map(record, encounters)), asked, EAST)
    assert (found and found.resource["id"]) == expected


def accepted(value: str, code: str, recorded: datetime | None = None, standing: int = 0) -> Accepted:
    return Accepted("setting", value, code, "label of Encounter/e", "Encounter/e", recorded, standing, ages=False)


def rejected(written: str, kind: Any, reason: str, recorded: datetime | None = None) -> Rejected:
    return Rejected("setting", written, RejectionReason(kind, reason), "label of Encounter/e", recorded)


NO_CODING = "malformed class: not a Coding with a system and a code"
NOT_RUNNING = "the encounter is not running"
DATE = "not a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD)"


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, [accepted("ward", "IMP")]),
        (started("2026-01-31T10:00:00Z"), [accepted("ward", "IMP", AT)]),
        (started("2026-01-31"), [accepted("ward", "IMP", datetime(2026, 1, 30, 22, tzinfo=UTC))]),
        ({"class": {"system": ACT, "code": "EMER"}}, [accepted("emergency", "EMER")]),
        ({"class": {"system": ACT, "code": "HH"}}, [accepted("home", "HH")]),
        # v3-ActCode: stays in a hospital; what says no place ("VR", virtual; "AMB"; "PRENC", before admission).
        ({"class": {"system": ACT, "code": "OBSENC"}}, [accepted("ward", "OBSENC")]),
        ({"class": {"system": ACT, "code": "SS"}}, [accepted("ward", "SS")]),
        ({"class": {"system": ACT, "code": "AMB"}}, []),
        ({"class": {"system": ACT, "code": "PRENC"}}, []),
        ({"class": {"system": ACT, "code": "VR"}}, []),
        ({"class": {"system": ROLE, "code": "IMP"}}, []),
        # The names of one system: HL7 terminology (R4), FHIR STU3, and its identifier (HL7 v3 ActCode is 2.16.840.1.113883.5.4).
        ({"class": {"system": "http://hl7.org/fhir/v3/ActCode", "code": "EMER"}}, [accepted("emergency", "EMER")]),
        ({"class": {"system": "urn:oid:2.16.840.1.113883.5.4", "code": "EMER"}}, [accepted("emergency", "EMER")]),
        (
            {"class": {"system": "http://hospital.example/classes", "code": "ED"}},
            [rejected("ED", "code", "a class of http://hospital.example/classes, of which no code says a setting")],
        ),
        # Encounter.class of R4 is one Coding; of R5 a list of CodeableConcepts.
        ({"class": {"code": "IMP"}}, [rejected("IMP", "malformed", NO_CODING)]),
        ({"class": "IMP"}, [rejected("IMP", "malformed", NO_CODING)]),
        ({"class": [{"coding": [{"system": ACT, "code": "IMP"}]}]}, [rejected("a JSON array", "malformed", NO_CODING)]),
        ({"class": {"coding": [{"system": ACT, "code": "IMP"}]}}, [rejected("a JSON object", "malformed", NO_CODING)]),
        ({"class": None}, []),
        ({"status": "finished"}, [rejected("finished", "status", NOT_RUNNING)]),
        ({"status": ["in-progress"]}, [rejected("a JSON array", "status", NOT_RUNNING)]),
        (started("soon"), [rejected("soon", "malformed", f"malformed start of the encounter: {DATE}")]),
        (
            started("2026-01-31T10:00:01Z"),
            [
                rejected(
                    "2026-01-31T10:00:01Z",
                    "future",
                    "the encounter starts in the future",
                    AT + timedelta(seconds=1),
                )
            ],
        ),
    ],
)
def test_the_class_says_the_setting_of_a_stay_that_goes_on(fields: Resource, expected: list[Any]) -> None:
    assert list(read_encounter(record(encounter(**fields)), ReferenceIndex([]), code_map(), EAST)) == expected


def test_an_encounter_without_a_status_is_not_taken_for_a_running_one() -> None:
    bare = {"resourceType": "Encounter", "id": "e", "class": {"system": ACT, "code": "IMP"}}
    found = list(read_encounter(record(bare), ReferenceIndex([]), code_map(), AT))
    assert found == [rejected("no status", "status", NOT_RUNNING)]


def stay(location: Any = "Location/icu", **fields: Any) -> Resource:
    return {"location": {"reference": location}, **fields}


ICU = accepted("critical_care", "ICU", standing=2)
HOME = accepted("home", "PTRES", standing=2)


@pytest.mark.parametrize(
    ("stays", "expected"),
    [
        ([stay()], [ICU]),
        ([stay(status="active")], [ICU]),
        ([stay(status="planned")], []),
        ([stay(status="reserved")], []),
        ([stay(status="completed")], []),
        ([stay(period={})], [ICU]),
        ([stay(period={"end": "2026-01-31T10:00:01Z"})], [ICU]),
        ([stay(period={"end": "2026-01-31T10:00:00Z"})], []),
        ([stay(period={"end": "2026-01-31T09:00:00Z"})], []),
        ([stay(period={"end": "soon"})], []),  # An end that cannot be read is one.
        ([stay(period="2026")], [ICU]),
        ([stay(), stay()], [ICU]),
        ([stay(), stay("Location/home")], [ICU, HOME]),
        ([stay(status="planned"), stay("Location/home")], [HOME]),
        ([stay("Location/elsewhere")], []),
        ([{"location": "Location/icu"}], []),
        ([{"status": "active"}], []),
        (["Location/icu", stay()], [ICU]),
        (stay(), []),
    ],
)
def test_the_locations_of_a_stay_that_goes_on_stand_above_the_class(stays: Any, expected: list[Accepted]) -> None:
    locations = [
        {"resourceType": "Location", "id": "icu", "type": [concept("X", ROLE), concept("ICU", ROLE), "x"]},
        {"resourceType": "Location", "id": "home", "type": [concept("PTRES", ROLE)]},
    ]
    index = ReferenceIndex(list(map(record, locations)))
    found = list(read_encounter(record(encounter(location=stays)), index, code_map(), AT))
    assert found == [*expected, accepted("ward", "IMP")]


def test_the_end_of_a_stay_is_a_moment_where_the_reading_takes_place() -> None:
    """The day after AT begins in the east, and not yet in the west."""
    unit = {"resourceType": "Location", "id": "icu", "type": [concept("ICU", ROLE)]}
    there = record(encounter(location=[stay(period={"end": "2026-02-01"})]))
    late = datetime(2026, 1, 31, 23, tzinfo=UTC)
    settings = [
        [found.value for found in read_encounter(there, ReferenceIndex([record(unit)]), code_map(), at)]
        for at in (late, late.astimezone(EAST.tzinfo))
    ]
    assert settings == [["critical_care", "ward"], ["ward"]]


def named(*names: str, contained: tuple[Resource, ...] = ()) -> list[Any]:
    """What is read of an encounter at places of these names, and at those that it contains."""
    stays: list[Resource] = [{"location": {"display": name}} for name in names]
    stays += [{"location": {"reference": f"#{one['id']}"}} for one in contained]
    sent = encounter(location=stays, contained=list(contained))
    found = read_encounter(record(sent), ReferenceIndex([]), code_map(), EAST)
    return [(one.value, one.standing) for one in found if isinstance(one, Accepted)]


WARD, CRITICAL = ("ward", 0), ("critical_care", 1)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["Surgical ICU bed 4"], [CRITICAL, WARD]),
        (["Intensive Care Unit"], [CRITICAL, WARD]),
        (["PICU"], [CRITICAL, WARD]),
        (["Soins intensifs, lit 3"], [CRITICAL, WARD]),
        (["ICU", "ICU"], [CRITICAL, WARD]),
        (["ICU step-down"], [WARD]),
        (["Post-ICU clinic"], [WARD]),
        (["Intermediate critical care"], [WARD]),
        (["Ward 3 north", "Circumcision clinic"], [WARD]),
        ([], [WARD]),
    ],
)
def test_the_name_of_a_place_says_intensive_care(names: list[str], expected: list[Any]) -> None:
    """R4, Encounter.location.location is a Reference: often a display is all that there is of the place."""
    assert named(*names) == expected


@pytest.mark.parametrize(
    ("location", "expected"),
    [
        ({"type": [{"coding": [{"system": ROLE, "code": "ICU"}]}]}, [("critical_care", 2), WARD]),
        ({"type": [{"text": "Intensive care"}]}, [CRITICAL, WARD]),
        ({"name": "Neuro ICU"}, [CRITICAL, WARD]),
        # Its coded type goes before its name.
        ({"type": [{"coding": [{"system": ROLE, "code": "PTRES"}]}], "name": "ICU"}, [("home", 2), WARD]),
        ({"name": "Ward 3"}, [WARD]),
    ],
)
def test_a_place_that_the_encounter_contains(location: Resource, expected: list[Any]) -> None:
    """R4, contained resources: a reference that begins with # leads to them."""
    assert named(contained=({"resourceType": "Location", "id": "l", **location},)) == expected


def test_a_place_that_was_left_says_nothing_by_its_name() -> None:
    sent = encounter(location=[{"location": {"display": "ICU"}, "status": "completed"}])
    found = read_encounter(record(sent), ReferenceIndex([]), code_map(), EAST)
    assert [one.value for one in found if isinstance(one, Accepted)] == ["ward"]
