"""The second 60, which a FHIR instant or dateTime may be in (R4, Data Types) and the calendar of Python has not."""

from __future__ import annotations

import re

_WRITTEN = re.compile(r"(\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d):60(?:\.\d+)?(?=[Zz+-])")


def without_leap_second(text: str) -> str:
    """The moment ``text``, of a leap second the last moment of its minute."""
    return _WRITTEN.sub(r"\1:59.999999", text, count=1) if ":60" in text else text
