"""What each route answers where all is well, and the schemas of all answers."""

from __future__ import annotations

from collections.abc import Container
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import JsonSchemaValue

from cds.hooks.engine.service import DECISION, LOOK_ALIKES, RULES
from cds.hooks.services import SERVICES
from cds.protocol.request import FULL_TEXT
from cds.protocol.response import HookResponse
from cds.web.openapi import answer_models as models
from cds.web.openapi.sent_schema import REFERENCE, WithoutEmpty, WithoutNull, sent_schemas
from rules.deciding.fit_check import FitAdvice
from rules.model.decision import NOT_IN_SHORT, TASK_IN_SHORT

JSON, FHIR_JSON, HTML = "application/json", "application/fhir+json", "text/html"

_CLEANED: tuple[type[BaseModel], ...] = (HookResponse, models.DecisionAnswer, FitAdvice)
"""Answers without anything empty; of the others only what is null is left out."""

_BY_ROUTE: dict[str, tuple[type[BaseModel], str]] = {
    "GET /cds-services": (models.Discovery, JSON),
    **{f"POST /cds-services/{hook.id}": (HookResponse, JSON) for hook in SERVICES},
    "POST /cds-services/{service_id}/feedback": (models.FeedbackKept, JSON),
    "POST /decisions": (models.DecisionAnswer, JSON),
    "GET /facts": (models.Facts, JSON),
    "GET /rules": (models.Rules, JSON),
    "GET /rules/{rule_id}": (models.OneRule, JSON),
    "POST /fit-checks": (FitAdvice, JSON),
    "GET /Questionnaire/fit-check": (models.PublishedArtefact, FHIR_JSON),
    "GET /fhir/metadata": (models.CapabilityStatement, FHIR_JSON),
    "GET /fhir/{resource_type}": (models.SearchsetBundle, FHIR_JSON),
    "POST /fhir/{resource_type}/_search": (models.SearchsetBundle, FHIR_JSON),
    "GET /fhir/{resource_type}/{name}": (models.PublishedArtefact, FHIR_JSON),
    "GET /health/live": (models.Alive, JSON),
    "GET /health/ready": (models.Readiness, JSON),
    "POST /admin/reload": (models.ReloadDone, JSON),
}
_REFUSED: tuple[type[BaseModel], ...] = (models.OperationOutcome, models.UnusableFacts)
_TEXT = {"schema": {"type": "string"}}


def answer_content(route: str) -> dict[str, Any]:
    """The content of a good answer of ``route`` ("GET /facts") by its media type."""
    if route == "GET /metrics":
        return {"text/plain": _TEXT}
    if route == "POST /fit/record" or (route.startswith("POST /fhir/") and route not in _BY_ROUTE):
        return {FHIR_JSON: {"schema": reference("Resource")}}
    if route not in _BY_ROUTE:
        return {HTML: _TEXT}
    model, media_type = _BY_ROUTE[route]
    content: dict[str, Any] = {media_type: {"schema": reference(model.__name__)}}
    if route in ALSO_PAGES:
        content[HTML] = _TEXT
    return content


ALSO_PAGES = frozenset({"GET /rules", "GET /rules/{rule_id}"})
"""Where a browser, which asks for HTML, gets a page."""


def answer_schemas() -> dict[str, JsonSchemaValue]:
    """The schemas of all answers by name."""
    schemas: dict[str, JsonSchemaValue] = {"Resource": _RESOURCE}
    described: list[type[BaseModel]] = [model for model, _ in _BY_ROUTE.values()]
    for model in (*described, *_REFUSED):
        schemas |= sent_schemas(model, WithoutEmpty if model in _CLEANED else WithoutNull)
    _with_extensions(schemas)
    return schemas


def reference(name: str) -> dict[str, str]:
    """Where the schema ``name`` stands in the document."""
    return {"$ref": REFERENCE.format(model=name)}


_RESOURCE: JsonSchemaValue = {
    "type": "object",
    "description": "A FHIR R4 resource.",
    "properties": {"resourceType": {"type": "string"}},
    "required": ["resourceType"],
}


def _with_extensions(schemas: dict[str, JsonSchemaValue]) -> None:
    """What our extensions hold, and that a suggestion carries a resource: the models leave both open."""
    response, card = schemas["HookResponse"], schemas["Card"]
    texts = {"type": "array", "items": {"type": "string"}}
    schemas["DecisionOfHook"] = _in_short(schemas["DecisionAnswer"], NOT_IN_SHORT)
    schemas["DecisionOfHook"]["properties"]["tasks"] = {"type": "array", "items": reference("TaskOfHook")}
    schemas["TaskOfHook"] = _in_short(schemas["Task"], schemas["Task"]["properties"].keys() - TASK_IN_SHORT)
    words = "The decision, in short unless the request asks for all of it."
    decision = {"description": words, **reference("DecisionOfHook")}
    response["properties"]["extension"] = _object({DECISION: decision, LOOK_ALIKES: texts})
    response["required"] = ["cards"]
    card["properties"]["extension"] = _object({RULES: texts, FULL_TEXT: {"type": "string"}})
    schemas["Action"]["properties"]["resource"] = reference("Resource")


def _in_short(schema: JsonSchemaValue, left_out: Container[str]) -> JsonSchemaValue:
    """``schema`` where what is ``left_out`` unasked may be missing."""
    required = [name for name in schema.get("required", ()) if name not in left_out]
    return {**schema, "properties": dict(schema["properties"]), "required": required}


def _object(properties: dict[str, Any]) -> JsonSchemaValue:
    return {"type": "object", "properties": properties, "additionalProperties": False}
