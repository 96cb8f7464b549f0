"""Whatever is known of a patient: what is written is sound R4, complete, and says what the decision says."""

from datetime import datetime, timedelta
from typing import Any

import fhirkit
import pytest
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import given, settings

from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import text
from cds.fhir.writing.care_plan import care_plan, planned_tasks
from cds.fhir.writing.device_request import device_request
from cds.fhir.writing.fhir_timing import fhir_timing
from cds.fhir.writing.identifiers import name_of
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import as_bundle, suggested
from cds.fhir.writing.service_request import ordered_tasks
from rules.model.decision import Decision
from rules.model.timing import Timing
from tests.cds.fhir.reading.records import timings
from tests.cds.fhir.writing.drafts import DECIDER, EXAMPLES, MOMENT, RULESET, contexts, decided, decisions, every
from tests.published.fhir_r4.official import problems

EXTENSION = f"{DEFAULT_BASE}/StructureDefinition"


def extensions(element: dict[str, Any], name: str, value: str) -> list[Any]:
    return [e[value] for e in element.get("extension", ()) if e["url"] == f"{EXTENSION}/{name}"]


@settings(max_examples=50)
@given(decided, contexts)
def test_three_validators_find_no_fault_whatever_is_known(decision: Decision, context: OrderContext) -> None:
    assert_sound(decision, context)


@given(decisions, contexts)
def test_three_validators_find_no_fault_whatever_the_rules_ask_for(decision: Decision, context: OrderContext) -> None:
    assert_sound(decision, context)


def assert_sound(decision: Decision, context: OrderContext) -> None:
    drafts = suggested(decision, context)
    assert drafts
    for resource in drafts:
        assert all(value not in (None, "", [], {}) for value in every(resource))
        assert problems(resource) == []
        assert fhirkit.validate(resource) == []
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)


@given(decisions, contexts)
def test_everything_is_a_draft_proposal_with_the_rule_set_and_no_server_id(
    decision: Decision, context: OrderContext
) -> None:
    canonical = f"{DEFAULT_BASE}/PlanDefinition/rigid-neck-collar|{decision.ruleset.version}"
    drafts = suggested(decision, context)
    assert drafts
    for resource in drafts:
        assert (resource["status"], resource["intent"]) == ("draft", "proposal")
        assert "id" not in resource
        assert resource["instantiatesCanonical"] == [canonical]
        assert extensions(resource, "ruleset-hash", "valueString") == [decision.ruleset.hash]


@given(decisions, contexts)
def test_references_inside_the_suggestion_resolve_and_names_are_distinct(
    decision: Decision, context: OrderContext
) -> None:
    resources = suggested(decision, context)
    names = [name_of(resource) for resource in resources]
    assert len(set(names)) == len(names)
    types = {name: resource["resourceType"] for name, resource in zip(names, resources, strict=True)}
    plan = resources[-1]
    referred = [activity["reference"] for activity in plan.get("activity", ()) if "reference" in activity]
    assert {r["reference"]: r["type"] for r in referred} == {n: t for n, t in types.items() if n != name_of(plan)}


@given(decisions, contexts)
def test_as_a_bundle_it_is_sound_too(decision: Decision, context: OrderContext) -> None:
    bundle = as_bundle(suggested(decision, context))
    assert problems(bundle) == []
    assert fhirkit.validate(bundle) == []


@given(decisions, contexts)
def test_every_task_is_written_once_with_its_rules_people_role_and_timing(
    decision: Decision, context: OrderContext
) -> None:
    *requests, plan = suggested(decision, context)
    orders = {r["code"]["coding"][0]["code"]: r for r in requests if r["resourceType"] == "ServiceRequest"}
    details = [a for a in plan.get("activity", ()) if "detail" in a]
    activities = {a["detail"]["code"]["coding"][0]["code"]: a for a in details}
    assert len(details) == len(activities) == len(planned_tasks(decision))
    contained = {f"#{each['id']}": each for each in plan.get("contained", ())}
    for task in ordered_tasks(decision):
        order = orders.pop(task.task.replace("_", "-"))
        assert extensions(order, "rule", "valueCode") == list(task.rules)
        assert extensions(order, "people-needed", "valuePositiveInt") == [task.people]
        assert order["performerType"]["text"] == text(task.performer_words)
        assert timing_of(order["occurrenceTiming"], decision) == task.timing
    for task in planned_tasks(decision):
        activity = activities.pop(task.task.replace("_", "-"))
        assert extensions(activity, "rule", "valueCode") == list(task.rules)
        more_than_one = [task.people] if task.people > 1 else []
        assert extensions(activity["detail"], "people-needed", "valuePositiveInt") == more_than_one
        (performer,) = activity["detail"]["performer"]
        (role,) = contained[performer["reference"]]["code"]
        assert role["coding"][0]["code"] == task.performer.replace("_", "-")
        assert performer["display"] == role["text"] == text(task.performer_words)
        assert timing_of(activity["detail"]["scheduledTiming"], decision) == task.timing
    assert set(orders) <= {"fit-rigid-neck-collar", "review-before-collar"}


@settings(max_examples=30)
@given(decided, contexts)
def test_every_activity_and_every_order_names_its_rules(decision: Decision, context: OrderContext) -> None:
    *requests, plan = suggested(decision, context)
    assert requests or plan.get("activity") or not decision.tasks
    orders = {name_of(order): order for order in requests}
    for element in [*requests, *plan.get("activity", ())]:
        naming = orders[element["reference"]["reference"]] if "reference" in element else element
        named = extensions(naming, "rule", "valueCode")
        assert named and set(named) <= set(RULESET.rules)


@settings(max_examples=30)
@given(decided, contexts)
def test_a_withheld_size_is_nowhere(decision: Decision, context: OrderContext) -> None:
    resources = suggested(decision, context)
    systems = {coding.get("system", "") for coding in every(resources) if isinstance(coding, dict)}
    named = any("CodeSystem/size-" in str(system) for system in systems)
    assert named == (decision.size_class is not None)
    assert ("DeviceRequest" in {r["resourceType"] for r in resources}) == (decision.size_class is not None)


@given(decisions, contexts)
def test_no_caution_and_no_refusal_is_lost(decision: Decision, context: OrderContext) -> None:
    notes = [note["text"] for note in care_plan(decision, context).get("note", ())]
    for caution in decision.cautions:
        assert text(f"{caution.severity.capitalize()}: {caution.text}") in notes
    refused = [note for note in notes if note.startswith("Seen and not used:")]
    assert len(refused) == bool(decision.not_used)


@settings(max_examples=30)
@given(decided, contexts)
def test_references_to_the_record_are_those_of_the_facts(decision: Decision, context: OrderContext) -> None:
    given_ones = {fact.reference for fact in decision.facts}
    drafts = suggested(decision, context)
    assert drafts
    for element in every(drafts):
        if isinstance(element, dict):
            assert {r["reference"] for r in element.get("reasonReference", ())} <= given_ones


@given(decisions, contexts)
def test_the_same_decision_is_written_the_same_way(decision: Decision, context: OrderContext) -> None:
    assert suggested(decision, context) == suggested(decision, context)


def timing_of(timing: dict[str, Any], decision: Decision) -> Timing:
    """A FHIR Timing read back, without any of our own writing code."""
    repeat = timing.get("repeat", {})
    period = {} if "period" not in repeat else {(repeat["frequency"], repeat["periodUnit"]): repeat["period"]}
    hours = next((p for (_, unit), p in period.items() if unit == "h"), None)
    daily = next((f for (f, unit), p in period.items() if unit == "d" and p == 1), None)
    (within,) = [d["value"] for d in extensions(timing, "first-within", "valueDuration")] or [None]
    if "boundsPeriod" in repeat:
        start, end = (datetime.fromisoformat(repeat["boundsPeriod"][edge]) for edge in ("start", "end"))
        assert repeat["count"] == 1
        assert start == decision.at
        assert end - start == timedelta(hours=within)
    return Timing(
        every_hours=hours,
        times_per_day=daily,
        within_hours=within,
        on=tuple(event.replace("-", "_") for event in extensions(timing, "due-on", "valueCode")),
        for_days=repeat.get("boundsDuration", {}).get("value"),
    )


@given(timings(RULESET))
def test_every_timing_can_be_read_back(timing: Timing) -> None:
    words = timing.describe(dict(RULESET.triggers))
    found = fhir_timing(timing, words, MOMENT, Canonicals())
    assert timing_of(found, EXAMPLES[0]) == timing
    assert found["code"]["text"] == words


@pytest.mark.parametrize("requester", ["Patient/1", "RelatedPerson/4"])
def test_a_requester_that_a_device_request_cannot_have_is_left_out(requester: str) -> None:
    decision = DECIDER.decide({"age_years": 40}, MOMENT)
    device = device_request(decision, OrderContext("Patient/1", requester=requester))
    assert device is not None and "requester" not in device
