"""Records that cannot be true of one person: no size before somebody checked who this is (common practice, no source)."""

import pytest

from cds.fhir.reading.reader import read
from rules.deciding.decider import Decider
from tests.cds.fhir.reading.sent import (
    AT,
    Resource,
    bundle,
    code_map,
    neck,
    observation,
    patient,
    quantity,
    reading,
    ruleset,
)

DOUBT = "identity_doubtful"
OF_ANOTHER = neck("n2", 300, subject={"reference": "Patient/other"})


def age(years: float, **fields: object) -> Resource:
    return observation("a", "age", valueQuantity=quantity(years, "a"), **fields)


def sized(*records: Resource) -> bool:
    found = read(bundle(*records), ruleset(), code_map(), AT)
    assert DOUBT not in {fact.name for fact in found.facts}
    return Decider(ruleset()).decide(found.facts, AT, found.not_used).size_class is not None


@pytest.mark.parametrize(
    "records",
    [
        (patient(birthDate="1960-05-01"), patient(birthDate="2016-05-01")),
        (patient(birthDate="1960-05"), patient(birthDate="1961")),
        (patient(birthDate="1960-05-01"), age(9)),
        (patient(birthDate="2016-05-01"), age(65)),
        (patient(birthDate="1960-05-01"), OF_ANOTHER),
        (patient(birthDate="2026-03-12"),),
        (patient(link=[{"other": {"reference": "Patient/q"}, "type": "replaced-by"}]),),
    ],
    ids=[
        *("two dates of birth", "two partial dates", "noted as a child", "noted as an adult", "records of two mixed"),
        *("not born yet", "replaced by another record (Patient.link.type of FHIR R4)"),
    ],
)
def test_no_size_where_records_contradict_each_other_about_the_person(records: tuple[Resource, ...]) -> None:
    records = (*records, neck("n", 380))
    context = {"context": {"patientId": "p"}, "prefetch": {"all": bundle(*records)}}
    found = read(context, ruleset(), code_map(), AT)
    assert {fact.name: fact.value for fact in found.facts}.get(DOUBT) is True
    decision = Decider(ruleset()).decide(found.facts, AT, found.not_used)
    assert decision.size_class is None
    assert "sizing.hold.identity" in [rule for hold in decision.holds for rule in hold.rules]


@pytest.mark.parametrize(
    "records",
    [
        (patient(birthDate="1960-05-01"), patient(birthDate="1960-05")),
        (patient(birthDate="1960-05-01", link=[{"other": {"reference": "Patient/q"}, "type": "seealso"}, "x"]),),
        (patient(birthDate="1960-05-01"), patient(birthDate="1960-13-01")),
        (patient(birthDate="1960-05-01"), age(65)),
        (patient(birthDate="1960-05-01"), neck("n2", 300, subject=None)),
        (patient(birthDate="1960-05-01"),),
    ],
    ids=[
        "a coarser date",
        "another record to see",
        "a malformed date",
        "the age in completed years",
        "of nobody",
        "nothing else",
    ],
)
def test_records_that_agree_leave_no_doubt(records: tuple[Resource, ...]) -> None:
    assert sized(*records, neck("n", 380))


def test_a_patient_picked_out_of_several_is_not_in_doubt_for_their_records() -> None:
    sent = bundle(patient(birthDate="1960-05-01"), neck("n", 380), OF_ANOTHER)
    found = read(sent, ruleset(), code_map(), AT, "p")
    assert DOUBT not in {fact.name for fact in found.facts}
    assert len(found.not_used) == 1


def test_a_check_of_the_identity_settles_it() -> None:
    checked = observation("i", "identity-doubtful", valueBoolean=False)
    assert {f.name: f.value for f in reading(age(9), checked).facts}[DOUBT] is False
