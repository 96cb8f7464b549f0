"""Records that are made to take long: each costs the running service no more processor than plain ones of the same number."""

import time
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest

from tests.cds.attacks.processor import processor_seconds
from tests.cds.hook_calls import MEASURED, observation, patient_view
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

Json = dict[str, Any]
MANY = 4000
DEVICE = {"coding": [{"system": "http://example.org/devices", "code": "none"}]}
RECENTLY = (datetime.now(UTC) - timedelta(hours=2)).isoformat()


@pytest.fixture(scope="module")
def live(store_url: str) -> Iterator[LiveService]:
    with running(NUQUE_ANSWER_SECONDS="120", NUQUE_BODY_SECONDS="60") as started:
        yield started


def cost(live: LiveService, path: str, body: Json, expected: int) -> float:
    before = processor_seconds(live)
    answer = httpx.post(f"{live.url}{path}", json=body, timeout=PATIENCE_SECONDS)
    assert answer.status_code == expected, answer.text[:500]
    return processor_seconds(live) - before


def view(*records: Json) -> Json:
    request = patient_view(*MEASURED)
    request["hookInstance"] = str(uuid.uuid4())
    entries = [{"resource": record} for record in records if record["resourceType"] != "Encounter"]
    prefetch = {**request["prefetch"], "observations": {"resourceType": "Bundle", "entry": entries}}
    prefetch["encounter"] = next((r for r in records if r["resourceType"] == "Encounter"), prefetch["encounter"])
    return {**request, "prefetch": prefetch}


def locations() -> Iterator[Json]:
    places = [{"resourceType": "Location", "id": f"l{n}"} for n in range(MANY // 2)]
    stays = [{"location": {"reference": f"Location/l{n}"}} for n in range(MANY // 2)]
    yield from places
    yield {
        "resourceType": "Encounter",
        "id": "e1",
        "status": "in-progress",
        "subject": {"reference": "Patient/p1"},
        "location": stays,
    }


def devices() -> Iterator[Json]:
    for n in range(MANY // 2):
        yield {"resourceType": "Device", "id": f"d{n}", "type": DEVICE}
        yield {
            "resourceType": "DeviceUseStatement",
            "id": f"u{n}",
            "status": "active",
            "subject": {"reference": "Patient/p1"},
            "device": {"reference": f"Device/d{n}"},
        }


def values_of_one_moment() -> Iterator[Json]:
    for n in range(MANY):
        yield observation("neck-height", 160 if n == MANY - 1 else 60 + n / MANY / 10, number=n, time=RECENTLY)


def one_id() -> Iterator[Json]:
    for n in range(MANY):
        yield {**observation("neck-height", 66), "id": "same", "note": [{"text": f"note {n}"}]}


def people() -> Iterator[Json]:
    for n in range(MANY // 2):
        yield {"resourceType": "Patient", "id": "p1", "birthDate": "1984-05-02", "name": [{"text": f"Invented {n}"}]}
        yield {**observation("neck-height", 66, number=n), "subject": {"reference": f"http://ehr.example/Patient/{n}"}}


def unknown_names() -> Json:
    return {"facts": {f"neck_heigth_mm_{n}": n for n in range(MANY)}}


def plain(count: int = MANY) -> Iterator[Json]:
    for n in range(count):
        moment = f"2026-01-{n % 28 + 1:02}T{n % 24:02}:{n % 60:02}:00Z"
        yield observation("neck-height", 60 + n % 20, number=n, time=moment)


@pytest.fixture(scope="module")
def harmless(live: LiveService) -> float:
    """The processor time for as many plain records."""
    path = "/cds-services/collar-patient-view"
    cost(live, path, view(*MEASURED), 200)
    return cost(live, path, view(*plain()), 200)


def on_and_off() -> Iterator[Json]:
    for n in range(MANY):
        moment = f"2026-01-{n % 28 + 1:02}T{n % 24:02}:{n % 60:02}:00Z"
        yield observation("collar-in-place", n % 2 == 0, number=n, time=moment)


TANGLED = (locations, devices, values_of_one_moment, one_id, people, on_and_off)


@pytest.mark.parametrize("records", TANGLED)
def test_records_that_point_at_each_other_cost_no_more_than_plain_ones(
    live: LiveService, harmless: float, records: Callable[[], Iterator[Json]]
) -> None:
    assert cost(live, "/cds-services/collar-patient-view", view(*records()), 200) < 3 * harmless + 1


def test_thousands_of_unknown_fact_names_cost_no_more_than_plain_records(live: LiveService, harmless: float) -> None:
    assert cost(live, "/decisions", unknown_names(), 422) < 3 * harmless + 1


def test_a_call_that_was_answered_503_leaves_nothing_and_counts_nothing(store_url: str) -> None:
    """Calls grow until some are cut off, whatever the speed of the machine: while they are read, or while they are decided."""
    answers: list[httpx.Response] = []
    late: list[httpx.Response] = []
    size = 1.0
    with running(NUQUE_ANSWER_SECONDS="0.1", NUQUE_BODY_SECONDS="60") as live:
        while len(late) < 4:
            body = view(*plain(int(size)))
            answers.append(
                httpx.post(f"{live.url}/cds-services/collar-patient-view", json=body, timeout=PATIENCE_SECONDS)
            )
            assert answers[-1].status_code in (200, 503), f"{size:.0f} records: {answers[-1].text[:500]}"
            late = [answer for answer in answers if answer.status_code == 503]
            size *= 1.3
        # The counts, too, have to be told within the time for an answer.
        for _ in range(600):
            counted = httpx.get(f"{live.url}/metrics", timeout=PATIENCE_SECONDS)
            if counted.status_code != 503:
                break
            time.sleep(0.1)
    assert counted.status_code == 200
    assert all("nothing was decided" in answer.text for answer in late)
    lines = [line for line in counted.text.splitlines() if line.startswith("nuque_decisions_total{")]
    assert sum(float(line.rsplit(" ", 1)[1]) for line in lines) == len(answers) - len(late), lines


def test_the_first_unknown_names_still_get_a_suggestion(live: LiveService) -> None:
    refused = httpx.post(f"{live.url}/decisions", json={"facts": {"neck_heigth_mm": 66}}, timeout=PATIENCE_SECONDS)
    assert "did you mean neck_height_mm" in refused.text
