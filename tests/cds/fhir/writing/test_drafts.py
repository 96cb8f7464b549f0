"""What is written for one invented patient, as examples."""

from datetime import UTC, datetime

import fhirkit
import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds.fhir.writing.device_request import device_request
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import suggested
from cds.fhir.writing.service_request import FIT_TASK, collar_service_request, service_requests
from rules.deciding.decider import Decider
from rules.model.decision import Decision
from rules.model.facts import RecordedFact
from tests.shipped_content import RULESET

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
CONTEXT = OrderContext("Patient/1", "Encounter/2", "Practitioner/3")

SWOLLEN = (
    RecordedFact(name="age_years", value=71, reference="Patient/1"),
    RecordedFact(name="neck_circumference_mm", value=385, reference="Observation/girth"),
    RecordedFact(name="neck_height_fingers", value=3, reference="Observation/height"),
    RecordedFact(name="neck_swelling", value=True, reference="Observation/swelling"),
    RecordedFact(name="head_position", value="fixed_flexion", reference="Condition/stiff"),
)
AGE_UNKNOWN = (*SWOLLEN[1:], RecordedFact(name="height_cm", value=120, reference="Observation/stature"))


@pytest.fixture(scope="module")
def decider() -> Decider:
    return Decider(RULESET)


@pytest.fixture(scope="module")
def swollen(decider: Decider) -> Decision:
    return decider.decide(SWOLLEN, AT)


@pytest.fixture(scope="module")
def withheld(decider: Decider) -> Decision:
    return decider.decide(AGE_UNKNOWN, AT)


@pytest.mark.parametrize("patient", ["swollen", "withheld"])
def test_both_validators_find_no_fault(patient: str, request: pytest.FixtureRequest) -> None:
    drafts = suggested(request.getfixturevalue(patient), CONTEXT)
    assert drafts
    for resource in drafts:
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)
        assert fhirkit.validate(resource) == []


def test_nothing_is_ever_active(swollen: Decision) -> None:
    assert {(r["status"], r["intent"]) for r in suggested(swollen, CONTEXT)} == {("draft", "proposal")}


def test_collar_order_says_the_size_in_code_and_in_words(swollen: Decision) -> None:
    order = collar_service_request(swollen, CONTEXT)
    assert order is not None and swollen.size_class is not None
    size, *_ = order["orderDetail"]
    assert size["coding"][0]["code"] == swollen.size_class.code
    assert swollen.size_class.words in size["text"]


def test_withheld_size_gives_no_device_and_a_review(withheld: Decision) -> None:
    assert withheld.size_class is None
    assert device_request(withheld, CONTEXT) is None
    assert collar_service_request(withheld, CONTEXT) is None
    review = service_requests(withheld, CONTEXT)[0]
    assert review["code"]["coding"][0]["code"] == "review-before-collar"
    assert "age is not known" in review["reasonCode"][0]["text"]


def test_reasons_reach_through_what_rules_concluded(swollen: Decision) -> None:
    order = collar_service_request(swollen, CONTEXT)
    assert order is not None
    # The finger count only enters by way of the range worked out from it.
    assert {"reference": "Observation/height"} in order["reasonReference"]
    # The age comes from the patient, who is the subject already and no reason in the sense of R4.
    assert {"reference": "Patient/1"} not in order["reasonReference"]


def test_a_wrong_device_calls_a_clinician_at_once(decider: Decider) -> None:
    # Held by a rule that asks for no task of its own.
    decision = decider.decide({"age_years": 30, "halo_in_place": True}, AT)
    review = service_requests(decision, CONTEXT)[0]
    assert review["code"]["coding"][0]["code"] == "review-before-collar"
    assert review["priority"] == "stat"
    assert review["performerType"] == {"text": "responsible clinician"}


def test_a_missing_age_is_no_emergency(withheld: Decision) -> None:
    assert "priority" not in service_requests(withheld, CONTEXT)[0]


def test_a_task_of_the_rule_that_withholds_stands_for_the_review(decider: Decider) -> None:
    decision = decider.decide({"age_years": 70, "head_position": "fixed_other"}, AT)
    codes = [order["code"]["coding"][0]["code"] for order in service_requests(decision, CONTEXT)]
    assert "refer-orthotist" in codes and "review-before-collar" not in codes


def test_the_fitting_says_how_many_people_it_takes(swollen: Decision) -> None:
    order = collar_service_request(swollen, CONTEXT)
    (fitting,) = (task for task in swollen.tasks if task.task == FIT_TASK)
    assert order is not None
    people = [e["valuePositiveInt"] for e in order["extension"] if e["url"].endswith("/people-needed")]
    assert people == [fitting.people] and fitting.people >= 2
