"""FHIR data types as plain dicts. Nothing null or empty is ever written: what is absent has no key."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

Element = dict[str, Any]
Resource = dict[str, Any]

UCUM = "http://unitsofmeasure.org"

# FHIR's string has no control characters but tab, line feed and carriage return. Half a surrogate pair is not a character.
_NOT_TEXT = re.compile("[\x00-\x08\x0e-\x1b\x7f-\x84\x86-\x9f\ud800-\udfff\ufffe\uffff]")
# Nor other white space than the plain one: validators read the standard's [ \r\n\t\S]+ that way.
_ODD_SPACE = re.compile(r"[^\S \r\n\t]")


def present(**elements: Any) -> Element:
    """Those of ``elements`` that have a value; 0 and False are values."""
    return {name: value for name, value in elements.items() if value or isinstance(value, (int, float))}


def text(value: str) -> str:
    """``value`` as FHIR text: without control characters and outer white space; what is then empty is shown as (empty)."""
    if value.isascii() and value.isprintable():  # Most texts, which hold nothing of either kind.
        return value.strip() or "(empty)"
    plain = _ODD_SPACE.sub(" ", _NOT_TEXT.sub("\N{REPLACEMENT CHARACTER}", value))
    return plain.strip() or "(empty)"


def number(value: float) -> int | float:
    """``value``, where it is whole without a decimal point, so that 2 hours are not written as 2.0."""
    return int(value) if float(value).is_integer() else value


def instant(moment: datetime) -> str:
    """``moment`` (with a time zone) as a FHIR dateTime in UTC."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def coding(system: str, code: str, display: str | None = None) -> Element:
    """A Coding of ``code`` in the code system ``system`` (a URI), shown as ``display``."""
    return present(system=system, code=code, display=display)


def concept(words: str, *codings: Element) -> Element:
    """A CodeableConcept: its ``words``, and ``codings`` if there are any."""
    return present(coding=list(codings), text=text(words))


def hours(value: float) -> Element:
    """``value``, a number of hours, as a Duration."""
    return {"value": number(value), "unit": "h", "system": UCUM, "code": "h"}


def days(value: float) -> Element:
    """``value``, a number of days, as a Duration."""
    return {"value": number(value), "unit": "d", "system": UCUM, "code": "d"}


def extension(url: str, value: Mapping[str, Any]) -> Element:
    """An Extension defined at ``url``; ``value`` is its one ``value[x]``."""
    return {"url": url, **value}


def rule_extensions(url: str, rules: Iterable[str]) -> list[Element]:
    """One extension defined at ``url`` for each of ``rules`` (ids)."""
    return [extension(url, {"valueCode": rule}) for rule in rules]
