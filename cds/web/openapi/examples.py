"""Examples that the content in use gives: real requests and answers about invented patients, made when the document is."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import Response

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.operations.applied_plan import applied_plan
from cds.fhir.operations.definitions import APPLY
from cds.fhir.operations.evaluated_library import evaluated_library
from cds.fhir.operations.parameters import read_parameters
from cds.fhir.operations.patient_call import PatientCall
from cds.fhir.operations.populated_questionnaire import populated
from cds.fhir.publishing.questionnaire import NAME, response
from cds.fhir.publishing.search import searched
from cds.hooks.engine.service import HookService
from cds.hooks.services import SERVICES
from cds.operation_outcome import RefusedCall, outcome
from cds.protocol.prefetch import sent_along
from cds.site import verdicts
from cds.site.demo_patients import SHIPPED, DemoIndex
from cds.site.fit_check_request import EXAMPLE as FIT_CHECK
from cds.site.fit_check_request import FitCheckRequest
from cds.web.dependencies import Service
from cds.web.errors import unusable
from cds.web.routes import cds_hooks, decisions, fhir_artifacts, fit_checks
from rules.deciding.fit_check import FitAttempt
from rules.errors import FactError

ABOUT = "A real answer about an invented patient, or of the rules in use; of each list the first entry."
_ADDRESS = "http://127.0.0.1:8000/fhir"
_UNKNOWN_RULE = "sizing.none"


@dataclass(frozen=True)
class Example:
    """The body that is sent to a route (None: there is none), and the answer of a good call."""

    sent: Any
    answer: Any


def examples(service: Service) -> dict[str, Example]:
    """An example for each route that answers JSON ("GET /facts"), by the content of ``service``; nothing is kept of them."""
    found = dict(_of_content(service))
    found |= {f"POST /cds-services/{hook}": one for hook, one in _of_hooks(service)}
    found |= dict(_of_operations(service))
    found["POST /cds-services/{service_id}/feedback"] = _of_feedback(found)
    return found


def refused(service: Service) -> dict[str, Any]:
    """A refusal of ``service`` in each of its two forms, by the name of its schema."""
    try:
        decisions.rule(_UNKNOWN_RULE, service)
    except RefusedCall as error:
        unknown = outcome(error.issues)
    try:
        service.content.decider.decide({"neck_height_mm": 6600}, service.clock())
    except FactError as error:
        problems = _body(unusable(error.problems))
    return {"OperationOutcome": unknown, "UnusableFacts": problems}


def shortened(value: Any) -> Any:
    """``value`` (plain JSON) with the first entry of each list alone."""
    if isinstance(value, Mapping):
        return {key: shortened(part) for key, part in value.items()}
    return [shortened(part) for part in value[:1]] if isinstance(value, list) else value


def _of_content(service: Service) -> Iterator[tuple[str, Example]]:
    content = service.content
    ruleset, published = content.ruleset, content.artefacts
    request = decisions.DecisionRequest.model_validate(decisions.EXAMPLE)
    decision = content.decider.decide(request.facts, request.at or service.clock())
    identity = {"name": ruleset.name, "version": ruleset.version, "hash": ruleset.hash}
    kind, name = next(iter(published))
    attempt = FitAttempt(size="adult H2 G2", findings={"no_finger_gap": True})
    record = response(attempt, ruleset, Canonicals(content.code_map.base), service.clock())
    yield "GET /cds-services", Example(None, _body(cds_hooks.services(service)))
    yield "POST /decisions", Example(decisions.EXAMPLE, decisions.with_stock(content, decision))
    yield "GET /facts", Example(None, _body(decisions.facts(service)))
    yield "GET /rules", Example(None, _body(decisions.rules(service)))
    yield "GET /rules/{rule_id}", Example(None, _body(decisions.rule(next(iter(ruleset.rules)), service)))
    advice = fit_checks.fit_check(FitCheckRequest.model_validate(FIT_CHECK), service)
    yield "POST /fit-checks", Example(FIT_CHECK, _body(advice))
    yield "POST /fit/record", Example(None, record)
    yield f"GET /Questionnaire/{NAME}", Example(None, _body(fit_checks.questions(service)))
    yield "GET /fhir/metadata", Example(None, fhir_artifacts.statement(service, _ADDRESS))
    yield "GET /fhir/{resource_type}", Example(None, searched(published, kind, (), _ADDRESS))
    drafts = searched(published, kind, [("status", "draft")], _ADDRESS)
    yield "POST /fhir/{resource_type}/_search", Example({"status": "draft"}, drafts)
    yield "GET /fhir/{resource_type}/{name}", Example(None, _body(fhir_artifacts.artefact(kind, name, service)))
    yield "GET /health/live", Example(None, {"status": "live"})
    yield "GET /health/ready", Example(None, {"status": "ready", "ruleset": identity})
    checked = verdicts.find(service.settings)
    if checked is not None:
        same = {"before": checked.stamp, "after": checked.stamp}
        done = {**same, "cases": checked.cases, "remarks": list(checked.remarks)}
        yield "POST /admin/reload", Example(None, done)


def _of_hooks(service: Service) -> Iterator[tuple[str, Example]]:
    if SHIPPED is None:
        return
    moments = {f"hm-{one.number}": one.at for one in DemoIndex.read(SHIPPED).patients}
    for hook in SERVICES:
        sent = json.loads((SHIPPED / "hooks" / f"{hook.id}.json").read_text(encoding="utf-8"))
        yield hook.id, Example(sent, _cards(hook, sent, moments[sent["context"]["patientId"]], service))


def _cards(hook: HookService, sent: Any, at: Any, service: Service) -> Any:
    request = hook.request.model_validate(sent)
    gathered = sent_along(request, service.content.queries)
    return hook.answer(request, gathered, service.content, service.settings, at).as_json()


def _of_operations(service: Service) -> Iterator[tuple[str, Example]]:
    if SHIPPED is None:
        return
    content, patient = service.content, DemoIndex.read(SHIPPED).patients[0]
    urls = Canonicals(content.code_map.base)
    questionnaire = content.artefacts["Questionnaire", NAME]
    moment = {"name": "At", "valueDateTime": patient.at.isoformat()}
    sent = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subject", "valueString": f"Patient/hm-{patient.number}"},
            {"name": "data", "resource": patient.bundle(SHIPPED)},
            {"name": "parameters", "resource": {"resourceType": "Parameters", "parameter": [moment]}},
        ],
    }
    call = PatientCall.of(read_parameters(sent, APPLY.takes), patient.at)
    reading = call.read(content.ruleset, content.code_map, patient.at.tzinfo)
    decision = content.decider.decide(reading.facts, call.at, reading.not_used)
    answers = {
        ("PlanDefinition", "$apply"): applied_plan(
            decision, call.orders(reading, urls.base), deceased=reading.deceased
        ),
        ("Library", "$evaluate"): evaluated_library(decision, content.ruleset, ()),
        ("Questionnaire", "$populate"): populated(questionnaire, call, reading, content.ruleset, urls),
    }
    for (kind, operation), answer in answers.items():
        meant = next(one for (found, _), one in content.artefacts.items() if found == kind)
        address, given = {"name": "url", "valueUri": meant["url"]}, sent["parameter"]
        if kind == "Questionnaire":  # Its operation takes a reference, and no moment.
            reference = {"name": "subject", "valueReference": {"reference": f"Patient/hm-{patient.number}"}}
            address, given = {**address, "name": "canonical"}, [reference, given[1]]
        yield f"POST /fhir/{kind}/{{name}}/{operation}", Example({**sent, "parameter": given}, answer)
        yield f"POST /fhir/{kind}/{operation}", Example({**sent, "parameter": [address, *given]}, answer)


def _of_feedback(found: Mapping[str, Example]) -> Example:
    card = next(
        (card["uuid"] for one in found.values() for card in one.answer.get("cards", ())),
        "a8bd5f63-8a0d-5d0c-9b8f-0a2f6e1f2f10",
    )
    said = {"card": card, "outcome": "overridden", "outcomeTimestamp": "2026-03-02T10:05:00Z"}
    return Example({"feedback": [said]}, {})


def _body(answer: Response) -> Any:
    return json.loads(bytes(answer.body))
