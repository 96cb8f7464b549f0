"""The order set: every order once, the collar and its fitting together, held by two validators that others wrote.

Source: FHIR R4 (4.0.1), RequestGroup with its invariant rqg-1, http://hl7.org/fhir/R4/requestgroup.html
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fhirkit
import pytest
from click.testing import CliRunner
from fhir.resources.R4B.requestgroup import RequestGroup

from cds.cli import main
from cds.fhir.datatypes import Resource
from cds.fhir.writing.identifiers import name_of
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import order_set
from tests.cds.fhir.writing.drafts import EXAMPLES

DEMO = Path(__file__).resolve().parents[4] / "demo_bundles"
CONTEXT = OrderContext("Patient/1", "Encounter/2", "Practitioner/3")
SETS = [order_set(decision, CONTEXT) for decision in EXAMPLES]


def group_of(resources: list[Resource]) -> Resource:
    (found,) = (each for each in resources if each["resourceType"] == "RequestGroup")
    return found


def actions(action: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield action
    for inner in action.get("action", ()):
        yield from actions(inner)


@pytest.mark.parametrize("resources", SETS)
def test_it_is_sound_and_holds_every_order_once(resources: list[Resource]) -> None:
    group = group_of(resources)
    RequestGroup.model_validate(group)
    assert fhirkit.validate(group) == []
    every = [each for action in group["action"] for each in actions(action)]
    assert all(("resource" in each) != ("action" in each) for each in every), "rqg-1"
    orders = [each for each in resources if each["resourceType"] in ("ServiceRequest", "DeviceRequest")]
    assert orders
    held = [each["resource"]["reference"] for each in every if "resource" in each]
    assert sorted(held) == sorted(map(name_of, orders))
    assert (group["status"], group["intent"], group["author"]["reference"]) == ("draft", "proposal", "Practitioner/3")


def test_a_collar_is_chosen_only_with_its_fitting() -> None:
    together = group_of(SETS[0])["action"][0]["action"][0]
    assert together["selectionBehavior"] == "all"
    kinds = [each["resource"]["type"] for each in together["action"]]
    assert kinds == ["ServiceRequest", "DeviceRequest"]
    assert together["action"][0]["title"] == "Fit a rigid neck collar"


def test_what_is_done_at_once_makes_the_group_urgent() -> None:
    for resources in SETS:
        urgent = any(each.get("priority") == "stat" for each in resources)
        assert group_of(resources).get("priority") == ("stat" if urgent else None)
    assert {group_of(resources).get("priority") for resources in SETS} == {"stat", None}


def test_the_command_writes_the_set_as_one_bundle() -> None:
    ran = CliRunner().invoke(main, ["orders", str(DEMO / "03_between_two_heights.json")])
    assert ran.exit_code == 0, ran.output
    bundle = json.loads(ran.stdout)
    assert fhirkit.validate(bundle) == []
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert {"ServiceRequest", "DeviceRequest", "RequestGroup", "CarePlan"} == set(kinds)
