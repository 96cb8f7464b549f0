"""JSON Schema of what is sent: as pydantic has it of a model, but for what is left out on the way."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

REFERENCE = "#/components/schemas/{model}"

_WRAPPING = ("default", "function-after", "function-before", "function-wrap")
_EMPTIED = frozenset({"dict", "list", "tuple", "set", "frozenset"})
_MAY_BE_EMPTY = frozenset({("NotUsed", "value"), ("Task", "begins")})
"""Texts that may be empty: what is as it was recorded, and when a task begins that is done once; the others say something."""


class WithoutNull(GenerateJsonSchema):
    """For answers in which null is left out."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        """What it is where it is there."""
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        """Without the default: it is what is never sent, or what the reader needs no word of."""
        return self.generate_inner(schema["schema"])

    def field_is_required(self, field: Any, total: bool) -> bool:
        """Always there, unless it may be null."""
        return not self.is_left_out(_unwrapped(field["schema"]))

    def is_left_out(self, schema: Any) -> bool:
        """Whether a value of the kind that ``schema`` (pydantic's) describes may be one that is not sent."""
        return bool(schema["type"] == "nullable")


class WithoutEmpty(WithoutNull):
    """For answers in which empty lists and objects are left out as well (``rules.model.json_cleaning``)."""

    def is_left_out(self, schema: Any) -> bool:
        """Whether the ``schema`` is of null, or of a list or an object."""
        return super().is_left_out(schema) or schema["type"] in _EMPTIED


def sent_schemas(model: type[BaseModel], kind: type[WithoutNull]) -> dict[str, JsonSchemaValue]:
    """The schemas of ``model`` and of all that it holds, by name, as components of the document.

    ``kind`` says what is left out when they are sent.
    """
    made = model.model_json_schema(ref_template=REFERENCE, schema_generator=kind, mode="serialization")
    found: dict[str, JsonSchemaValue] = made.pop("$defs", {})
    found[model.__name__] = made
    if kind is WithoutEmpty:
        _need_nothing_empty(found)
    return found


def _need_nothing_empty(schemas: dict[str, JsonSchemaValue]) -> None:
    """Take from what is required whatever may be left out for being empty: some texts, and objects that need no part."""
    hollow: set[str] = set()
    while (found := {name for name, schema in schemas.items() if not schema.get("required")}) != hollow:
        hollow = found
        empty = {REFERENCE.format(model=name) for name in hollow}
        for name, schema in schemas.items():
            schema["required"] = [
                one
                for one in schema.get("required", ())
                if (name, one) not in _MAY_BE_EMPTY and schema["properties"][one].get("$ref") not in empty
            ]


def _unwrapped(schema: Any) -> Any:
    while schema["type"] in _WRAPPING:
        schema = schema["schema"]
    return schema
