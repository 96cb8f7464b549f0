"""The patient's instructions reach the care plan, in each language, with the rules behind them."""

import fhirkit
import pytest

from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals
from cds.fhir.writing.care_plan import care_plan
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.patient_instructions import instruction_notes, leaflet_markdown
from cds.hooks.suggestions.existing_orders import StandingCare
from cds.hooks.suggestions.order_set import care_orders
from rules.model.decision import Decision
from tests.cds.fhir.writing.drafts import DECIDER, MOMENT
from tests.published.fhir_r4.official import problems

CONTEXT = OrderContext("Patient/1")
GOES_HOME = {
    "age_years": 40,
    "setting": "ward",
    "collar_in_place": True,
    "discharge_planned": True,
    "discharge_destination": "home",
    "wear_order": "when_upright",
}


@pytest.fixture(scope="module")
def goes_home() -> Decision:
    return DECIDER.decide(GOES_HOME, MOMENT)


def test_each_language_is_one_note_that_says_every_line(goes_home: Decision) -> None:
    notes = instruction_notes(goes_home, CONTEXT)
    assert len(notes) == len(goes_home.leaflets) == 2
    for note, leaflet in zip(notes, goes_home.leaflets, strict=True):
        assert leaflet.notice in note["text"]
        for section in leaflet.sections:
            assert f"## {section.title}\n" in note["text"]
            assert all(f"- {line}" in note["text"] for line in section.lines)


def test_the_notes_name_the_rules_behind_the_instructions(goes_home: Decision) -> None:
    notes = instruction_notes(goes_home, CONTEXT)
    assert notes
    for note in notes:
        named = [e["valueCode"] for e in note["extension"] if e["url"] == f"{DEFAULT_BASE}/StructureDefinition/rule"]
        assert "handover.wear.when_upright" in named
        assert set(named) == {rule for instruction in goes_home.instructions for rule in instruction.rules}


def test_a_care_plan_with_instructions_is_sound(goes_home: Decision) -> None:
    plan = care_plan(goes_home, CONTEXT)
    texts = [note["text"] for note in plan["note"]]
    assert all(leaflet_markdown(leaflet) in texts for leaflet in goes_home.leaflets)
    assert problems(plan) == []
    assert fhirkit.validate(plan) == []


def test_a_patient_who_stays_gets_no_leaflet() -> None:
    stays = DECIDER.decide({**GOES_HOME, "discharge_planned": False}, MOMENT)
    assert instruction_notes(stays, CONTEXT) == []


def test_where_all_care_stands_the_instructions_alone_are_a_sound_plan(goes_home: Decision) -> None:
    """FHIR R4, JSON: an array is never empty."""
    standing = {task.task.replace("_", "-"): {"resourceType": "ServiceRequest"} for task in goes_home.tasks}
    (action,) = care_orders(goes_home, CONTEXT, StandingCare(standing, None, (), Canonicals()))
    assert action.resource["note"] and "activity" not in action.resource
    assert problems(action.resource) == []
