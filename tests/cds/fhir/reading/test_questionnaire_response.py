"""Element names and states: QuestionnaireResponse of FHIR R4."""

from datetime import UTC, datetime
from typing import Any

import pytest

from cds.fhir.reading.patient import AgeQuestion
from cds.fhir.reading.questionnaire_response import QuestionnaireResponseReader
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason
from tests.cds.fhir.reading.sent import AT, Resource, as_listed, code_map, of_patient, quantity, record, ruleset

NINE = datetime(2026, 1, 31, 9, tzinfo=UTC)
LABEL, REFERENCE = "label of QuestionnaireResponse/q", "QuestionnaireResponse/q"


def response(*items: Any, **fields: Any) -> Resource:
    given = {"status": "completed", "authored": "2026-01-31T09:00:00Z", "item": list(items), **fields}
    return of_patient("QuestionnaireResponse", "q", **given)


def item(link: Any, *answers: Any, **fields: Any) -> Resource:
    return {"linkId": link, "answer": list(answers), **fields}


def findings(sent: Resource) -> list[Accepted | Rejected]:
    reader = QuestionnaireResponseReader(code_map(), AgeQuestion(ruleset()), AT)
    return as_listed(reader.questionnaire_response(record(sent)))


def accepted(fact: str, value: Any, written: str) -> Accepted:
    return Accepted(fact, value, written, LABEL, REFERENCE, NINE)


def rejected(fact: str | None, written: str, kind: Any, reason: str, recorded: datetime | None = None) -> Rejected:
    return Rejected(fact, written, RejectionReason(kind, reason), LABEL, recorded)


YES, NO = {"valueBoolean": True}, {"valueBoolean": False}
WIDE = {"valueQuantity": quantity(400, "mm")}
BED = accepted("bed_rest", True, "true")
NOT_BED = accepted("bed_rest", False, "false")
ROUND = accepted("neck_circumference_mm", 400.0, "400 mm")
CHANGED = [{"url": "http://hospital.example/negated", "valueBoolean": True}]
CHANGED_BED = rejected(
    "bed_rest",
    "true",
    "modifier",
    "it, or an item around it, carries modifierExtension, which may change its meaning",
    NINE,
)
NECK_FORM = "no longer used; record chin_to_shoulder_look and habitus instead"


@pytest.mark.parametrize(
    ("items", "expected"),
    [
        # By the code of the fact or its name; by nothing else.
        ([item("bed-rest", YES)], [BED]),
        ([item("bed_rest", NO)], [NOT_BED]),
        ([item("neck-circumference", WIDE)], [ROUND]),
        ([item("neck_circumference_mm", WIDE)], [ROUND]),
        ([item("1.2", YES)], []),
        ([item(None, YES)], []),
        ([item("bed-rest")], []),
        ([{"linkId": "bed-rest"}], []),
        (
            ["bed-rest", item("bed-rest", YES)],
            [rejected(None, "bed-rest", "malformed", "malformed: an item is not an object"), BED],
        ),
        # One code, two facts: the name says which.
        (
            [item("neck_height_fingers", {"valueQuantity": quantity(3, "{finger}")})],
            [accepted("neck_height_fingers", 3.0, "3 fingers")],
        ),
        # Groups, and items below an answer, in their order.
        ([{"linkId": "g", "item": [item("bed-rest", YES), item("neck-circumference", WIDE)]}], [BED, ROUND]),
        (
            [item("neck-circumference", WIDE, item=[item("bed_rest", NO)]), item("bed-rest", YES)],
            [ROUND, NOT_BED, BED],
        ),
        ([item("g", {**YES, "item": [item("bed-rest", YES), item("bed_rest", NO)]})], [BED, NOT_BED]),
        # What may change the meaning of an item, or of an answer, may change that of all below (R4, BackboneElement).
        ([item("bed-rest", YES, modifierExtension=CHANGED)], [CHANGED_BED]),
        (
            [{"linkId": "g", "modifierExtension": CHANGED, "item": [{"linkId": "h", "item": [item("bed-rest", YES)]}]}],
            [CHANGED_BED],
        ),
        ([item("g", {**YES, "modifierExtension": CHANGED, "item": [item("bed-rest", YES)]})], [CHANGED_BED]),
        (
            [
                {"linkId": "g", "modifierExtension": CHANGED, "item": [item("bed-rest", YES)]},
                item("neck-circumference", WIDE),
            ],
            [CHANGED_BED, ROUND],
        ),
        (
            [item("g", {**YES, "modifierExtension": CHANGED}, item=[item("bed-rest", YES)])],
            [BED],
        ),
        ([item("bed-rest", YES, modifierExtension=[])], [BED]),
        # What cannot be used.
        (
            [item("bed-rest", YES, NO)],
            [rejected("bed_rest", "2 answers", "malformed", "expected one answer", NINE)],
        ),
        (
            [item("bed-rest", "yes")],
            [rejected("bed_rest", "yes", "malformed", "malformed: an answer is not an object")],
        ),
        (
            [item("bed-rest", {})],
            [rejected("bed_rest", "no value", "no value", "no value is recorded", NINE)],
        ),
        ([item("neck-form", YES)], [rejected("neck_form", "neck-form", "retired", NECK_FORM)]),
        ([item("neck_form", YES)], [rejected("neck_form", "neck_form", "retired", NECK_FORM)]),
        ([item("neck-form")], []),
    ],
)
def test_the_answers_to_items_whose_link_is_a_fact(items: list[Any], expected: list[Any]) -> None:
    assert findings(response(*items)) == expected


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"status": "amended"}, BED),
        ({"authored": None}, BED._replace(recorded=None)),
        (
            {"status": "in-progress"},
            Rejected(
                "bed_rest", "true", RejectionReason("status", "status is in-progress", unsettled=True), LABEL, NINE
            ),
        ),
        ({"status": "stopped"}, rejected("bed_rest", "true", "status", "status is stopped", NINE)),
        (
            {"authored": "soon"},
            rejected(
                "bed_rest",
                "true",
                "malformed",
                "malformed authored soon: not a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD)",
            ),
        ),
    ],
)
def test_the_state_and_the_time_are_those_of_the_whole(fields: Resource, expected: Any) -> None:
    assert findings(response(item("bed-rest", YES), **fields)) == [expected]


@pytest.mark.parametrize(
    ("fields", "what"),
    [
        # QuestionnaireResponse of FHIR R4: item and answer are lists, wherever they stand.
        ({"item": item("bed-rest", YES)}, "item"),
        ({"item": "x"}, "item"),
        ({"item": [{"linkId": "g", "item": item("bed-rest", YES)}]}, "item"),
        ({"item": [{"linkId": "bed-rest", "answer": YES}]}, "answer"),
        ({"item": [item("g", {**YES, "item": item("bed-rest", YES)})]}, "item"),
    ],
)
def test_what_is_no_list_of_items_is_listed(fields: Resource, what: str) -> None:
    (listed,) = findings(response(**fields))
    assert isinstance(listed, Rejected)
    assert listed.why == RejectionReason("malformed", f"malformed: {what} is not a list")


def test_what_has_no_items_says_nothing() -> None:
    assert findings(response(item=None)) == findings(response(item=[])) == []


@pytest.mark.parametrize(("before", "cut"), [(9_998, False), (9_999, False), (10_000, True)])
def test_so_many_items_are_read_and_no_more(before: int, cut: bool) -> None:
    note = rejected(None, "items", "incomplete", "only the first 10000 items were read")
    assert findings(response(*[{}] * before, item("bed-rest", YES))) == ([note] if cut else [BED])


YES, NO = {"valueBoolean": True}, {"valueBoolean": False}


@pytest.mark.parametrize(
    ("sent", "named"),
    [
        (item("1", YES, text="Stridor?"), ["Stridor? yes"]),
        (item("1", YES, text="Is the airway threatened?"), ["Is the airway threatened? yes"]),
        (item("1", NO, text="Stridor?"), []),
        (item("1", text="Stridor?"), []),
        (item("1", {"valueString": "yes"}, text="Stridor?"), []),
        (item("1", YES, text="Happy with the food?"), []),
        (item("1", YES), []),
        (item("long-hair", YES, text="Stridor?"), []),
    ],
)
def test_a_yes_to_a_question_that_only_its_words_tell_is_named(sent: Resource, named: list[str]) -> None:
    """R4, QuestionnaireResponse.item.linkId is any text; item.text is what was asked."""
    unread = [one.value for one in findings(response(sent)) if isinstance(one, Rejected) and one.why.kind == "unread"]
    assert unread == named
    states: list[tuple[Resource, bool]] = [
        *(({"status": status}, True) for status in ("in-progress", "Completed", None, ["completed"])),
        *(({"status": status}, False) for status in ("stopped", "entered-in-error")),
        ({"authored": "soon"}, True),
        ({"authored": "2026-01-29T09:00:00Z"}, False),
    ]
    for state, of_now in states:
        refused = [one for one in findings(response(sent, **state)) if isinstance(one, Rejected)]
        assert [one.value for one in refused if one.why.kind == "unread"] == (named if of_now else []), state
