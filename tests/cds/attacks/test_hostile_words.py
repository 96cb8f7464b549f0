"""Texts that are made to take long: the work for one is bounded, whatever its length, and one that is cut is listed.

Counted are calls of functions, which are the same on every machine. FHIR R4 sets no limit to a string but 1 MB (datatypes.html).
"""

from typing import Any

import pytest

from cds.fhir.reading.code_map import LONGEST_SAID
from tests.cds.fhir.reading.sent import bundle, code_map, observation, of_patient, patient, reading
from tests.cds.test_counted_work import counted

Json = dict[str, Any]
LATE = "2026-01-31T09:00:00Z"
TIMES_LONGER = 100
MOST_CALLS_A_CHARACTER = 70
"""A third above the worst of these texts when it was set."""


def every_beginning() -> str:
    """A text in which each word that the code map looks for begins."""
    return " ".join(word.first for word in code_map().neck_words) + " "


TEXTS = {
    "a fracture": "Fracture of C5 ",
    "clauses": "a,",
    "signs": "# ",
    "a phrase that never ends": "lie ",
    "one word": "c",
    "what is denied": "no stridor, ",
    "every beginning": every_beginning(),
}


def condition(words: str) -> Json:
    return of_patient("Condition", "r", code={"text": words}, recordedDate=LATE)


def displays(words: str) -> Json:
    codings = [{"system": "http://example.org", "code": str(place), "display": words} for place in range(3)]
    return of_patient("Condition", "r", code={"coding": codings}, recordedDate=LATE)


def procedure(words: str) -> Json:
    return of_patient("Procedure", "r", status="completed", code={"text": words}, performedDateTime=LATE)


def asked(words: str) -> Json:
    return {**observation("r", "x", "http://example.org", valueBoolean=True), "code": {"text": words}}


def found(words: str) -> Json:
    return observation("r", "x", "http://example.org", valueString=words)


def answer(words: str) -> Json:
    item = {"linkId": "1", "text": words, "answer": [{"valueBoolean": True}]}
    return of_patient("QuestionnaireResponse", "r", status="completed", authored=LATE, item=[item])


def visit(words: str) -> Json:
    return of_patient("Encounter", "r", status="in-progress", reasonCode=[{"text": words}])


def device(words: str) -> Json:
    return of_patient("DeviceUseStatement", "r", status="active", device={"display": words})


def order(words: str) -> Json:
    return of_patient("DeviceRequest", "r", status="active", intent="order", codeCodeableConcept={"text": words})


def place(words: str) -> Json:
    return of_patient("Encounter", "r", status="in-progress", location=[{"location": {"display": words}}])


CUT = (condition, displays, procedure, asked, found, answer, visit, device)
"""Records of which a text that is cut is listed."""


def work(record: Json) -> int:
    return counted(lambda: reading(record))


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
@pytest.mark.parametrize("make", [*CUT, order, place])
def test_a_text_costs_no_more_however_long_it_is(make: Any, text: str) -> None:
    many = text * LONGEST_SAID * TIMES_LONGER
    cut = work(make(many[: LONGEST_SAID + 1]))
    longest = max(work(make(many[:LONGEST_SAID])), cut)
    assert longest - work(make("x")) <= MOST_CALLS_A_CHARACTER * LONGEST_SAID
    assert work(make(many[: LONGEST_SAID * TIMES_LONGER])) <= 1.2 * cut


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
def test_a_report_costs_no_more_however_long_it_is(text: str) -> None:
    def report(length: int) -> Json:
        words = (text * length)[:length]
        return of_patient("DiagnosticReport", "r", status="final", code={"text": "CT"}, conclusion=words)

    cut = work(report(20_001))
    assert max(work(report(20_000)), cut) - work(report(1)) <= MOST_CALLS_A_CHARACTER * 20_000
    assert work(report(2_000_000)) <= 1.2 * cut


@pytest.mark.parametrize("make", CUT)
def test_a_text_that_is_cut_is_listed_though_nothing_in_its_beginning_is_about_the_neck(make: Any) -> None:
    for length, listed in ((LONGEST_SAID, []), (LONGEST_SAID + 1, ["only their beginning was looked at"])):
        refused = reading(make(("knee " * length)[:length])).not_used
        assert [reason for one in refused for reason in listed if reason in one.reason] == listed, refused


@pytest.mark.parametrize("make", [condition, displays, procedure, answer, visit, device])
def test_what_may_be_a_danger_behind_the_cut_is_named(make: Any) -> None:
    hidden = "knee " * LONGEST_SAID + "unstable fracture of C5"
    assert [one for one in reading(make(hidden)).not_used if one.look_up]


def test_a_report_that_is_cut_is_named() -> None:
    words = "knee " * 4_000 + "unstable fracture of C5"
    report = of_patient("DiagnosticReport", "r", status="final", code={"text": "CT"}, conclusion=words)
    (listed,) = reading(report).not_used
    assert listed.look_up
    assert "says more than is looked at" in listed.reason


def test_many_texts_of_one_body_cost_as_many_times_one() -> None:
    """A body of 16 MB may hold thousands of the longest."""
    several = [
        condition((text * LONGEST_SAID)[:LONGEST_SAID]) | {"id": f"r{n}"}
        for n, text in enumerate([*TEXTS.values()] * 2)
    ]
    once = counted(lambda: reading(bundle(patient(), *several[: len(TEXTS)])))
    assert counted(lambda: reading(bundle(patient(), *several))) <= 2.1 * once
