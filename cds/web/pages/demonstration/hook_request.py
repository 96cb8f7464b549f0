"""A CDS Hooks request about an invented patient, as an EHR would send it: context, draft order, completed prefetch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any
from uuid import uuid4

from cds.fhir.canonical_urls import Canonicals
from cds.hooks.engine.service import HookService
from cds.protocol.request import Resource
from cds.site.content import Content
from cds.site.demo_patients import moved

_USER = "Practitioner/hm-fitter-1"
_DRAFT = "ServiceRequest/draft-collar"


def request_for(
    hook: HookService, bundle: Mapping[str, Any], at: datetime, now: datetime, content: Content
) -> dict[str, Any]:
    """The request of ``hook`` about the patient of ``bundle``, every date moved so that the moment ``at`` falls on ``now``.

    Both have a time zone. ``content`` says what is asked for as prefetch.
    """
    resources: list[Resource] = [entry["resource"] for entry in moved(bundle, now - at)["entry"]]
    patient = _first(resources, "Patient")
    encounter = _first(resources, "Encounter")
    context: dict[str, Any] = {"userId": _USER, "patientId": patient["id"], "encounterId": encounter["id"]}
    if hook.hook in ("order-select", "order-sign"):
        context["draftOrders"] = _bundle([_draft(f"Patient/{patient['id']}", Canonicals(content.code_map.base))])
    if hook.hook == "order-select":
        context["selections"] = [_DRAFT]
    return {
        "hook": hook.hook,
        "hookInstance": str(uuid4()),
        "context": context,
        "prefetch": {query.key: _prefetched(query.key, query.template, resources) for query in content.queries},
    }


def _prefetched(key: str, template: str, resources: Iterable[Resource]) -> Resource | None:
    """What the EHR had for one query; null where it found nothing, as the standard has it."""
    kind, _, search = template.partition("?")
    if not search:
        return _first(resources, kind.partition("/")[0])
    found = [one for one in resources if one["resourceType"] == kind]
    # All observations come under the first of their keys; which codes each key asks for is the EHR's to match.
    return _bundle(found) if found and not (kind == "Observation" and key != "observations") else None


def _first(resources: Iterable[Resource], kind: str) -> Resource:
    return next(one for one in resources if one["resourceType"] == kind)


def _bundle(resources: Iterable[Resource]) -> Resource:
    return {
        "resourceType": "Bundle",
        "type": "searchset",
        "entry": [{"resource": resource} for resource in resources],
    }


def _draft(subject: str, urls: Canonicals) -> Resource:
    return {
        "resourceType": "ServiceRequest",
        "id": _DRAFT.partition("/")[2],
        "status": "draft",
        "intent": "order",
        "subject": {"reference": subject},
        "code": {
            "coding": [{"system": urls.code_system("orders"), "code": "neck-immobilisation"}],
            "text": "Rigid neck collar",
        },
    }
