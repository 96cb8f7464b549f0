"""Moments as clients send them."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime, BeforeValidator

from cds.fhir.leap_second import without_leap_second

_WRITTEN = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d")


def _in_writing(value: object) -> object:
    """Numbers would be seconds or milliseconds since 1970, as they are large: nobody should have to guess."""
    if isinstance(value, datetime):
        return value
    if isinstance(value, str) and _WRITTEN.match(value):
        return without_leap_second(value)
    raise ValueError("expected a moment in ISO 8601 as a text, with its offset: 2026-01-31T10:05:00Z")


def _in_calendar(moment: datetime) -> datetime:
    try:
        moment.astimezone(UTC)
    except OverflowError as error:
        raise ValueError("in UTC this lies before the year 1 or after 9999; send the moment that is meant") from error
    return moment


Moment = Annotated[AwareDatetime, BeforeValidator(_in_writing), AfterValidator(_in_calendar)]
"""A time with its offset, which can be written in UTC too: the store keeps all moments so.

A leap second (``23:59:60Z``) is the last moment of its minute.
"""
