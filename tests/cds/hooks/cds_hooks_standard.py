"""What HL7 CDS Hooks 2.0 (https://cds-hooks.hl7.org/2.0/) demands of answers, written here from the standard alone.

JSON Schemas for discovery and for the response to a call, and the rules that a schema cannot say.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from uuid import UUID

import jsonschema

TEXT = {"type": "string", "minLength": 1}
CODING = {
    "type": "object",
    "additionalProperties": False,
    # "overrideReasons ... MUST contain a display"; a coding of a topic needs a code.
    "required": ["code"],
    "properties": {"code": TEXT, "system": TEXT, "display": TEXT, "version": TEXT},
}
RESOURCE = {"type": "object", "required": ["resourceType"], "properties": {"resourceType": TEXT}}
ACTION = {
    "type": "object",
    "additionalProperties": False,
    "required": ["type", "description"],
    "properties": {
        "type": {"enum": ["create", "update", "delete"]},
        "description": TEXT,
        "resource": RESOURCE,
        "resourceId": TEXT,
    },
    "allOf": [
        {
            "if": {"properties": {"type": {"const": "delete"}}},
            "then": {"required": ["resourceId"], "not": {"required": ["resource"]}},
            "else": {"required": ["resource"], "not": {"required": ["resourceId"]}},
        },
        {
            "if": {"properties": {"type": {"const": "update"}}},
            "then": {"properties": {"resource": {"required": ["id"]}}},
        },
        {
            "if": {"properties": {"type": {"const": "create"}}},
            "then": {"properties": {"resource": {"not": {"required": ["id"]}}}},
        },
    ],
}
SUGGESTION = {
    "type": "object",
    "additionalProperties": False,
    "required": ["label"],
    "properties": {
        "label": TEXT,
        "uuid": {"type": "string", "format": "uuid"},
        "isRecommended": {"type": "boolean"},
        "actions": {"type": "array", "minItems": 1, "items": ACTION},
    },
}
SOURCE = {
    "type": "object",
    "additionalProperties": False,
    "required": ["label"],
    "properties": {"label": TEXT, "url": {"type": "string", "pattern": "^https?://"}, "icon": TEXT, "topic": CODING},
}
LINK = {
    "type": "object",
    "additionalProperties": False,
    "required": ["label", "url", "type"],
    "properties": {
        "label": TEXT,
        "url": {"type": "string", "pattern": "^https?://"},
        "type": {"enum": ["absolute", "smart"]},
        "appContext": TEXT,
        "autolaunchable": {"type": "boolean"},
    },
    "if": {"properties": {"type": {"const": "absolute"}}},
    "then": {"not": {"required": ["appContext"]}},
}
EXTENSION = {
    "type": "object",
    "minProperties": 1,
    # Reverse domain names, so that extensions of different makers never meet.
    "propertyNames": {"pattern": r"^[a-z0-9-]+(\.[A-Za-z0-9_-]+)+$"},
}
CARD = {
    "type": "object",
    "additionalProperties": False,
    "required": ["summary", "indicator", "source"],
    "properties": {
        "uuid": {"type": "string", "format": "uuid"},
        "summary": {"type": "string", "minLength": 1, "maxLength": 139},
        "detail": TEXT,
        "indicator": {"enum": ["info", "warning", "critical"]},
        "source": SOURCE,
        "suggestions": {"type": "array", "minItems": 1, "items": SUGGESTION},
        "selectionBehavior": {"enum": ["at-most-one", "any"]},
        "overrideReasons": {
            "type": "array",
            "minItems": 1,
            "items": {**CODING, "required": ["code", "display"]},
        },
        "links": {"type": "array", "minItems": 1, "items": LINK},
        "extension": EXTENSION,
    },
    "dependentRequired": {"suggestions": ["selectionBehavior"]},
}
RESPONSE = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "additionalProperties": False,
    "required": ["cards"],
    "properties": {
        "cards": {"type": "array", "items": CARD},
        "systemActions": {"type": "array", "minItems": 1, "items": ACTION},
        "extension": EXTENSION,
    },
}
DISCOVERY = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "additionalProperties": False,
    "required": ["services"],
    "properties": {
        "services": {
            "type": "array",
            "items": {
                "type": "object",
                "additionalProperties": False,
                "required": ["id", "hook", "description"],
                "properties": {
                    "id": {"type": "string", "pattern": "^[A-Za-z0-9_-]+$"},
                    "hook": TEXT,
                    "title": TEXT,
                    "description": TEXT,
                    "version": TEXT,
                    "prefetch": {"type": "object", "minProperties": 1, "additionalProperties": TEXT},
                    "usageRequirements": TEXT,
                    "extension": EXTENSION,
                },
            },
        }
    },
}


def check_response(response: Any) -> None:
    """Raise AssertionError or ValidationError where ``response`` is not what the standard asks of a response to a call."""
    validate(response, RESPONSE)
    assert list(empty_elements(response)) == []
    uuids = [card["uuid"] for card in response["cards"] if "uuid" in card]
    uuids += [s["uuid"] for card in response["cards"] for s in card.get("suggestions", ()) if "uuid" in s]
    assert len(uuids) == len(set(uuids)), "an id is used twice"
    assert all(str(UUID(value)) == value for value in uuids)
    for card in response["cards"]:
        recommended = [s for s in card.get("suggestions", ()) if s.get("isRecommended")]
        assert card.get("selectionBehavior") != "at-most-one" or len(recommended) <= 1
        for suggestion in card.get("suggestions", ()):
            check_references(suggestion)


def check_references(suggestion: dict[str, Any]) -> None:
    """References between the resources of a suggestion lead somewhere: by urn:uuid to a created one, or into contained ones."""
    created = [action["resource"] for action in suggestion["actions"] if action["type"] == "create"]
    names = {identifier["value"] for resource in created for identifier in resource.get("identifier", ())}
    for action in suggestion["actions"]:
        resource = action.get("resource", {})
        contained = {f"#{part['id']}" for part in resource.get("contained", ())}
        for reference in references(resource):
            if reference.startswith("urn:uuid:"):
                assert reference in names, f"{reference} is not created in this suggestion"
            elif reference.startswith("#"):
                assert reference in contained


def check_discovery(answer: Any) -> None:
    """Raise where ``answer`` is not what the standard asks of the answer to discovery."""
    validate(answer, DISCOVERY)
    assert list(empty_elements(answer)) == []
    ids = [service["id"] for service in answer["services"]]
    assert len(ids) == len(set(ids))
    for service in answer["services"]:
        for template in service.get("prefetch", {}).values():
            check_template(template)


# "Prefetch query restrictions": instance level read, type level search; the parameters that every server can answer.
READ = re.compile(r"^[A-Z][A-Za-z]+/\{\{context\.[a-zA-Z]+\}\}$")
TOKENS = {"context.patientId", "context.userId", "context.encounterId"}
SEARCH_PARAMETERS = {"patient", "encounter", "_count", "_sort", "code", "status", "category", "clinical-status", "date"}


def check_template(template: str) -> None:
    """Raise where a prefetch template uses more than the standard recommends."""
    assert set(re.findall(r"\{\{(.*?)\}\}", template)) <= TOKENS
    if READ.match(template):
        return
    resource_type, _, query = template.partition("?")
    assert re.fullmatch("[A-Z][A-Za-z]+", resource_type)
    for part in query.split("&"):
        name, equals, value = part.partition("=")
        # No chained parameters, no modifiers but :in.
        assert equals and value and name.removesuffix(":in") in SEARCH_PARAMETERS, part
        assert "{{" not in value or value in {f"{{{{{token}}}}}" for token in TOKENS}


def validate(value: Any, schema: dict[str, Any]) -> None:
    """Raise ValidationError where ``value`` does not meet ``schema``."""
    checker = jsonschema.FormatChecker(formats=["uuid"])
    jsonschema.Draft202012Validator(schema, format_checker=checker).validate(value)


def empty_elements(value: Any, path: str = "") -> Iterator[str]:
    """Paths of nulls and of empty texts, objects and lists, except ``cards`` at the top."""
    if value is None or (isinstance(value, (str, dict, list)) and not value and path != ".cards"):
        yield path
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from empty_elements(item, f"{path}.{key}")
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from empty_elements(item, f"{path}[{index}]")


def references(value: Any) -> Iterator[str]:
    """Every literal reference in a resource."""
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        for item in value.values():
            yield from references(item)
    elif isinstance(value, list):
        for item in value:
            yield from references(item)
