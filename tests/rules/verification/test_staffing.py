"""No order names fewer people than its words do, and the proof of it finds an order that does."""

import pytest

from rules.deciding.decider import Decider
from rules.testing.cases import MOMENT
from rules.verification.prover import prove
from rules.verification.staffing import AsManyPeopleAsNamed, hands_named, people_counted
from tests.rules.small import FRAME, small_ruleset
from tests.shipped_content import RULESET

FRAMED = FRAME.replace(
    "roles:",
    "hands:\n"
    "  head: {words: holds the head, named_by: [holds the head]}\n"
    "  tube: {words: guards the tube, named_by: [at the tube]}\n"
    "roles:",
).replace("instruction: Look at the skin.", "hands: {head: 1}, instruction: One holds the head.")


def staffed(detail, hands="{}"):
    """The small ruleset, in which a danger adds ``detail`` and ``hands`` to looking."""
    adding = (
        f"- {{id: small.x, title: x, when: {{fact: danger, is: true}}, because: b, sources: [s],\n"
        f"   then: {{tasks: {{task: look, detail: {detail}, hands: {hands}}}}}}}"
    )
    return small_ruleset(adding=adding, frame=FRAMED)


def test_an_order_that_names_somebody_without_counting_is_found():
    verdict = prove(AsManyPeopleAsNamed(staffed("Another is at the tube.")))
    assert verdict.status == "failed"
    (found,) = verdict.counterexamples
    assert (found.label, found.patients[0]["danger"]) == ("look", True)


def test_an_order_that_speaks_of_more_people_than_it_takes_is_found():
    assert prove(AsManyPeopleAsNamed(staffed("Two people lift."))).status == "failed"


@pytest.mark.parametrize(("detail", "hands"), [("Another is at the tube.", "{tube: 1}"), ("It is quiet.", "{}")])
def test_an_order_that_counts_whom_it_names_is_proved(detail, hands):
    assert prove(AsManyPeopleAsNamed(staffed(detail, hands))).status == "proved"


@pytest.mark.parametrize(
    ("text", "number"), [("two people hold", 2), ("Within 4 people and no more", 4), ("one person", 0), ("2 hours", 0)]
)
def test_numbers_of_people_are_read_from_texts(text, number):
    assert people_counted(text) == number


def test_whoever_is_named_is_named_in_any_case_and_over_lines():
    assert hands_named("One does nothing but HOLD HEAD\n and neck", RULESET.hands) == {"head"}


SECOND = ("a second person", "a third person", "another opens", "another fits", "another measures", "one more person")


def texts():
    for name, task in RULESET.tasks.items():
        yield name, task.instruction
    for found in RULESET.rules.values():
        for call in found.then.tasks:
            if call.detail:
                yield found.id, call.detail


@pytest.mark.tree
def test_every_text_that_speaks_of_one_more_person_names_a_hand():
    speaking = [(where, text) for where, text in texts() if any(words in text.casefold() for words in SECOND)]
    assert speaking
    assert [where for where, text in speaking if not hands_named(text, RULESET.hands)] == []


OPENING = {
    "collar_in_place": True,
    "collar_kind": "extrication",
    "collar_back": "standard",
    "bed_rest": True,
    "facial_hair": True,
    "long_hair": True,
    "skin_breakdown": "occiput",
    "openings_off_midline": True,
    "refits_in_this_size": 0,
}


@pytest.mark.parametrize("more", [{}, {"sedated": True}, {"weight_kg": 150}, {"ventilated": True}, {"agitation": True}])
@pytest.mark.parametrize("precautions", [True, False])
def test_every_opening_takes_the_same_people(more, precautions):
    decision = Decider(RULESET).decide({"age_years": 40, "spine_precautions": precautions, **OPENING, **more}, MOMENT)
    openings = {task.task: task for task in decision.tasks if RULESET.tasks[task.task].kind == "opening"}
    # Of a patient who struggles nothing is seated again.
    stopped = {"refit_collar"} if "agitation" in more else set()
    assert set(openings) == {name for name, task in RULESET.tasks.items() if task.kind == "opening"} - stopped
    assert len({task.people for task in openings.values()}) == 1
    assert all(len(task.hands) >= 2 for task in openings.values())
