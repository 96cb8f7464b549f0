"""The decision as plain JSON, without FHIR: decide, list the facts, show a rule."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from cds.operation_outcome import Issue, RefusedCall
from cds.protocol.call_progress import progress
from cds.protocol.moments import Moment
from cds.site.content import Content
from cds.site.rule_listing import describe_rule
from cds.site.vocabulary_listing import list_facts
from cds.web.dependencies import CurrentService
from cds.web.errors import unusable
from cds.web.strict_json_route import StrictJsonRoute
from rules.errors import FactError
from rules.model.decision import Decision
from rules.model.json_cleaning import without_absent
from rules.model.ruleset import Rule, Ruleset

_PAGES_ONLY = frozenset({"changes", "map", "parameters", "versions"})
"""What stands beside the rules for browsers alone."""

router = APIRouter(route_class=StrictJsonRoute, tags=["decisions"])


EXAMPLE: dict[str, Any] = {
    "facts": {"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 380},
    "at": "2026-01-31T10:00:00Z",
}
"""A body of ``POST /decisions``."""


class DecisionRequest(BaseModel):
    """Facts by name, each in the unit of its definition; a fact that is left out (or null) is unknown."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [EXAMPLE]})

    facts: dict[str, Any]
    at: Moment | None = Field(default=None, description="moment of decision, with time zone; default: now")


@router.post("/decisions", summary="Decide for plain facts", responses={422: {"description": "a fact cannot be used"}})
def decide(body: DecisionRequest, service: CurrentService) -> JSONResponse:
    """The whole decision: size class and candidates, what to measure next, cautions, tasks, trace.

    With a catalogue, ``stock`` names the items on the shelf that fit, nearest first, or why none does.

    A fact that cannot be used gets 422 with its name, its value and what is accepted.
    """
    try:
        decision = service.content.decider.decide(body.facts, body.at or service.clock())
    except FactError as error:
        return unusable(error.problems)
    answer = with_stock(service.content, decision)
    progress().begin_writing()
    service.watch.decided("decisions", decision)
    return JSONResponse(answer)


def with_stock(content: Content, decision: Decision) -> dict[str, Any]:
    """``decision`` as it is sent, with what is on the shelf of ``content`` for it."""
    shelf = content.shelf(decision)
    stock = {} if shelf is None else {"stock": without_absent(shelf.model_dump(mode="json"))}
    return {**decision.as_json(), **stock}


@router.get("/facts", summary="The vocabulary")
def facts(service: CurrentService) -> JSONResponse:
    """Every fact: its name, unit, what is accepted, and what it means."""
    rows = list_facts(service.content.ruleset)
    return JSONResponse({"facts": [{k: v for k, v in row.items() if v is not None} for row in rows]})


@router.get("/rules", summary="Every rule")
def rules(service: CurrentService) -> JSONResponse:
    """Every rule in short, with its reason and the citations of its sources: where the link of a card leads."""
    ruleset = service.content.ruleset
    found = [
        {
            "id": each.id,
            "title": each.title,
            "because": each.because,
            "sources": [ruleset.sources[cited].citation for cited in each.sources],
        }
        for each in ruleset.rules.values()
    ]
    identity = {"name": ruleset.name, "title": ruleset.title, "version": ruleset.version, "hash": ruleset.hash}
    return JSONResponse({**identity, "disclaimer": ruleset.disclaimer, "rules": found})


@router.get("/rules/{rule_id}", summary="One rule", responses={404: {"description": "no such rule"}})
def rule(rule_id: str, service: CurrentService) -> JSONResponse:
    """One rule: when it fires, what it does, why, and what stands behind it."""
    ruleset = service.content.ruleset
    found = ruleset.rules.get(rule_id)
    if found is None:
        said = f"no rule is called {rule_id[:100]!r}"
        if rule_id in _PAGES_ONLY:
            said += f"; /rules/{rule_id} is a page, for a browser (Accept: text/html)"
        raise RefusedCall(404, [Issue("rule_id", said, "not-found")])
    return JSONResponse(_as_json(ruleset, found))


def _as_json(ruleset: Ruleset, rule: Rule) -> dict[str, Any]:
    return {
        "id": rule.id,
        "topic": rule.topic,
        "title": rule.title,
        "because": rule.because,
        "reads": sorted(rule.reads),
        "concludes": sorted(rule.writes),
        "parameters": list(rule.parameters),
        "evidence": list(ruleset.evidence(rule)),
        "sources": {
            cited: {"citation": ruleset.sources[cited].citation, "from_memory": ruleset.sources[cited].from_memory}
            for cited in rule.sources
        },
        "local": rule.local,
        "text": describe_rule(ruleset, rule),
    }
