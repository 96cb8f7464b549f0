"""A patient who wears a collar falls: the diagnosis of the fall, by its onset, says so where the chart is opened.

Element names: Condition and DeviceUseStatement of FHIR R4. W06, a fall from bed: ICD-10-CM, from memory.
"""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.cds.hook_calls import answer_of, bundle, changed, observation, patient_view

WORN = {
    "resourceType": "DeviceUseStatement",
    "id": "use-1",
    "status": "active",
    "subject": {"reference": "Patient/p1"},
    "device": {"display": "Rigid cervical collar"},
    "timingPeriod": {"start": "2026-01-28T10:00:00Z"},
}
SUMMARY = "A new accident in the collar: "


def fall(**times: str) -> dict[str, Any]:
    return {
        "resourceType": "Condition",
        "id": "fell",
        "subject": {"reference": "Patient/p1"},
        "code": {"coding": [{"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": "W06.XXXA"}]},
        **times,
    }


def summaries(client: TestClient, condition: dict[str, Any], *observations: dict[str, Any]) -> list[str]:
    call = changed(patient_view(*observations), "prefetch.deviceUses", bundle(WORN))
    call = changed(call, "prefetch.conditions", bundle(condition))
    return [card["summary"] for card in answer_of(client, "collar-patient-view", call)["cards"]]


def test_a_fall_in_the_collar_comes_first(client: TestClient) -> None:
    fell = fall(onsetDateTime="2026-01-31T08:10:00Z", recordedDate="2026-01-31T08:30:00Z")
    assert summaries(client, fell)[0].startswith(SUMMARY)
    # The hours since the accident before are of that one.
    noted = observation("hours-since-injury", 2, effectiveDateTime="2026-01-28T11:00:00Z")
    assert summaries(client, fell, noted)[0].startswith(SUMMARY)


@pytest.mark.parametrize(
    "times",
    [
        {"onsetDateTime": "2026-01-28T08:10:00Z", "recordedDate": "2026-01-31T08:30:00Z"},
        {"recordedDate": "2026-01-31T08:30:00Z"},
        {"onsetDateTime": "2026-01-31", "recordedDate": "2026-01-31T08:30:00Z"},
    ],
    ids=["before the collar", "no onset", "a day"],
)
def test_an_accident_that_may_be_the_one_before_the_collar_is_no_new_one(
    client: TestClient, times: dict[str, str]
) -> None:
    said = summaries(client, fall(**times))
    assert said and not any(SUMMARY in one for one in said)
