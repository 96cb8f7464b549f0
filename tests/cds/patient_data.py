"""What must never stand in a log: every identifier, name, birth date, fact and token that the tests send."""

import json
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

DEMO = Path(__file__).resolve().parents[2] / "demo_bundles"


def _resources(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        if "resourceType" in value:
            yield value
        for part in value.values():
            yield from _resources(part)
    elif isinstance(value, list):
        for part in value:
            yield from _resources(part)


def _of_demo_patients() -> Iterator[str]:
    for path in sorted(DEMO.rglob("*.json")):
        for resource in _resources(json.loads(path.read_text())):
            if resource["resourceType"] != "Patient":
                continue
            yield from (resource[key] for key in ("id", "birthDate") if key in resource)
            yield from (identifier["value"] for identifier in resource.get("identifier", []))
            for name in resource.get("name", []):
                yield from (*name.get("given", []), *([name["family"]] if "family" in name else []))


DEMO_PATIENTS = frozenset(_of_demo_patients())
"""Ids, numbers, names and birth dates of the invented patients of ``demo_bundles``."""

_OTHERS = (
    r"\bp1\b",
    r"invented-\d",
    r"patient-4711",
    r"Practitioner/",
    r"1984-05-02",
    r"neck_height",
    r"Jane",
    r"access-token",
    r"eyJ[A-Za-z0-9_-]{10,}",
)
_ANY = re.compile("|".join([*_OTHERS, *(rf"\b{re.escape(text)}\b" for text in sorted(DEMO_PATIENTS))]))


def telling(lines: Iterable[str]) -> list[str]:
    """Those of ``lines`` that tell of a patient, or hold a token."""
    return [line for line in lines if _ANY.search(line)]
