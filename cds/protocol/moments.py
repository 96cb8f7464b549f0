"""Moments as clients send them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime


def _in_calendar(moment: datetime) -> datetime:
    try:
        moment.astimezone(UTC)
    except OverflowError as error:
        raise ValueError("in UTC this lies before the year 1 or after 9999; send the moment that is meant") from error
    return moment


Moment = Annotated[AwareDatetime, AfterValidator(_in_calendar)]
"""A time with its offset, which can be written in UTC too: the store keeps all moments so."""
