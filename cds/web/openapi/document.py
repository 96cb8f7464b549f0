"""The document itself: what the framework makes of the routes, with answers, examples, status codes and callers beside."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from cds.web.dependencies import Service
from cds.web.form_body import FORM_CONTENT
from cds.web.middleware.request_audit import REQUEST_ID
from cds.web.middleware.ruleset_header import HEADER
from cds.web.openapi.answers import FHIR_JSON, JSON, answer_content, answer_schemas, reference
from cds.web.openapi.examples import ABOUT, Example, examples, refused, shortened
from cds.web.openapi.refusals import callers, is_fhir_route, is_page_route, refusal, refusals, security_schemes

_OF_THE_FRAMEWORK = ("HTTPValidationError", "ValidationError")
_NAMES = {
    400: "Malformed",
    401: "NoToken",
    403: "NotAllowed",
    408: "BodyTooSlow",
    413: "BodyTooLong",
    415: "WrongType",
    429: "TooManyCalls",
    500: "Failed",
    503: "NotNow",
}
"""Of the refusals that many routes share."""


def published(app: FastAPI, service: Service) -> dict[str, Any]:
    """The OpenAPI document of ``app``, with examples by the content of ``service``."""
    document = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
    components = document["components"]
    for name in _OF_THE_FRAMEWORK:
        components["schemas"].pop(name, None)
    components["schemas"] |= answer_schemas()
    for name, example in refused(service).items():
        components["schemas"][name]["examples"] = [example]
    components["securitySchemes"] = security_schemes(service.settings)
    components["responses"] = {name: refusal(code) for code, name in _NAMES.items()}
    components["headers"] = _HEADERS
    shown = examples(service)
    for route, operation in _operations(document):
        _describe(route, operation, service, shown.get(route))
    return document


def _operations(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for path, item in document["paths"].items():
        for method, operation in item.items():
            yield f"{method.upper()} {path}", operation


def _describe(route: str, operation: dict[str, Any], service: Service, example: Example | None) -> None:
    own = {code: answer for code, answer in operation["responses"].items() if code != "200"}
    if own.get("422", {}).get("description") == "Validation Error":
        # The framework's own, wherever there is a parameter: a hook answers 400, and any text may be a name.
        del own["422"]
    good = {"description": operation["responses"]["200"]["description"], "content": answer_content(route)}
    for media_type, content in good["content"].items():
        if example is not None and media_type in (JSON, FHIR_JSON):
            content["examples"] = {"real": {"summary": ABOUT, "value": shortened(example.answer)}}
    answers = {"200": good, **refusals(route, service.settings)}
    answers = {code: _shared(route, int(code), answer) for code, answer in answers.items()}
    answers |= {code: _own_refusal(route, int(code), answer["description"]) for code, answer in own.items()}
    if route == "GET /health/ready":
        answers["503"]["content"][JSON]["schema"] = {"anyOf": [reference("Readiness"), reference("OperationOutcome")]}
    for answer in answers.values():
        if "$ref" not in answer:
            answer.setdefault("headers", {}).update({name: _header(name) for name in _HEADERS})
    operation["responses"] = dict(sorted(answers.items()))
    operation["security"] = callers(route, service.settings)
    _describe_body(route, operation, example)


def _shared(route: str, code: int, answer: dict[str, Any]) -> dict[str, Any]:
    """A refusal that many routes give alike, by its name."""
    if code in _NAMES and not is_page_route(route) and not is_fhir_route(route):
        return {"$ref": f"#/components/responses/{_NAMES[code]}"}
    return answer


def _own_refusal(route: str, code: int, words: str) -> dict[str, Any]:
    answer = refusal(code, route, words[:1].upper() + words[1:] + ".")
    if code == 422 and not is_page_route(route):
        answer["content"][JSON] = {"schema": {"anyOf": [reference("UnusableFacts"), reference("OperationOutcome")]}}
    return answer


def _describe_body(route: str, operation: dict[str, Any], example: Example | None) -> None:
    if route.startswith("POST ") and is_page_route(route):
        operation["requestBody"] = {"required": True, "content": FORM_CONTENT}
    elif example is not None and example.sent is not None:
        (content,) = operation["requestBody"]["content"].values()
        content["examples"] = {"real": {"summary": "About an invented patient.", "value": example.sent}}


def _header(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/headers/{name}"}


_HEADERS = {
    HEADER: {"description": "Name, version and hash of the rule set in use.", "schema": {"type": "string"}},
    REQUEST_ID: {"description": "The id of the call, as in the log and the audit trail.", "schema": {"type": "string"}},
}
