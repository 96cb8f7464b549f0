"""The strict check: what it says of faults, each with its path."""

import copy

import pytest

from cds.fhir.validation import ResourceError, validate

ORDER = {
    "resourceType": "ServiceRequest",
    "status": "draft",
    "intent": "proposal",
    "subject": {"reference": "Patient/1"},
}


def test_a_sound_resource_passes() -> None:
    before = copy.deepcopy(ORDER)
    validate(ORDER)
    assert before == ORDER


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ({"note": [{"time": "2026"}]}, "ServiceRequest.note[0].text"),
        ({"status": 3}, "ServiceRequest.status"),
        ({"size": "H3"}, "ServiceRequest.size"),
        ({"encounter": None}, "ServiceRequest.encounter: must not be null or empty"),
        ({"code": {"coding": [{}]}}, "ServiceRequest.code.coding[0]: must not be null or empty"),
        ({"resourceType": "Collar"}, "Collar: R4 has no resource of this type"),
        ({"resourceType": "Address"}, "Address: R4 has no resource of this type"),
    ],
)
def test_a_fault_is_named_with_its_path(fault: dict[str, object], said: str) -> None:
    with pytest.raises(ResourceError) as refusal:
        validate({**ORDER, **fault})
    assert any(problem.startswith(said) for problem in refusal.value.problems), refusal.value.problems


def test_every_fault_is_named_not_only_the_first() -> None:
    with pytest.raises(ResourceError) as refusal:
        validate({"resourceType": "ServiceRequest", "status": "draft", "code": {}, "size": "H3"})
    paths = {problem.split(":")[0] for problem in refusal.value.problems}
    assert {"ServiceRequest.code", "ServiceRequest.size"} <= paths


@pytest.mark.parametrize("thing", [None, [], "ServiceRequest", {}, {"resourceType": 3}])
def test_what_is_no_resource_is_refused(thing: object) -> None:
    with pytest.raises(ResourceError, match="resourceType"):
        validate(thing)
