"""Looking into JSON that may be anything anywhere: each question has an answer for every JSON value and never raises."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from cds.fhir.visible_text import visible

_LONGEST_SHOWN = 80
_LOOKED_AT = 2000
"""Characters among which those are looked for that can be shown."""


def mapping(value: object, key: str) -> dict[str, Any]:
    """The object under ``key`` of ``value``; empty where there is none."""
    found = value.get(key) if isinstance(value, dict) else None
    return found if isinstance(found, dict) else {}


def items(value: object, key: str) -> list[Any]:
    """The array under ``key`` of ``value``; empty where there is none."""
    found = value.get(key) if isinstance(value, dict) else None
    return found if isinstance(found, list) else []


def codings(concepts: Iterable[object]) -> Iterator[dict[str, Any]]:
    """Every coding (an object) of the CodeableConcepts in ``concepts``."""
    for concept in concepts:
        yield from (coding for coding in items(concept, "coding") if isinstance(coding, dict))


def text(value: object, key: str) -> str | None:
    """The string under ``key`` of ``value``, or None where there is none or it is empty."""
    found = value.get(key) if isinstance(value, dict) else None
    return found if isinstance(found, str) and found else None


def choice_keys(value: Mapping[str, Any], element: str) -> list[str]:
    """The names under which ``value`` has the choice ``element`` (``effective``), each with its type (R4, choice of data types)."""
    place = len(element)
    return [key for key in value if key.startswith(element) and key[place : place + 1].isupper()]


def shown(value: object) -> str:
    """``value`` as one short line that can stand in a message: cut where it is long, always valid Unicode that can be seen."""
    if isinstance(value, str) and len(value) <= _LONGEST_SHOWN and value.isascii() and value.isprintable():
        return " ".join(value.split()) if " " in value else value
    if isinstance(value, (dict, list)):
        return f"a JSON {'object' if isinstance(value, dict) else 'array'}"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if value.bit_length() <= 64 else "a number of more than 19 digits"
    words = value if isinstance(value, str) else json.dumps(value)
    clean = " ".join(visible(words[:_LOOKED_AT].encode("utf-8", "replace").decode()).split())
    whole = len(words) <= _LOOKED_AT and len(clean) <= _LONGEST_SHOWN
    return clean if whole else clean[: _LONGEST_SHOWN - 1] + "…"
