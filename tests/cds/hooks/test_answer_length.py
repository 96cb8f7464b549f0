"""How long an answer is on the wire: a typical one, and those of the invented patients; and nothing in it stands there twice."""

import json
from collections import Counter
from statistics import median
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.defaults import DEFAULT_BASE
from cds.hooks.engine.service import DECISION
from cds.protocol.request import FULL_TEXT
from cds.settings import Settings
from tests.bench.over_http.calls import PATH, typical
from tests.demo.reading_load import INDEX, all_read


def sent(answer: Any) -> int:
    """Bytes of ``answer`` without gzip."""
    return len(json.dumps(answer, separators=(",", ":"), ensure_ascii=False).encode())


@pytest.fixture(scope="module")
def answers() -> list[dict[str, Any]]:
    found = [read.answer for read in all_read() if read.service == "collar-order-select"]
    assert len(found) == len(INDEX)
    return found


def test_a_typical_answer_is_of_bounded_length() -> None:
    with TestClient(create_app(Settings())) as client:
        answer = client.post(PATH, content=typical().body, headers={"Content-Type": "application/json"})
    assert answer.json()["cards"][0]["suggestions"]
    assert len(answer.content) == sent(answer.json()) < 30_000


def test_the_invented_patients_are_answered_at_bounded_length(answers: list[dict[str, Any]]) -> None:
    """Most of them have twice the care of the typical patient, and cautions."""
    lengths = [sent(answer) for answer in answers]
    assert median(lengths) < 50_000
    assert max(lengths) < 100_000


def test_the_full_text_comes_only_where_it_is_asked_for(answers: list[dict[str, Any]]) -> None:
    assert {FULL_TEXT in card["extension"] for answer in answers for card in answer["cards"]} == {False}
    asked = [read for read in all_read(FULL_TEXT) if read.service == "collar-order-select"]
    assert {FULL_TEXT in card["extension"] for read in asked for card in read.cards} == {True}


def test_each_activity_of_a_plan_leads_to_its_rules_people_and_role(answers: list[dict[str, Any]]) -> None:
    """Itself, or by the order created with it; the role by a contained resource; people where it takes more than one."""
    kinds = Counter[str]()
    for answer in answers:
        tasks = {task["task"].replace("_", "-"): task for task in answer["extension"][DECISION].get("tasks", ())}
        for actions in (offer["actions"] for card in answer["cards"] for offer in card.get("suggestions", ())):
            resources = [action["resource"] for action in actions]
            created = {each["identifier"][0]["value"]: each for each in resources if "id" not in each}
            for plan in (each for each in resources if each["resourceType"] == "CarePlan"):
                contained = {f"#{each['id']}": each for each in plan.get("contained", ())}
                for activity in plan["activity"]:
                    if "detail" in activity:
                        task = tasks[activity["detail"]["code"]["coding"][0]["code"]]
                        (performer,) = activity["detail"]["performer"]
                        assert contained[performer["reference"]]["code"][0]["text"] == performer["display"]
                        assert named(activity, "rule") == task["rules"]
                        assert (named(activity["detail"], "people-needed") or [1]) == [task["people"]]
                        kinds["planned"] += 1
                    elif activity["reference"]["reference"] in created:
                        assert named(created[activity["reference"]["reference"]], "rule")
                        kinds["ordered"] += 1
                    else:
                        assert named(activity, "rule")
                        kinds["ordered before"] += 1
    assert kinds["planned"] > 500 and kinds["ordered"] > 100 and kinds["ordered before"] > 30, kinds


def named(element: dict[str, Any], extension: str) -> list[Any]:
    """The values of the extension of this name."""
    url = f"{DEFAULT_BASE}/StructureDefinition/{extension}"
    return [
        value
        for each in element.get("extension", ())
        if each["url"] == url
        for name, value in each.items()
        if name.startswith("value")
    ]


def test_what_is_to_be_done_stands_in_the_plan_alone(answers: list[dict[str, Any]]) -> None:
    checked = 0
    for answer in answers:
        actions = [a for card in answer["cards"] for offer in card.get("suggestions", ()) for a in offer["actions"]]
        plans = [a["resource"] for a in actions if a["resource"]["resourceType"] == "CarePlan"]
        elsewhere = sent_beside(answer, plans)
        for activity in (each for plan in plans for each in plan["activity"] if "detail" in each):
            checked += 1
            assert activity["detail"]["description"] not in elsewhere
    assert checked > 500


def sent_beside(answer: dict[str, Any], plans: list[dict[str, Any]]) -> str:
    """``answer`` without its ``plans``, every text as it is read."""
    texts: list[str] = []
    left: list[Any] = [answer]
    while left:
        value = left.pop()
        if isinstance(value, dict | list):
            parts = value.values() if isinstance(value, dict) else value
            left += [part for part in parts if not any(part is plan for plan in plans)]
        else:
            texts.append(str(value))
    return "\n".join(texts)
