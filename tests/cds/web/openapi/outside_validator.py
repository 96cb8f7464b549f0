"""Answers held against the published document by jsonschema, which knows nothing of the code that wrote it."""

from __future__ import annotations

from typing import Any

from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

_WHOLE = "urn:document"


class Published:
    """An OpenAPI 3.1 document; its schemas are JSON Schema 2020-12 (OpenAPI 3.1.0, 4.8.24)."""

    def __init__(self, document: dict[str, Any]) -> None:
        """Hold answers to ``document``."""
        self.document = document
        whole = Resource(contents=_absolute(document), specification=DRAFT202012)
        self._registry: Registry[Any] = Registry().with_resource(_WHOLE, whole)

    def declared(self, route: str) -> dict[str, Any]:
        """The answers of ``route`` ("GET /facts") by status code."""
        method, _, path = route.partition(" ")
        answers: dict[str, Any] = self.document["paths"][path][method.lower()]["responses"]
        return {code: self._resolved(answer) for code, answer in answers.items()}

    def problems(self, route: str, status: int, media_type: str, body: Any) -> list[str]:
        """What the document does not say of an answer: its status code, its media type, or a place in its body."""
        declared = self.declared(route).get(str(status))
        if declared is None:
            return [f"{route}: {status} is not declared"]
        content = declared["content"].get(media_type.partition(";")[0])
        if content is None:
            return [f"{route}: {status}: {media_type} is not declared"]
        return [f"{route}: {status}: {one}" for one in self.misfits(content["schema"], body)]

    def misfits(self, schema: dict[str, Any], value: Any) -> list[str]:
        """The places of ``value`` that are otherwise than ``schema``, a part of the document, says."""
        validator = Draft202012Validator(_absolute(schema), registry=self._registry)
        return [f"{error.json_path}: {error.message[:300]}" for error in validator.iter_errors(value)]

    def _resolved(self, answer: dict[str, Any]) -> dict[str, Any]:
        if "$ref" not in answer:
            return answer
        found: dict[str, Any] = self.document["components"]["responses"][answer["$ref"].rpartition("/")[2]]
        return found


def _absolute(value: Any) -> Any:
    """``value`` with its references to places of the document as such of the registry."""
    if isinstance(value, dict):
        return {key: f"{_WHOLE}{part}" if key == "$ref" else _absolute(part) for key, part in value.items()}
    return [_absolute(part) for part in value] if isinstance(value, list) else value
