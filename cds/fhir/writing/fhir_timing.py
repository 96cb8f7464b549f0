"""When a task is due, as FHIR Timing: what the standard can say as ``repeat``, the rest as extensions, all of it in words.

The standard has no events such as a refitting, and no deadline for the first of several times. Both are extensions.
``code.text`` is a complete statement of the schedule, as the standard asks of ``code``.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.datatypes import Element, days, extension, hours, instant, number, present, text
from rules.model.timing import Timing

FIRST_WITHIN = "first-within"
DUE_ON = "due-on"
CARE_EVENTS = "care-events"

_MOST_KEPT = 1024
"""Timings that are kept as they are written; rules have far fewer."""


def fhir_timing(timing: Timing, words: str, at: datetime | None, canonicals: Canonicals) -> Element:
    """``timing`` with its ``words``, as a Timing, counted from the moment ``at``.

    In a definition, which has no patient yet, ``at`` is None. Extensions are defined under ``canonicals``.
    """
    always = _at_any_moment(timing, words, canonicals)
    bounds = _bounds(timing, at)
    return present(**{**always, "repeat": {**bounds, **always["repeat"]}}) if bounds else present(**always)


@lru_cache(_MOST_KEPT)
def _at_any_moment(timing: Timing, words: str, canonicals: Canonicals) -> Element:
    """All but the bounds, also what is empty. Shared: never to be changed."""
    return {"extension": _extensions(timing, canonicals), "repeat": _rhythm(timing), "code": {"text": text(words)}}


def _rhythm(timing: Timing) -> Element:
    if timing.every_hours is not None:
        return {"frequency": 1, "period": number(timing.every_hours), "periodUnit": "h"}
    if timing.times_per_day is not None:
        return {"frequency": timing.times_per_day, "period": 1, "periodUnit": "d"}
    # Due at events: how often is not known beforehand.
    return {} if timing.on else {"count": 1}


def _bounds(timing: Timing, at: datetime | None) -> Element:
    if timing.for_days is not None:
        return {"boundsDuration": days(timing.for_days)}
    if timing.within_hours is None or timing.interval_hours is not None or timing.on:
        return {}
    if at is None:
        return {"boundsDuration": hours(timing.within_hours)}
    end = at + timedelta(hours=timing.within_hours)
    return {"boundsPeriod": {"start": instant(at), "end": instant(end)}}


def _extensions(timing: Timing, canonicals: Canonicals) -> list[Element]:
    found = []
    if timing.within_hours is not None:
        found.append(extension(canonicals.extension(FIRST_WITHIN), {"valueDuration": hours(timing.within_hours)}))
    for event in timing.on:
        found.append(extension(canonicals.extension(DUE_ON), {"valueCode": code(event)}))
    return found
