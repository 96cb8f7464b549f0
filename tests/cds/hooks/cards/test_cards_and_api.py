"""The order card says what the API says: size, cautions, tasks and people of generated records (pages: test_bedside.py)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.fhir.reading.reader import read
from cds.hooks.services import SERVICES
from cds.settings import Settings
from cds.web.pages.demonstration.hook_request import request_for
from tests.cds.hooks.cards.card_reader import CardReader, Json
from tests.published.engines.generated_records import AT, RecordWriter

PATIENTS = 500
FITTING, COLLAR = "Put the collar on", "Rigid neck collar"


@pytest.fixture
def at_the_moment_of_the_records(store_url: str) -> Iterator[TestClient]:
    with TestClient(create_app(Settings(), clock=lambda: AT)) as client:
        yield client


@pytest.mark.slow
def test_card_and_api_say_the_same_of_500_generated_records(at_the_moment_of_the_records: TestClient) -> None:
    client = at_the_moment_of_the_records
    content = client.app.state.service.content  # type: ignore[attr-defined]
    (hook,) = [one for one in SERVICES if one.hook == "order-select"]
    sized = warned = withheld = 0
    for number, bundle in enumerate(RecordWriter(content.ruleset, content.code_map, 13).bundles(PATIENTS)):
        encounter = {"resourceType": "Encounter", "id": "e1", "status": "in-progress"}
        bundle["entry"] = [one for one in bundle["entry"] if one["resource"]["resourceType"] != "Encounter"]
        bundle["entry"].append({"resource": {**encounter, "subject": {"reference": f"Patient/p{number}"}}})
        call = request_for(hook, bundle, AT, AT, content)
        reading = read(bundle, content.ruleset, content.code_map, AT)
        facts = {one.name: one.value for one in reading.facts}
        decision = client.post("/decisions", json={"facts": facts, "at": AT.isoformat()}).json()
        card = CardReader(client.post(f"/cds-services/{hook.id}", json=call).json()["cards"])
        unread = any(one.look_up for one in reading.not_used)
        withheld += not _same(card, decision, number, unread=unread)
        sized += "size_class" in decision
        warned += bool(decision.get("cautions"))
    assert sized > PATIENTS / 10 and warned > PATIENTS / 2 and withheld < PATIENTS / 5, (sized, warned, withheld)


def _same(card: CardReader, decision: Json, number: int, *, unread: bool) -> bool:
    """Whether all is offered. Where something ``unread`` may stand before any collar, less may be, and nothing else."""
    size = decision.get("size_class")
    assert [words for words, _ in card.sizes()] == ([size["words"].lower()] if size else []), number
    cautions = decision.get("cautions", [])
    # In the texts the grave ones stand word for word, the others at least in short or counted.
    grave = [one["text"] for one in cautions if one["severity"] == "critical"]
    assert [text for text in grave if text not in card.text] == [], number
    unsaid = [one for one in cautions if one["text"] not in card.text and one["summary"] not in card.text]
    assert len(unsaid) == card.left_out(), number
    # What is offered notes each of them in full, and no other.
    weighty = {(one["severity"], one["text"]) for one in cautions if one["severity"] != "info"}
    noted = {one for one in card.noted() if one[0] != "info"}
    assert noted == weighty or (unread and noted <= weighty), number
    # Where a size is given, the draft order itself becomes the order to fit the collar.
    tasks = {task["title"]: task["people"] for task in decision.get("tasks", [])}
    offered = card.tasks()
    if size and COLLAR in offered and FITTING in tasks:
        offered[FITTING] = offered.pop(COLLAR)
    if not size:
        # Without a size no order to fit one is offered.
        tasks.pop(FITTING, None)
    assert offered == tasks or (unread and offered.items() <= tasks.items()), number
    return offered == tasks
