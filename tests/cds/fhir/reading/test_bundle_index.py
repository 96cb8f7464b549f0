"""Bundle, OperationOutcome and references of FHIR R4; context and prefetch of CDS Hooks 2.0."""

from typing import Any

import pytest

from cds.fhir.reading.bundle_index import (
    Inventory,
    Names,
    ReadingError,
    Record,
    ReferenceIndex,
    inventory,
    names_of,
    refers_to,
)
from rules.model.decision import NotUsed
from tests.cds.fhir.reading.sent import Resource, bundle, patient, record

URN = "urn:uuid:2c66bf56-fb1b-5243-8dde-888b0704fbb3"
WEIGHT = {"resourceType": "Observation", "id": "w", "status": "final"}
NAMELESS = {"resourceType": "Observation", "status": "final"}


def held(sent: Any, kind: str = "Observation") -> list[Record]:
    return list(inventory(sent).of(kind))


def no_record(value: str, kind: Any, reason: str, label: str) -> NotUsed:
    return NotUsed(fact=None, value=value, kind=kind, reason=reason, reference=label)


def lacking(value: str, reason: str, label: str) -> NotUsed:
    """That something may be missing, for a person to look up."""
    look_up = "the record (not all could be read)"
    return NotUsed(fact=None, value=value, kind="incomplete", reason=reason, reference=label, look_up=look_up)


def entry(resource: Any, url: Any = None) -> Resource:
    return {"resource": resource} if url is None else {"fullUrl": url, "resource": resource}


def entries(*listed: Any, **fields: Any) -> Resource:
    return {"resourceType": "Bundle", "entry": list(listed), **fields}


def updated(hour: int, status: str) -> Resource:
    """A version of the weight, updated at that hour."""
    return WEIGHT | {"status": status, "meta": {"lastUpdated": f"2026-01-31T{hour:02}:00:00Z"}}


def known(reference: str, url: str | None = None, resource: Resource = WEIGHT) -> Record:
    return Record(resource, resource["resourceType"], reference, reference, url)


def test_what_is_sent_again_beside_one_without_an_id_gets_both_addresses() -> None:
    """An id is optional (R4, Resource.id), and says nothing of others of its type."""
    once, again = ({"fullUrl": f"urn:uuid:{name}", "resource": patient()} for name in "ab")
    nameless = {"resource": {"resourceType": "Patient"}}
    first, *rest = held(entries(nameless, once, again), "Patient")
    assert [(one.url, one.urls) for one in (first, *rest)] == [(None, ()), ("urn:uuid:a", ("urn:uuid:b",))]


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        (WEIGHT, [known("Observation/w")]),
        ([WEIGHT], [known("Observation/w")]),
        (entries(entry(WEIGHT)), [known("Observation/w")]),
        (entries(entry(WEIGHT, URN)), [known("Observation/w", URN)]),
        (entries(entry(WEIGHT, 7)), [known("Observation/w")]),
        (entries(entry(NAMELESS, URN)), [known(URN, URN, NAMELESS)]),
        # Without a name of its own it is named by where it stands.
        (NAMELESS, [Record(NAMELESS, "Observation", None, "Observation at Observation")]),
        (
            [WEIGHT, NAMELESS],
            [known("Observation/w"), Record(NAMELESS, "Observation", None, "Observation at resource[1]")],
        ),
        (
            entries(entry(patient()), entry(NAMELESS)),
            [Record(NAMELESS, "Observation", None, "Observation at Bundle.entry[1]")],
        ),
        (
            entries(entry(bundle(patient(), NAMELESS))),
            [Record(NAMELESS, "Observation", None, "Observation at Bundle.entry[0].entry[1]")],
        ),
        ({"prefetch": {"labs": NAMELESS}}, [Record(NAMELESS, "Observation", None, "Observation at prefetch.labs")]),
        (
            {"prefetch": {"labs": bundle(NAMELESS)}},
            [Record(NAMELESS, "Observation", None, "Observation at prefetch.labs.entry[0]")],
        ),
        # An id of FHIR is of these characters, and no longer than 64.
        (WEIGHT | {"id": "A-9." * 16}, [known(f"Observation/{'A-9.' * 16}", resource=WEIGHT | {"id": "A-9." * 16})]),
        (
            WEIGHT | {"id": "a" * 65},
            [Record(WEIGHT | {"id": "a" * 65}, "Observation", None, "Observation at Observation")],
        ),
        (WEIGHT | {"id": "a/b"}, [Record(WEIGHT | {"id": "a/b"}, "Observation", None, "Observation at Observation")]),
        (WEIGHT | {"id": ""}, [Record(WEIGHT | {"id": ""}, "Observation", None, "Observation at Observation")]),
        (WEIGHT | {"id": 7}, [Record(WEIGHT | {"id": 7}, "Observation", None, "Observation at Observation")]),
        # The same twice counts once, whatever the order of its elements; another version counts as well.
        ([WEIGHT, dict(reversed(WEIGHT.items()))], [known("Observation/w")]),
        (
            [WEIGHT, WEIGHT | {"status": "amended"}, WEIGHT],
            [known("Observation/w"), known("Observation/w", resource=WEIGHT | {"status": "amended"})],
        ),
        (
            [WEIGHT, WEIGHT | {"status": "amended"}, WEIGHT | {"status": "amended"}],
            [known("Observation/w"), known("Observation/w", resource=WEIGHT | {"status": "amended"})],
        ),
        # Of versions of one record the one counts that was updated last (Resource.meta.lastUpdated), in whatever order they come.
        ([updated(9, "final"), updated(10, "amended")], [known("Observation/w", resource=updated(10, "amended"))]),
        ([updated(10, "amended"), updated(9, "final")], [known("Observation/w", resource=updated(10, "amended"))]),
        (
            [updated(9, "final"), updated(11, "entered-in-error"), updated(10, "amended")],
            [known("Observation/w", resource=updated(11, "entered-in-error"))],
        ),
        # Nobody can tell which is the later.
        (
            [updated(9, "final"), updated(9, "amended")],
            [known("Observation/w", resource=updated(9, status)) for status in ("final", "amended")],
        ),
        (
            [updated(9, "final"), WEIGHT],
            [known("Observation/w", resource=updated(9, "final")), known("Observation/w")],
        ),
        (
            [updated(9, "final"), WEIGHT | {"meta": {"lastUpdated": "2026-02-01"}}],
            [
                known("Observation/w", resource=updated(9, "final")),
                known("Observation/w", resource=WEIGHT | {"meta": {"lastUpdated": "2026-02-01"}}),
            ],
        ),
        # The same id on two servers is two records.
        (
            entries(
                {"fullUrl": "https://a.example/Observation/w", "resource": updated(9, "final")},
                {"fullUrl": "https://b.example/Observation/w", "resource": updated(10, "amended")},
            ),
            [
                known("Observation/w", resource=updated(9, "final"), url="https://a.example/Observation/w"),
                known("Observation/w", resource=updated(10, "amended"), url="https://b.example/Observation/w"),
            ],
        ),
        (
            [NAMELESS, NAMELESS],
            [Record(NAMELESS, "Observation", None, f"Observation at resource[{place}]") for place in (0, 1)],
        ),
        ([WEIGHT, {**patient(), "id": "w"}], [known("Observation/w")]),
        # Nothing there.
        ([], []),
        (entries(), []),
        ({"resourceType": "Bundle"}, []),
        ({"prefetch": {"labs": None}}, []),
        ({"context": {}}, []),
        ({"prefetch": [WEIGHT]}, []),
    ],
)
def test_the_records_that_were_sent(sent: Any, expected: list[Record]) -> None:
    assert held(sent) == expected
    assert inventory(sent).refused == []


NO_RESOURCE = "not a FHIR resource; expected an object with a resourceType"
NO_ENTRY = "a bundle entry without a resource"
ERROR = "the record system answered with an error"
WARNED = "the record system answered with a warning"
NO_PAGE = "records were sent, and no further page"
DEEP = "bundles inside each other are read 4 deep and no deeper"


def outcome(*issues: Any) -> Resource:
    return {"resourceType": "OperationOutcome", "issue": list(issues)}


def searchset(total: Any, *found: Resource) -> Resource:
    return {"resourceType": "Bundle", "type": "searchset", "total": total, "entry": list(found)}


def nested(depth: int) -> Resource:
    return bundle(WEIGHT) if depth == 0 else bundle(nested(depth - 1))


@pytest.mark.parametrize(
    ("sent", "refused"),
    [
        (["x", WEIGHT], [no_record("x", "malformed", NO_RESOURCE, "resource[0]")]),
        ([{"id": "w"}, WEIGHT], [no_record("a JSON object", "malformed", NO_RESOURCE, "resource[0]")]),
        ({"resourceType": 7}, [no_record("a JSON object", "malformed", NO_RESOURCE, "resource")]),
        ({"resourceType": ""}, [no_record("a JSON object", "malformed", NO_RESOURCE, "resource")]),
        (entries("x"), [no_record("x", "malformed", NO_ENTRY, "Bundle.entry[0]")]),
        (
            entries(entry(WEIGHT), {"fullUrl": URN}),
            [no_record("a JSON object", "malformed", NO_ENTRY, "Bundle.entry[1]")],
        ),
        (entries(entry("x")), [no_record("x", "malformed", NO_RESOURCE, "Bundle.entry[0]")]),
        (
            entries(entry({"resourceType": ""})),
            [no_record("a JSON object", "malformed", NO_RESOURCE, "Bundle.entry[0]")],
        ),
        (
            entries(entry({"resourceType": ["Bundle"]})),
            [no_record("a JSON object", "malformed", NO_RESOURCE, "Bundle.entry[0]")],
        ),
        (
            {"resourceType": "Bundle", "entry": "x"},
            [no_record("x", "malformed", "Bundle.entry is not an array", "Bundle")],
        ),
        (
            {"resourceType": "Bundle", "entry": None},
            [no_record("null", "malformed", "Bundle.entry is not an array", "Bundle")],
        ),
        (
            entries(link=[{"relation": "self"}, {"relation": "next"}]),
            [lacking("next page", "the bundle goes on in a page that was not sent", "Bundle")],
        ),
        (entries(link=["next", {"relation": "previous"}]), []),
        # What the record system says of an error, in its own words where it has any.
        (outcome({"code": "timeout"}), [lacking("timeout", ERROR, "OperationOutcome")]),
        (
            outcome({"code": "timeout", "details": {"text": "too slow"}}),
            [lacking("too slow", ERROR, "OperationOutcome")],
        ),
        (
            outcome({"code": "timeout", "details": {"text": "too slow"}, "diagnostics": "after 10 s"}),
            [lacking("after 10 s", ERROR, "OperationOutcome")],
        ),
        (outcome({}, "x", {"code": "timeout"}), [lacking("timeout", ERROR, "OperationOutcome")]),
        (outcome({"code": "first"}, {"code": "second"}), [lacking("first", ERROR, "OperationOutcome")]),
        (outcome(), [lacking("OperationOutcome", ERROR, "OperationOutcome")]),
        (entries(entry(outcome({"code": "timeout"}))), [lacking("timeout", ERROR, "Bundle.entry[0]")]),
        (
            {"prefetch": {"labs": outcome({"code": "timeout"})}},
            [lacking("timeout", ERROR, "prefetch.labs")],
        ),
        # A note on the search, which many servers add to every answer, says nothing of the patient (R4, issue-severity).
        (entries(entry(outcome({"severity": "information", "code": "informational"}), None)), []),
        (entries(entry(outcome(*2 * [{"severity": "information", "code": "suppressed"}]))), []),
        (
            entries(entry(outcome({"severity": "warning", "code": "not-supported"}))),
            [no_record("not-supported", "incomplete", WARNED, "Bundle.entry[0]")],
        ),
        # What is transient, or too costly, leaves something out whatever the severity (R4, issue-type).
        *(
            (
                entries(entry(outcome({"severity": severity, "code": code}))),
                [lacking(code, ERROR, "Bundle.entry[0]")],
            )
            for severity, code in (("warning", "timeout"), ("information", "incomplete"), ("error", "not-found"))
        ),
        # R4, Bundle.total: the matches on all pages, without what was included and what tells of the search.
        (searchset(0), []),
        (searchset(1, entry(WEIGHT)), []),
        (searchset(0, entry(WEIGHT)), []),
        (searchset(412), [lacking("further records", f"0 of 412 {NO_PAGE}", "Bundle")]),
        (searchset(2, entry(WEIGHT)), [lacking("further records", f"1 of 2 {NO_PAGE}", "Bundle")]),
        (
            searchset(2, entry(WEIGHT), {**entry(NAMELESS), "search": {"mode": "include"}}),
            [lacking("further records", f"1 of 2 {NO_PAGE}", "Bundle")],
        ),
        (
            searchset(1, {**entry(outcome({"severity": "information"})), "search": {"mode": "outcome"}}),
            [lacking("further records", f"0 of 1 {NO_PAGE}", "Bundle")],
        ),
        (searchset(True), []),
        ({**searchset(5), "type": "collection"}, []),
        (
            {**searchset(5), "link": [{"relation": "next", "url": "http://ehr.example/2"}]},
            [lacking("next page", "the bundle goes on in a page that was not sent", "Bundle")],
        ),
        ({"context": {"draftOrders": "x"}}, [no_record("x", "malformed", NO_RESOURCE, "context.draftOrders")]),
        # Bundles in bundles.
        (nested(3), []),
        (nested(4), [no_record("a JSON object", "incomplete", DEEP, "Bundle.entry[0].entry[0].entry[0].entry[0]")]),
        (
            [nested(4)],
            [no_record("a JSON object", "incomplete", DEEP, "resource[0].entry[0].entry[0].entry[0].entry[0]")],
        ),
    ],
)
def test_what_is_no_record_is_listed(sent: Any, refused: list[NotUsed]) -> None:
    assert inventory(sent).refused == refused


def test_what_stands_beside_something_refused_is_read() -> None:
    assert held(["x", WEIGHT]) == held(entries("x", entry(WEIGHT))) == held(nested(3)) == [known("Observation/w")]
    assert held(entries(entry("x"), entry(bundle(WEIGHT)))) == [known("Observation/w")]
    assert held(nested(4)) == []


def test_a_bundle_keeps_the_address_of_what_it_holds() -> None:
    """Also inside another, and of an entry that has to be looked at twice."""
    inner = entries(entry(NAMELESS, URN))
    assert held(entries(entry(inner, "http://ehr.example/Bundle/1"))) == [known(URN, URN, NAMELESS)]


@pytest.mark.parametrize("sent", [None, 7, "Bundle", {}, {"resource": WEIGHT}, {"entry": []}])
def test_what_is_nothing_of_the_kind_is_an_error_that_says_what_was_found(sent: Any) -> None:
    found = {"NoneType": "null", "int": "7", "str": "Bundle", "dict": "a JSON object"}[type(sent).__name__]
    with pytest.raises(ReadingError) as error:
        inventory(sent)
    assert str(error.value) == (
        "expected a FHIR Bundle, a FHIR resource, a list of resources or a CDS Hooks request; "
        f"found {found} without a resourceType, context or prefetch"
    )


@pytest.mark.parametrize(
    ("context", "expected"),
    [
        ({}, (None, None)),
        ({"patientId": "p", "encounterId": "e"}, ("Patient/p", "Encounter/e")),
        ({"patientId": "Patient/p", "encounterId": "Encounter/e"}, ("Patient/p", "Encounter/e")),
        ({"patientId": 7, "encounterId": ""}, (None, None)),
        ("x", (None, None)),
    ],
)
def test_a_hook_says_who_is_meant(context: Any, expected: tuple[str | None, str | None]) -> None:
    found = inventory({"context": context})
    assert (found.patient, found.encounter) == expected


def test_a_hook_holds_its_prefetch_and_its_drafts_in_order() -> None:
    order = {"resourceType": "ServiceRequest", "id": "s"}
    sent = {
        "prefetch": {"b": bundle(WEIGHT), "none": None, "a": WEIGHT | {"id": "x"}, "p": patient()},
        "context": {"draftOrders": bundle(order)},
    }
    found = inventory(sent)
    listed = [one.label for one in found.of("ServiceRequest", "Observation", "Patient", "Device")]
    assert listed == ["ServiceRequest/s", "Observation/w", "Observation/x", "Patient/p"]
    assert held(sent, "ServiceRequest")[0].resource is order


def test_a_type_that_is_long_or_odd_is_shown_shortened() -> None:
    odd = {"resourceType": "X" * 100, "id": "1"}
    (found,) = held(odd, "X" * 100)
    assert (found.type, found.reference) == ("X" * 100, f"{'X' * 79}…/1")
    (address,) = held(entries(entry(NAMELESS, "http://ehr.example/" + "x" * 100)))
    assert (len(str(address.reference)), address.url) == (80, "http://ehr.example/" + "x" * 100)


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, None),
        ({"modifierExtension": [], "implicitRules": None}, None),
        ({"extension": [{}]}, None),
        ({"modifierExtension": [{}]}, "modifierExtension"),
        ({"implicitRules": "http://x.example"}, "implicitRules"),
        ({"implicitRules": "http://x.example", "modifierExtension": [{}]}, "modifierExtension"),
    ],
)
def test_an_element_that_may_change_the_meaning_of_the_whole(fields: Resource, expected: str | None) -> None:
    assert record({**WEIGHT, **fields}).modifier == expected


# --- references ----------------------------------------------------------------------------------------------------------

SERVER = "https://ehr.example/r4"


@pytest.mark.parametrize(
    ("reference", "names", "expected"),
    [
        ("Patient/1", {"Patient/1"}, True),
        ("Patient/2", {"Patient/1"}, False),
        ("Patient/1/_history/3", {"Patient/1"}, True),
        ("Patient/1/_history/3", {"Patient/1/_history/3"}, True),
        ("Patient/1/_history/3/x", {"Patient/1"}, False),
        (URN, {"Patient/1", URN}, True),
        (URN, {"Patient/1"}, False),
        # An address leads to what is called by the same address; where none is known, to the id.
        (f"{SERVER}/Patient/1", {"Patient/1", f"{SERVER}/Patient/1"}, True),
        (f"{SERVER}/Patient/1/_history/3", {"Patient/1", f"{SERVER}/Patient/1"}, True),
        (f"{SERVER}/Patient/1", {"Patient/1"}, True),
        (f"{SERVER}/Patient/1/_history/3", {"Patient/1"}, True),
        ("http://ehr.example/Patient/1", {"Patient/1"}, True),
        ("https://other.example/r4/Patient/1", {"Patient/1", f"{SERVER}/Patient/1"}, False),
        ("https://other.example/r4/Patient/1", {"Patient/1", "http://ehr.example/Patient/1"}, False),
        (f"{SERVER}/Patient/2", {"Patient/1"}, False),
        (f"{SERVER}/Group/1", {"Patient/1"}, False),
        ("ftp://ehr.example/Patient/1", {"Patient/1"}, False),
        ("x/Patient/1", {"Patient/1"}, False),
        ("1", {"Patient/1"}, False),
        ("", {"Patient/1"}, False),
        ("Patient/1", set(), False),
        ("Patient/1", {"Patient/1", f"{SERVER}/Patient/1"}, True),
    ],
)
def test_whether_a_reference_leads_to_a_resource(reference: str, names: set[str], expected: bool) -> None:
    assert refers_to(reference, Names(names)) is expected
    own = next((name for name in names if name.startswith("Patient/")), None)
    url = next((name for name in names if name != own), None)
    index = ReferenceIndex([Record({"resourceType": "Patient"}, "Patient", own, "p", url)])
    assert [len(index.under(key)) for key in index.keys(reference)] == [1] * expected


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (record({"resourceType": "Patient", "id": "1"}), {"Patient/1", "urn:uuid:1"}),
        (record({"resourceType": "Patient", "id": "1"}, url=URN), {"Patient/1", "urn:uuid:1", URN}),
        (record({"resourceType": "Patient"}, url=URN), {URN}),
        (record({"resourceType": "Patient"}), set()),
        (Record({"id": ""}, "Patient", "", "x", ""), set()),
    ],
)
def test_the_names_of_a_record(found: Record, expected: set[str]) -> None:
    assert names_of(found) == expected
    assert isinstance(names_of(found), Names)


def test_an_index_finds_all_records_of_a_name_and_each_name_once() -> None:
    one, again = (known("Device/1", resource={"resourceType": "Device", "id": "1", "note": note}) for note in "ab")
    there = known("Device/2", f"{SERVER}/Device/2", {"resourceType": "Device", "id": "2"})
    index = ReferenceIndex([one, there, again])
    assert index.keys("Device/1") == ("Device/1",)
    assert index.under("Device/1") == [one, again]
    assert index.keys("Device/1/_history/2") == ("Device/1",)
    assert index.keys("urn:uuid:1") == ("urn:uuid:1",)
    assert index.keys("Device/3") == index.keys("https://other.example/Device/2") == ()
    (key,) = index.keys(f"{SERVER}/Device/2")
    assert (key, index.under(key)) == (f"{SERVER}/Device/2", [there])
    (alone,) = index.keys(f"{SERVER}/Device/1/_history/4")
    assert alone != "Device/1"
    assert index.under(alone) == [one, again]


def test_a_name_may_stand_for_a_record_with_an_address_and_for_one_without() -> None:
    """A reference with another server's address leads to the one without alone."""
    near = known("Device/1", resource={"resourceType": "Device", "id": "1"})
    far = known("Device/1", f"{SERVER}/Device/1", {"resourceType": "Device", "id": "1", "note": "b"})
    index = ReferenceIndex([near, far])
    assert [index.under(key) for key in index.keys("https://other.example/Device/1")] == [[near]]
    assert [index.under(key) for key in index.keys("Device/1")] == [[near, far]]
    assert [index.under(key) for key in index.keys(f"{SERVER}/Device/1")] == [[far], [near]]


def test_most_entries_are_told_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only a bundle, an outcome and what is no resource take the longer way; a record never does."""
    longer: list[object] = []
    monkeypatch.setattr(Inventory, "take", lambda self, value, label, url=None, depth=0: longer.append(value))
    found = Inventory()
    odd: list[object] = [{"resourceType": "Bundle"}, {"resourceType": "OperationOutcome"}, {"resourceType": ""}, "x"]
    found._take_bundle(entries(entry(WEIGHT), *map(entry, odd), entry(NAMELESS)), "Bundle", 0)
    assert longer == odd
    assert [one.resource for one in found.of("Observation")] == [WEIGHT, NAMELESS]
