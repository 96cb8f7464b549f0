"""Element names and states: DeviceUseStatement and Device of FHIR R4. The names of devices are invented."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest

from cds.fhir.reading.bundle_index import ReferenceIndex
from cds.fhir.reading.code_map import CodeMap, CodingKey
from cds.fhir.reading.device_use import read_device_uses, read_devices, read_procedure_on_the_neck
from cds.fhir.reading.neck_concepts import TOO_LONG
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason
from tests.cds.fhir.reading.sent import (
    AT,
    Resource,
    code_map,
    concept,
    facts,
    observation,
    of_patient,
    reading,
    record,
    ruleset,
)

EAST = datetime(2026, 1, 31, 12, tzinfo=timezone(timedelta(hours=2)))
"""The same moment as AT, where the clocks are two hours ahead."""
ORDERS = "https://nuque.example.org/fhir/CodeSystem/orders"
ELSEWHERE = "http://hospital.example/codes"
NINE = datetime(2026, 1, 31, 9, tzinfo=UTC)
HOURS_LABEL = ruleset().vocabulary["collar_hours"].label
NO_DATE_TIME = "not a FHIR dateTime, which gives a time of day with seconds"
NO_DATE = "not a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD)"


def use(identity: str = "u", named: Any = "Cervical collar", **fields: Any) -> Resource:
    device = {"display": named} if isinstance(named, str) else named
    return of_patient("DeviceUseStatement", identity, **{"status": "active", "device": device, **fields})


def device(identity: str = "d", *names: Any, **fields: Any) -> Resource:
    return {"resourceType": "Device", "id": identity, "deviceName": [{"name": name} for name in names], **fields}


def typed(identity: str, *codes: str, system: str = ORDERS, **fields: Any) -> Resource:
    coded = {"coding": [{"system": system, "code": code} for code in codes]}
    return {"resourceType": "Device", "id": identity, "type": {**coded, **fields}}


def found(*uses: Resource, devices: tuple[Resource, ...] = (), by: CodeMap | None = None) -> list[Accepted | Rejected]:
    index = ReferenceIndex(list(map(record, devices)))
    return list(read_device_uses(list(map(record, uses)), index, by or code_map(), EAST))


def accepted(
    fact: str, value: Any, written: str, recorded: datetime | None = None, identity: str = "u", **more: Any
) -> Accepted:
    label = f"label of DeviceUseStatement/{identity}"
    return Accepted(fact, value, written, label, f"DeviceUseStatement/{identity}", recorded, **more)


def refused(
    fact: str | None, written: str, why: RejectionReason, recorded: datetime | None = None, identity: str = "u"
) -> Rejected:
    return Rejected(fact, written, why, f"label of DeviceUseStatement/{identity}", recorded)


def on(words: str = "in use", recorded: datetime | None = None, identity: str = "u") -> Accepted:
    return accepted("collar_in_place", True, words, recorded, identity, ages=False)


def hours(value: float, since: str, recorded: datetime) -> Accepted:
    return accepted("collar_hours", value, f"since {since}", recorded, ages=False)


def off(words: str, recorded: datetime, identity: str = "u") -> Accepted:
    return accepted("collar_in_place", False, words, recorded, identity)


def since_when(written: str, error: str) -> Rejected:
    return refused("collar_hours", f"since {written}", RejectionReason("malformed", f"malformed time: {error}"))


def ended(end: str, recorded: datetime | None = None) -> Rejected:
    why = RejectionReason(
        "contradiction", f"in use by its status, and ended {end}: look whether it is on", look_up=True
    )
    return refused("collar_in_place", f"a collar in use that ended {end}", why, recorded)


NINE_WORDS = "2026-01-31T09:00:00Z"
TWO_TIMINGS = RejectionReason("malformed", "malformed: more than one timing[x] (timingDateTime, timingPeriod)")
MIDNIGHT = datetime(2026, 1, 30, 22, tzinfo=UTC)
"""When 2026-01-31 began in the east."""


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, [on()]),
        (
            {"timingPeriod": {"start": NINE_WORDS}},
            [on(f"in use since {NINE_WORDS}", NINE), hours(1.0, NINE_WORDS, NINE)],
        ),
        ({"timingDateTime": NINE_WORDS}, [on(f"in use since {NINE_WORDS}", NINE), hours(1.0, NINE_WORDS, NINE)]),
        (
            {"timingPeriod": {"start": NINE_WORDS}, "timingDateTime": "2026-01-01"},
            [on(), refused("collar_hours", f"since {NINE_WORDS}", TWO_TIMINGS)],
        ),
        (
            {"timingDateTime": "2026-01-31"},
            [on("in use since 2026-01-31", MIDNIGHT), hours(12.0, "2026-01-31", MIDNIGHT)],
        ),
        (
            {"timingDateTime": EAST.isoformat()},
            [on(f"in use since {EAST.isoformat()}", AT), hours(0.0, EAST.isoformat(), AT)],
        ),
        # When it was noted says that it is on, and nothing about since when.
        ({"recordedOn": NINE_WORDS}, [on(f"in use since {NINE_WORDS}", NINE)]),
        (
            {"recordedOn": "2020-01-01", "timingDateTime": NINE_WORDS},
            [on(f"in use since {NINE_WORDS}", NINE), hours(1.0, NINE_WORDS, NINE)],
        ),
        # DeviceUseStatement.status active: "the device is still being used". A bad time costs only the hours.
        ({"timingDateTime": "soon"}, [on(), since_when("soon", NO_DATE)]),
        ({"recordedOn": 7}, [on(), since_when("7", NO_DATE)]),
        (
            {"timingPeriod": {"start": "2026-01-31T07:00:00"}},
            [on(), since_when("2026-01-31T07:00:00", f"{NO_DATE_TIME} and a time zone")],
        ),
        # Clocks differ.
        (
            {"timingDateTime": "2026-01-31T10:05:00Z"},
            [
                on("in use since 2026-01-31T10:05:00Z", AT + timedelta(minutes=5)),
                hours(0.0, "2026-01-31T10:05:00Z", AT + timedelta(minutes=5)),
            ],
        ),
        (
            {"timingDateTime": "2026-01-31T10:05:01Z"},
            [
                refused(
                    "collar_in_place",
                    "a collar in use from 2026-01-31T10:05:01Z on",
                    RejectionReason("future", "in use by its status, from a moment in the future: look", look_up=True),
                    AT + timedelta(minutes=5, seconds=1),
                )
            ],
        ),
        (
            {"timingDateTime": "2023-01-31T10:00:00Z"},
            [
                on("in use since 2023-01-31T10:00:00Z", AT.replace(year=2023)),
                refused(
                    "collar_hours",
                    "since 2023-01-31T10:00:00Z",
                    RejectionReason("implausible", "implausible: 3 years; look whether it is on", look_up=True),
                ),
            ],
        ),
        # Active, and over: which of the two is so, somebody has to look.
        ({"timingPeriod": {"end": NINE_WORDS}}, [ended(NINE_WORDS)]),
        ({"timingPeriod": {"end": EAST.isoformat()}}, [ended(EAST.isoformat())]),
        ({"timingPeriod": {"start": NINE_WORDS, "end": NINE_WORDS}}, [ended(NINE_WORDS, NINE)]),
        ({"timingPeriod": {"end": "2026-01-31T10:00:01Z"}}, [on()]),
        ({"timingPeriod": {"end": "2026-01-30"}}, [ended("2026-01-30")]),
        ({"timingPeriod": {"end": "2026-01-31"}}, [on()]),
        ({"timingPeriod": {"end": "soon"}}, [on()]),
        ({"timingPeriod": NINE_WORDS}, [on()]),
    ],
)
def test_a_collar_in_use(fields: Resource, expected: list[Any]) -> None:
    assert found(use(**fields)) == expected


def test_a_day_is_over_when_the_next_begins_where_the_reading_takes_place() -> None:
    late = datetime(2026, 1, 31, 23, tzinfo=UTC)
    statement = [record(use(timingPeriod={"end": "2026-01-31"}))]
    there, here = (
        list(read_device_uses(statement, ReferenceIndex([]), code_map(), at))
        for at in (late, late.astimezone(EAST.tzinfo))
    )
    assert (there, here) == ([on()], [ended("2026-01-31")])


@pytest.mark.parametrize("status", ["completed", "stopped"])
@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"timingPeriod": {"end": NINE_WORDS}}, off(f"use ended {NINE_WORDS}", NINE)),
        ({"recordedOn": NINE_WORDS}, off(f"use ended {NINE_WORDS}", NINE)),
        ({"recordedOn": "2026-01-01", "timingPeriod": {"end": NINE_WORDS}}, off(f"use ended {NINE_WORDS}", NINE)),
        ({"timingPeriod": {"end": "2026-01-31"}}, off("use ended 2026-01-31", MIDNIGHT)),
        ({"timingPeriod": {"end": EAST.isoformat()}}, off(f"use ended {EAST.isoformat()}", AT)),
        (
            {},
            refused(
                "collar_in_place",
                "null",
                RejectionReason("no time", f"it is not recorded when the use ended: {NO_DATE}"),
            ),
        ),
        (
            {"timingPeriod": {"end": "soon"}},
            refused(
                "collar_in_place",
                "soon",
                RejectionReason("no time", f"it is not recorded when the use ended: {NO_DATE}"),
            ),
        ),
        # What cannot be is no word that it is off: somebody has to look.
        (
            {"timingPeriod": {"start": "2026-01-31T09:30:00Z", "end": NINE_WORDS}},
            refused(
                "collar_in_place",
                f"use ended {NINE_WORDS}",
                RejectionReason("malformed", "malformed timingPeriod: it ends before it starts", look_up=True),
            ),
        ),
        (
            {"timingPeriod": {"end": NINE_WORDS}, "timingDateTime": "2026-01-31T08:00:00Z"},
            refused("collar_in_place", f"use ended {NINE_WORDS}", TWO_TIMINGS._replace(look_up=True)),
        ),
        (
            {"timingPeriod": {"end": "2026-01-31T10:00:01Z"}},
            refused(
                "collar_in_place",
                "2026-01-31T10:00:01Z",
                RejectionReason("future", "the use ends in the future"),
                AT + timedelta(seconds=1),
            ),
        ),
    ],
)
def test_a_use_that_ended(status: str, fields: Resource, expected: Any) -> None:
    assert found(use(status=status, **fields)) == [expected]


@pytest.mark.parametrize(
    ("status", "words", "look_up"),
    [
        (None, "no status", True),
        ("on-hold", "the status on-hold", True),
        ("unknown", "the status unknown", True),
        (["active"], "the status a JSON array", True),
        ("entered-in-error", "the status entered-in-error", False),
        ("intended", "the status intended", False),
        ("not-taken", "the status not-taken", False),
    ],
)
def test_a_use_that_is_neither(status: Any, words: str, look_up: bool) -> None:
    why = RejectionReason("status", "does not say that the collar is on, nor that it is off", look_up=look_up)
    assert found(use(status=status)) == [refused("collar_in_place", f"neck collar with {words}", why)]


def kind(value: str, written: str) -> Accepted:
    return accepted("collar_kind", value, written, ages=False)


EXTRICATION, LONG = kind("extrication", "Extrication collar"), kind("long_term", "Collar for long wear")


@pytest.mark.parametrize(
    ("named", "devices", "expected"),
    [
        ("Cervical collar", (), [on()]),
        ("Extrication collar", (), [on(), EXTRICATION]),
        ({"reference": "Device/d"}, (typed("d", "long-term-collar"),), [on(), LONG]),
        ({"reference": "Device/d"}, (typed("d", "fit-rigid-neck-collar"),), [on()]),
        ({"reference": "Device/d"}, (device("d", "Walker", "Cervical collar"),), [on()]),
        ({"reference": "Device/d"}, (typed("e", "long-term-collar"), typed("d", "fit-rigid-neck-collar")), [on()]),
        # Whatever says the kind goes before what does not.
        ({"reference": "Device/d", "display": "Cervical collar"}, (typed("d", "long-term-collar"),), [on(), LONG]),
        (
            {"reference": "Device/d"},
            (typed("d", "fit-rigid-neck-collar"), typed("d", "long-term-collar")),
            [on(), LONG],
        ),
        ({"reference": "Device/d", "display": "Walker"}, (typed("d", "long-term-collar"),), [on(), LONG]),
        ({"reference": "#d"}, (), [on(), LONG]),
        ({"reference": "#d"}, (typed("d", "extrication-collar"),), [on(), LONG]),
        ({"reference": "#e"}, (), [on(), EXTRICATION]),
        ("Walker", (), []),
        ({"reference": "Device/d"}, (device("d", "Walker"),), []),
        ({"reference": "Device/d"}, (device("d", "Walker"), device("d2", "Cervical collar")), []),
    ],
)
def test_the_collar_is_told_by_the_device_or_by_its_words(
    named: Any, devices: tuple[Resource, ...], expected: list[Any]
) -> None:
    contained = ["x", typed("d", "long-term-collar"), typed("e", "extrication-collar")]
    assert found(use(named=named, contained=contained), devices=devices) == expected


def test_a_kind_without_words_is_its_own_word() -> None:
    mapped = replace(code_map(), collars={key: replace(one, display="") for key, one in code_map().collars.items()})
    assert found(use(named={"reference": "#d"}, contained=[typed("d", "long-term-collar")]), by=mapped) == [
        on(),
        kind("long_term", "long_term"),
    ]


def test_the_kind_is_as_old_as_the_use() -> None:
    worn = found(use(named="Extrication collar", recordedOn=NINE_WORDS))
    assert worn == [on(f"in use since {NINE_WORDS}", NINE), EXTRICATION._replace(recorded=NINE)]


def test_all_statements_about_one_device_are_told() -> None:
    statement = {"reference": "Device/d"}
    both = found(use("a", statement), use("b", statement), devices=(device("d", "Cervical collar"),))
    assert both[:2] == [on(identity="a"), on(identity="b")]


LIKE = RejectionReason(
    "code", "may be a neck collar, but is not read as a rigid one: look whether one is on", look_up=True
)
NOT_NAMED = RejectionReason(
    "incomplete", "a device is in use and what it is was not sent: look whether it is a neck collar", look_up=True
)
NOT_UNDERSTOOD = RejectionReason(
    "code",
    "a device in use by a code or in a script that is not read here: look whether it is a neck collar",
    look_up=True,
)
OF_THE_NECK = RejectionReason(
    "unread", "a device in use about neck, spine or airway, but mapped to no fact: read it yourself"
)
IGNORED = typed("d", "4711", system=ELSEWHERE)


@pytest.mark.parametrize(
    ("statement", "devices", "expected"),
    [
        (use(named={}), (), [refused("collar_in_place", "a device without a name", NOT_NAMED)]),
        (use(named="x", device=None), (), [refused("collar_in_place", "a device without a name", NOT_NAMED)]),
        (use(named={"reference": "Device/d"}), (), [refused("collar_in_place", "a device without a name", NOT_NAMED)]),
        (
            use(named={"reference": "Device/d"}),
            (device("d"),),
            [refused("collar_in_place", "a device without a name", NOT_NAMED)],
        ),
        (
            use(named={"reference": "#d"}),
            (device("d", "Walker"),),
            [refused("collar_in_place", "a device without a name", NOT_NAMED)],
        ),
        (use(named="Soft collar"), (), [refused("collar_in_place", "Soft collar", LIKE)]),
        (
            use(named={"reference": "Device/d"}),
            (device("d", "Walker", "Soft collar"),),
            [refused("collar_in_place", "Soft collar", LIKE)],
        ),
        (
            use(named={"reference": "Device/d", "display": "Walker"}),
            (device("d", "Soft collar"),),
            [refused("collar_in_place", "Soft collar", LIKE)],
        ),
        (
            use(named={"reference": "#d"}, contained=[device("d", "Soft collar")]),
            (),
            [refused("collar_in_place", "Soft collar", LIKE)],
        ),
        # A brace, where it is worn or why.
        (use(named="Brace"), (), []),
        (use(named="Brace", bodySite={"text": "neck"}), (), [refused("collar_in_place", "Brace neck", LIKE)]),
        (
            use(named="Brace", reasonCode=[{"text": "fracture"}, {"coding": [{"display": "of the neck"}]}]),
            (),
            [refused("collar_in_place", "Brace fracture of the neck", LIKE)],
        ),
        (use(named="Walker", bodySite={"text": "neck"}), (), []),
        (
            use(named={"reference": "Device/d", "display": "Walker"}, bodySite={"text": "neck"}),
            (device("d", "Brace"),),
            [refused("collar_in_place", "Brace neck", LIKE)],
        ),
        # Another device of the neck.
        (use(named="Tracheostomy tube"), (), [refused(None, "Tracheostomy tube", OF_THE_NECK)]),
        (
            use(named={"reference": "Device/d"}),
            (device("d", "Walker", "Tracheostomy tube"),),
            [refused(None, "Tracheostomy tube", OF_THE_NECK)],
        ),
        (use(named="Walker"), (), []),
        # A name that nobody here can read: one line for each.
        (use(named="雷达"), (), [refused("collar_in_place", "雷达", NOT_UNDERSTOOD)]),
        (use(named={"reference": "Device/d"}), (IGNORED,), [refused("collar_in_place", "4711", NOT_UNDERSTOOD)]),
        (
            use(named={"reference": "Device/d"}),
            (typed("d", "1", "2", system=ELSEWHERE),),
            [refused("collar_in_place", "1 2", NOT_UNDERSTOOD)],
        ),
        (
            use(named={"reference": "Device/d", "display": "雷达"}),
            (IGNORED,),
            [refused("collar_in_place", "雷达", NOT_UNDERSTOOD), refused("collar_in_place", "4711", NOT_UNDERSTOOD)],
        ),
        (use(named={"reference": "Device/d"}), (typed("d", "4711", system=ELSEWHERE, text="Walker"),), []),
        (use(named={"reference": "Device/d", "display": "雷达 Walker"}), (IGNORED,), []),
        # More names than are read, of one device or of all that stand under one id.
        (
            use(named={"reference": "Device/d"}),
            (
                *[device("d", str(number)) | {"deviceName": [], "note": number} for number in range(21)],
                device("d", "Soft collar"),
            ),
            [refused("collar_in_place", "a device without a name", NOT_NAMED)],
        ),
        (use(named={"reference": "Device/d"}), (device("d", *map("Walker {}".format, range(20))),), []),
        (
            use(named={"reference": "Device/d"}),
            (device("d", *map("Walker {}".format, range(21))),),
            [refused("collar_in_place", "Walker 0", LIKE)],
        ),
        (
            use(named={"reference": "Device/d"}),
            tuple(device("d", f"Walker {number}") for number in range(21)),
            [refused("collar_in_place", "Walker 0", LIKE)],
        ),
        (use(named={"reference": "Device/d"}), tuple(device("d", f"Walker {number}") for number in range(20)), []),
        (
            use(named={"reference": "Device/d", "display": "Walker"}),
            (device("d", *map("Walker {}".format, range(20))),),
            [refused("collar_in_place", "Walker", LIKE)],
        ),
        # Nothing of the kind is on.
        (use(named={}, status="completed"), (), []),
        (use(named="Soft collar", status="stopped"), (), []),
    ],
)
def test_a_device_in_use_that_is_not_read(
    statement: Resource, devices: tuple[Resource, ...], expected: list[Any]
) -> None:
    assert found(statement, devices=devices) == expected


@pytest.mark.parametrize(("display", "looked_at"), [(None, 21), ("Walker", 22)])
def test_no_more_names_are_looked_at_than_tell_that_there_are_too_many(
    monkeypatch: pytest.MonkeyPatch, display: str | None, looked_at: int
) -> None:
    seen = []
    monkeypatch.setattr(CodeMap, "collar_look_alike", lambda _, named: seen.append(named))
    named = {"reference": "Device/d", "display": display}
    found(use(named=named), devices=(device("d", *map("Walker {}".format, range(100))),))
    assert len(seen) == looked_at


def test_a_code_that_the_site_ignores_is_understood() -> None:
    ignoring = replace(code_map(), ignored=frozenset({CodingKey(ELSEWHERE, "4711")}))
    statement = use(named={"reference": "Device/d", "display": "雷达"})
    assert found(statement, devices=(IGNORED,), by=ignoring) == [refused("collar_in_place", "雷达", NOT_UNDERSTOOD)]


ANOTHER_ON = RejectionReason(
    "contradiction", "another collar is in use by a newer record, which counts: look which one is on, and end the other"
)


def test_of_several_collars_in_use_all_but_the_newest_are_listed() -> None:
    early, late = ({"recordedOn": f"2026-01-31T0{hour}:00:00Z"} for hour in (8, 9))
    words = [f"in use since 2026-01-31T0{hour}:00:00Z" for hour in (8, 9)]
    first, last = on(words[0], NINE - timedelta(hours=1), "a"), on(words[1], NINE, "b")
    undated = on(identity="c")
    older = refused("collar_in_place", words[0], ANOTHER_ON, NINE - timedelta(hours=1), "a")
    unknown = refused("collar_in_place", "in use", ANOTHER_ON, None, "c")
    a, b, c = use("a", **early), use("b", **late), use("c")
    assert found(a, b) == [first, last, older]
    assert found(b, a) == [last, first, older]
    assert found(c, b) == [undated, last, unknown]
    assert found(c) == [undated]
    assert found(b, {**b, "id": "b"}) == [last, last]
    assert found(c, use("e")) == [
        undated,
        on(identity="e"),
        unknown,
        refused("collar_in_place", "in use", ANOTHER_ON, None, "e"),
    ]


def test_an_end_says_nothing_against_a_collar_that_is_on() -> None:
    gone = use("a", status="completed", recordedOn=NINE_WORDS)
    assert found(gone) == [off(f"use ended {NINE_WORDS}", NINE, "a")]
    assert found(gone, use("b")) == [on(identity="b")]
    assert found(use("b"), gone) == [on(identity="b")]
    later = use("a", status="completed", recordedOn="2026-02-03")
    assert [type(one) for one in found(later, use("b"))] == [Rejected, Accepted]


def test_an_element_that_changes_the_meaning_refuses_the_use() -> None:
    why = RejectionReason("modifier", "the resource carries implicitRules, which may change its meaning")
    changed = use(named="Extrication collar", implicitRules="http://x.example")
    assert found(changed) == [
        refused("collar_in_place", "in use", why._replace(look_up=True))._replace(says=True),
        refused("collar_kind", "Extrication collar", why)._replace(says="extrication"),
    ]
    assert found(use(implicitRules="http://x.example", status="stopped", recordedOn=NINE_WORDS)) == [
        refused("collar_in_place", f"use ended {NINE_WORDS}", why, NINE)._replace(says=False)
    ]


NOT_SAID = RejectionReason(
    "incomplete",
    "a neck collar, or the like, that is the patient's, and nothing says whether it is worn: look whether it is on",
    look_up=True,
)


def listed(words: str, identity: str = "d") -> Rejected:
    return Rejected("collar_in_place", words, NOT_SAID, f"label of Device/{identity}")


@pytest.mark.parametrize(
    ("devices", "uses", "expected"),
    [
        ((device("d", "Cervical collar"),), (), [listed("Cervical collar")]),
        ((device("d", "Soft collar"),), (), [listed("Soft collar")]),
        ((device("d", "Walker", "Soft collar", "Cervical collar"),), (), [listed("Soft collar")]),
        ((typed("d", "long-term-collar"),), (), [listed("long-term-collar")]),
        ((device("d", "Walker"), device("e", "Soft collar")), (), [listed("Soft collar", "e")]),
        (
            (device("d", "Soft collar"), device("e", "Cervical collar")),
            (),
            [listed("Soft collar"), listed("Cervical collar", "e")],
        ),
        (({"resourceType": "Device", "id": "d", "type": {"text": "Halskrause"}},), (), [listed("Halskrause")]),
        ((device("d", "Tracheostomy tube"),), (), []),
        ((device("d", "Cervical collar", status="active"),), (), [listed("Cervical collar")]),
        ((device("d", "Cervical collar", status="inactive"),), (), []),
        (
            (device("d", "Cervical collar", status="entered-in-error"), device("e", "Soft collar")),
            (),
            [listed("Soft collar", "e")],
        ),
        # A statement speaks of it, whatever it says.
        ((device("d", "Cervical collar"),), (use(named={"reference": "Device/d"}, status="stopped"),), []),
        ((device("d", "Cervical collar"),), (use(named={"reference": "Device/e"}),), [listed("Cervical collar")]),
        ((device("d", "Cervical collar"),), (use(named={}), use(device="x")), [listed("Cervical collar")]),
    ],
)
def test_a_collar_of_the_patient_of_which_no_statement_speaks(
    devices: tuple[Resource, ...], uses: tuple[Resource, ...], expected: list[Rejected]
) -> None:
    records = list(map(record, devices))
    assert list(read_devices(records, list(map(record, uses)), ReferenceIndex(records), code_map())) == expected


@pytest.mark.parametrize("name", [{"name": ""}, {"name": 7}, {}, "Soft collar"])
def test_a_name_that_is_none_is_passed_over(name: Any) -> None:
    bare = {**device("d"), "deviceName": [name, {"name": "Halskrause"}], "type": {"coding": "x"}}
    assert list(read_devices([record(bare)], [], ReferenceIndex([]), code_map())) == [listed("Halskrause")]


# --- a collar that is known by something else than its use -----------------------------------------------------------------

FIVE = "2026-01-31T05:00:00Z"


def procedure(words: str = "Application of rigid cervical collar", **fields: Any) -> Resource:
    """Procedure.code is 0..1, and a text is enough; performed[x] is 0..1."""
    return of_patient(
        "Procedure", "pr", **{"status": "completed", "performedDateTime": FIVE, "code": {"text": words}, **fields}
    )


@pytest.mark.parametrize(
    ("words", "fact", "value", "more"),
    [
        ("Application of halo vest", "halo_in_place", True, {}),
        # A thing that came off counts below one that is in use, until all is weighed.
        ("Removal of halo vest", "halo_in_place", False, {"standing": -1}),
        ("Removal of cervical collar", "collar_in_place", False, {"standing": -1}),
    ],
)
def test_what_a_procedure_says_names_the_procedure(words: str, fact: str, value: bool, more: Resource) -> None:
    done = datetime(2026, 1, 31, 5, tzinfo=UTC)
    said = list(read_procedure_on_the_neck(record(procedure(words)), done, code_map(), AT))
    assert said == [Accepted(fact, value, words, "label of Procedure/pr", "Procedure/pr", done, **more)]


def test_a_device_under_words_without_end_is_not_read() -> None:
    (said,) = found(use(named="implant of the knee " * 500))
    assert isinstance(said, Rejected) and said.why == RejectionReason("unread", TOO_LONG)


def ordered(**fields: Any) -> Resource:
    about = {"status": "active", "intent": "order", "code": {"text": "Maintain rigid cervical collar at all times"}}
    return of_patient("ServiceRequest", "sr", **{**about, "authoredOn": "2026-01-30T09:00:00Z", **fields})


def observed(value: bool, time: str, **fields: Any) -> Resource:
    return observation(f"o-{time}-{value}", "collar-in-place", valueBoolean=value, effectiveDateTime=time, **fields)


@pytest.mark.parametrize(
    "fields", [{"doNotPerform": "true"}, {"doNotPerform": 1}, {"_doNotPerform": {"extension": []}}]
)
def test_an_order_that_may_forbid_a_collar_is_listed(fields: Resource) -> None:
    (refused,) = reading(ordered(**fields)).not_used
    assert (refused.kind, refused.value) == ("malformed", "Maintain rigid cervical collar at all times")
    assert "doNotPerform is neither true nor false" in refused.reason


def named(*resources: Resource) -> list[tuple[str | None, str]]:
    return [(one.fact, one.look_up) for one in reading(*resources).not_used if one.look_up]


ON_SINCE = ("collar_in_place", "Application of rigid cervical collar, 2026-01-31 05:00")
NOT_SIGNED = observed(True, "2026-01-31T09:00:00Z", status="preliminary")
UNDATED = {key: value for key, value in observed(True, FIVE).items() if key != "effectiveDateTime"}
REMOVAL = "Removal of cervical collar"


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        ([procedure()], [ON_SINCE]),
        ([procedure(status="in-progress")], [ON_SINCE]),
        # EventStatus unknown: "the source system does not know which of the status values currently applies".
        ([procedure(status="unknown")], [ON_SINCE]),
        ([procedure(status="not-done")], []),
        ([procedure(performedDateTime=None)], [("collar_in_place", "Application of rigid cervical collar")]),
        ([procedure("Cervical collar care")], [("collar_in_place", "Cervical collar care, 2026-01-31 05:00")]),
        ([procedure("", code=concept("neck-immobilisation", ORDERS))], [(ON_SINCE[0], "neck-immobilisation, 2026-01-31 05:00")]),
        ([procedure(performedDateTime="2025-12-21")], [(ON_SINCE[0], "Application of rigid cervical collar, 2025-12-21 00:00")]),
        ([procedure("Appendectomy")], []),
        ([procedure("Head immobilisation mask for radiotherapy")], []),
        ([procedure("Spinal immobilisation, rescue")], [("collar_in_place", "Spinal immobilisation, rescue, 2026-01-31 05:00")]),
        ([procedure("Anlage einer Halskrause")], [("collar_in_place", "Anlage einer Halskrause, 2026-01-31 05:00")]),
        # Over, or denied, since.
        ([procedure(), observed(False, "2026-01-31T06:00:00Z")], []),
        ([procedure(), observed(False, "2026-01-31T04:00:00Z")], [ON_SINCE]),
        ([procedure(), procedure(REMOVAL, id="off", performedDateTime="2026-01-31T06:00:00Z")], []),
        ([procedure(), procedure(REMOVAL, id="off", performedDateTime="2026-01-31T04:00:00Z")], [ON_SINCE]),
        (
            [procedure(), procedure("Removal and replacement of cervical collar", id="again", performedDateTime=NINE_WORDS)],
            [("collar_in_place", "Removal and replacement of cervical collar, 2026-01-31 09:00")],
        ),
        ([procedure(), use(status="stopped", timingPeriod={"end": NINE_WORDS})], []),
        # It is on, and nothing has to be looked up.
        ([procedure(), use()], []),
        ([procedure(), observed(True, "2026-01-31T04:00:00Z")], []),
        # Of several the newest.
        ([procedure(), procedure("Cervical collar care", id="older", performedDateTime="2026-01-30")], [ON_SINCE]),
        # An order that stands longer than a word on it is believed.
        ([ordered()], [("collar_in_place", "Maintain rigid cervical collar at all times, ordered 2026-01-30")]),
        ([ordered(authoredOn=NINE_WORDS)], []),
        ([ordered(authoredOn="2025-12-01")], []),
        ([ordered(authoredOn="soon")], []),
        ([ordered(status="on-hold")], []),
        ([ordered(intent="proposal")], []),
        ([ordered(doNotPerform=True)], []),
        ([ordered(doNotPerform="true")], []),
        ([ordered(_doNotPerform={"extension": []})], []),
        ([ordered(), observed(False, "2026-01-30T12:00:00Z")], []),
        ([ordered(code={"text": "Soft collar"})], []),
        # An observation of a collar that is on: used for a week, not signed, without a time.
        ([observed(True, "2026-01-30T14:00:00Z")], []),
        ([observed(True, "2026-01-31T00:00:00Z")], []),
        ([observed(True, "2025-12-01T00:00:00Z")], []),
        ([observed(True, "2026-01-29T14:00:00Z"), observed(False, "2026-01-30T14:00:00Z")], []),
        ([observed(False, "2026-01-30T14:00:00Z")], []),
        ([NOT_SIGNED], [("collar_in_place", "collar in place: true, 2026-01-31 09:00")]),
        ([NOT_SIGNED | {"valueBoolean": False}], []),
        ([NOT_SIGNED | {"status": "entered-in-error"}], []),
        ([UNDATED], [("collar_in_place", "collar in place: true")]),
        # In use, and taken off.
        ([use(), procedure(REMOVAL)], [(None, REMOVAL)]),
        ([use(recordedOn=NINE_WORDS), procedure(REMOVAL)], []),
    ],
)  # fmt: skip
def test_a_collar_that_may_be_on_is_to_be_looked_up(records: list[Resource], expected: list[tuple[str, str]]) -> None:
    """Nothing obliges an EHR to record a use: DeviceUseStatement is at maturity 0 in R4 (hl7.org/fhir/R4/deviceusestatement)."""
    assert named(*records) == expected


def test_a_collar_that_was_taken_off_is_off_unless_one_is_in_use() -> None:
    removed = procedure(REMOVAL)
    assert facts(removed) == {"collar_in_place": False}
    assert facts(removed, procedure(id="again", performedDateTime=NINE_WORDS)) == {"collar_in_place": False}
    assert facts(removed, use()) == {"collar_in_place": True}
    assert facts(procedure(REMOVAL, performedDateTime=None)) == {}
    assert facts(removed, observed(True, "2026-01-31T04:00:00Z")) == {"collar_in_place": False}
    assert facts(removed, observed(True, NINE_WORDS)) == {"collar_in_place": True}


# --- a halo ------------------------------------------------------------------------------------------------------------------

HALO_ON = "Application of halo vest"
HALO_OFF = "Removal of halo vest"


@pytest.mark.parametrize("words", ["Halo vest", "Halo ring", "Halo orthosis, cervical", "HALO traction"])
def test_a_halo_in_use_holds_the_head(words: str) -> None:
    assert facts(use(named=words)) == {"halo_in_place": True}
    assert facts(use(named={"reference": "Device/d"}), device("d", words)) == {"halo_in_place": True}
    assert facts(use(named=words, status="stopped", recordedOn=NINE_WORDS)) == {"halo_in_place": False}


@pytest.mark.parametrize("words", ["Halothane vaporiser", "Halogen lamp", "Pulse oximeter"])
def test_another_device_is_none(words: str) -> None:
    assert facts(use(named=words)) == {}


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        ([use(named="Halo vest", timingPeriod={"start": "2026-01-31T07:00:00"})], {"halo_in_place": True}),
        ([use("a", "Halo vest"), use("b", "Halo vest", status="stopped", recordedOn=NINE_WORDS)], {"halo_in_place": True}),
        (
            [use("a", "Halo vest", status="stopped", recordedOn=NINE_WORDS), use("b")],
            {"halo_in_place": False, "collar_in_place": True},
        ),
        ([procedure(HALO_ON)], {"halo_in_place": True}),
        ([procedure("Halo pin tightening", code={"text": "Tighten halo pins"})], {"halo_in_place": True}),
        ([procedure(HALO_ON, performedDateTime="2025-11-10")], {"halo_in_place": True}),
        ([procedure(HALO_ON, performedDateTime="2025-10-20")], {}),
        ([procedure(HALO_ON, status="not-done")], {}),
        ([procedure(HALO_ON), procedure(HALO_OFF, id="off", performedDateTime=NINE_WORDS)], {"halo_in_place": False}),
        ([procedure(HALO_ON), procedure(HALO_OFF, id="off", performedDateTime="2026-01-31T04:00:00Z")], {"halo_in_place": True}),
        # In use by another record: that it came off is to be looked at.
        ([use(named="Halo vest"), procedure(HALO_OFF)], {"halo_in_place": True}),
    ],
)  # fmt: skip
def test_what_is_read_of_a_halo(records: list[Resource], expected: Resource) -> None:
    assert facts(*records) == expected


@pytest.mark.parametrize(
    ("record_", "words"),
    [
        (use(named="Halo vest", status="on-hold"), "halo with the status on-hold"),
        (use(named="Halo vest", timingDateTime="2026-02-01"), "a halo in use from 2026-02-01 on"),
        (use(named="Halo vest", implicitRules="http://x.example"), "in use"),
        (procedure(HALO_ON, performedDateTime=None), HALO_ON),
        (procedure(HALO_ON, status="unknown"), f"{HALO_ON}, 2026-01-31 05:00"),
        (procedure("Halo vest, and removal of the collar; application of a dressing"), None),
    ],
)
def test_a_halo_that_may_be_on_is_to_be_looked_up(record_: Resource, words: str | None) -> None:
    assert facts(record_) == {}
    ((fact, said),) = named(record_)
    assert fact == "halo_in_place"
    assert words is None or words in said


# --- which of several collars ------------------------------------------------------------------------------------------------


def test_the_newest_use_says_which_kind_is_on_and_since_when() -> None:
    old = use("a", "Extrication collar", timingPeriod={"start": "2026-01-30T04:00:00Z"})
    new = use("b", "Long term rigid neck collar", timingPeriod={"start": FIVE})
    unsaid = use("c", "Rigid neck collar", timingPeriod={"start": FIVE})
    assert facts(old, new) == {"collar_in_place": True, "collar_kind": "long_term", "collar_hours": 5.0}
    assert facts(old, unsaid) == {"collar_in_place": True, "collar_hours": 5.0}
    assert facts(old) == {"collar_in_place": True, "collar_kind": "extrication", "collar_hours": 30.0}


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("Extrication collar", "extrication"),
        ("Long-term rigid neck collar", "long_term"),
        ("Rigid cervical collar for long wear", "long_term"),
        ("Rigid neck collar, long", None),
        ("Long term collar instead of an extrication collar", None),
    ],
)
def test_the_kind_of_a_collar_by_its_name(words: str, expected: str | None) -> None:
    assert code_map().collar_words.kind(words) == expected


def test_a_use_of_years_is_to_be_looked_at() -> None:
    years = use(timingPeriod={"start": "2019-06-01"})
    assert facts(years) == {"collar_in_place": True}
    assert named(years) == [("collar_hours", f"{HOURS_LABEL}: since 2019-06-01")]
    assert named(use(timingPeriod={"start": "2026-01-01"})) == []
