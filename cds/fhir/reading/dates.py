"""Moments and ages from FHIR dates, which may be as coarse as a year and are never made finer than they were written."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, timezone, tzinfo

from cds.fhir.leap_second import without_leap_second

_DATE = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?")
_TIMED = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(?::\d{2}(?:\.\d{1,9})?)?(?:Z|[+-]\d{2}:\d{2})")
_FROM_YEAR, _BEFORE_YEAR = 1850, 9999
"""Nothing about a living patient is older, and arithmetic on the calendar's first and last days overflows."""


class DateError(ValueError):
    """A FHIR date or dateTime cannot be used; the message says why."""


@dataclass(frozen=True)
class DateRange:
    """All days that a FHIR date may mean: the day itself, or those of a month or a year."""

    first: date
    last: date


def date_range(text: object) -> DateRange:
    """The days that the FHIR ``date`` ``text`` may mean. Raises DateError where it is none."""
    match = _DATE.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        raise DateError("not a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD)")
    year, month, day = (int(part) if part else None for part in match.groups())
    assert year is not None
    if not _FROM_YEAR <= year < _BEFORE_YEAR:
        raise DateError(f"the year {year} is implausible")
    try:
        first = date(year, month or 1, day or 1)
    except ValueError as error:
        raise DateError("no such day in the calendar") from error
    if day:
        return DateRange(first, first)
    following = date(year + 1, 1, 1) if month in (None, 12) else date(year, (month or 0) + 1, 1)
    return DateRange(first, following - timedelta(days=1))


def moment(text: object, zone: tzinfo | None) -> datetime:
    """The moment of a FHIR ``dateTime`` or ``instant``, with its time zone; a bare date is its first moment in ``zone``.

    Raises DateError where ``text`` is neither, or gives a time of day without a time zone.
    """
    if isinstance(text, str) and _TIMED.fullmatch(text):
        try:
            found = datetime.fromisoformat(without_leap_second(text))
        except ValueError as error:
            date_range(text[:10])
            raise DateError("no such time of day or time zone") from error
        if not _FROM_YEAR <= found.year < _BEFORE_YEAR:
            raise DateError(f"the year {found.year} is implausible")
        return found
    if isinstance(text, str) and "T" in text:
        raise DateError("not a FHIR dateTime, which gives a time of day with seconds and a time zone")
    return datetime.combine(date_range(text).first, time.min, zone)


def by_the_clock(at: datetime, zone: tzinfo | None) -> datetime:
    """The moment ``at`` (with time zone) as the clock in ``zone`` shows it (None: the clock of this machine).

    A record that is read at it takes its bare dates for days of that clock: a day that has begun there is not in the future. The
    distance from UTC is that of ``at``, so that moments before the clock was put forward or back can be subtracted.
    """
    local = at.astimezone(zone)
    distance = local.utcoffset()
    assert distance is not None
    return local.replace(tzinfo=timezone(distance))


def is_day(text: object) -> bool:
    """Whether the FHIR dateTime ``text`` is a day without a time."""
    return isinstance(text, str) and len(text) == len("2026-01-31")


def ends_before_it_starts(period: object, zone: tzinfo | None) -> bool:
    """Whether the FHIR Period ``period`` has an end that lies before its start, whatever moment each may mean.

    Bare dates are those of ``zone``. What cannot be read says nothing.
    """
    start, end = (period.get(key) if isinstance(period, dict) else None for key in ("start", "end"))
    try:
        begun, ended = moment(start, zone), moment(end, zone)
        if isinstance(end, str) and "T" not in end:
            last = date_range(end).last
            return begun.astimezone(zone).date() > last
    except DateError:
        return False
    return begun > ended


def age_in_years(birth: date, on: date) -> float:
    """Completed years from ``birth`` to ``on``, and the part of the running year as a fraction (0 on the birthday).

    Somebody born on 29 February completes a year on 1 March where there is no such day. Negative before birth.
    """
    years = on.year - birth.year
    if _birthday(birth, on.year) > on:
        years -= 1
    last, following = _birthday(birth, birth.year + years), _birthday(birth, birth.year + years + 1)
    return years + (on - last).days / (following - last).days


def _birthday(birth: date, year: int) -> date:
    try:
        return birth.replace(year=year)
    except ValueError:
        return date(year, 3, 1)
