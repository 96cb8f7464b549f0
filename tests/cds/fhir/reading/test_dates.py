"""Dates of FHIR R4: ``date``, ``dateTime`` and ``instant`` as https://hl7.org/fhir/R4/datatypes.html writes them."""

from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from cds.fhir.reading.dates import DateError, DateRange, age_in_years, by_the_clock, date_range, is_day, moment

NO_DATE = "not a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD)"
NO_TIME = "not a FHIR dateTime, which gives a time of day with seconds and a time zone"
EAST = timezone(timedelta(hours=2))


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2024-02-29", date(2024, 2, 29), date(2024, 2, 29)),
        ("2024-02", date(2024, 2, 1), date(2024, 2, 29)),
        ("2023-02", date(2023, 2, 1), date(2023, 2, 28)),
        ("2023-01", date(2023, 1, 1), date(2023, 1, 31)),
        ("2023-11", date(2023, 11, 1), date(2023, 11, 30)),
        ("2023-12", date(2023, 12, 1), date(2023, 12, 31)),
        ("2023", date(2023, 1, 1), date(2023, 12, 31)),
        ("1850", date(1850, 1, 1), date(1850, 12, 31)),
        ("9998", date(9998, 1, 1), date(9998, 12, 31)),
    ],
)
def test_the_days_that_a_date_may_mean(text: str, first: date, last: date) -> None:
    assert date_range(text) == DateRange(first, last)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("1849", "the year 1849 is implausible"),
        ("1849-12-31", "the year 1849 is implausible"),
        ("9999", "the year 9999 is implausible"),
        ("9999-01-01", "the year 9999 is implausible"),
        ("2023-02-29", "no such day in the calendar"),
        ("2023-13", "no such day in the calendar"),
        ("2023-1", NO_DATE),
        ("31.01.2023", NO_DATE),
        ("2023-01-31 ", NO_DATE),
        ("", NO_DATE),
        (None, NO_DATE),
        (2023, NO_DATE),
        (["2023"], NO_DATE),
    ],
)
def test_what_is_no_date_says_why(text: Any, problem: str) -> None:
    with pytest.raises(DateError) as error:
        date_range(text)
    assert str(error.value) == problem


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-01-31T09:00:00Z", datetime(2026, 1, 31, 9, tzinfo=UTC)),
        ("2026-01-31T09:00Z", datetime(2026, 1, 31, 9, tzinfo=UTC)),
        ("2026-01-31T09:00:30.250Z", datetime(2026, 1, 31, 9, 0, 30, 250_000, tzinfo=UTC)),
        ("2016-12-31T23:59:60Z", datetime(2016, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)),
        ("2016-12-31T23:59:60.5Z", datetime(2016, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)),
        ("2026-01-31T09:00:00-05:00", datetime(2026, 1, 31, 14, tzinfo=UTC)),
        ("1850-01-01T00:00:00Z", datetime(1850, 1, 1, tzinfo=UTC)),
        ("9998-12-31T23:59:59Z", datetime(9998, 12, 31, 23, 59, 59, tzinfo=UTC)),
        # A date alone is its first moment where the reading takes place.
        ("2026-01-31", datetime(2026, 1, 31, tzinfo=EAST)),
        ("2026-03", datetime(2026, 3, 1, tzinfo=EAST)),
        ("2026", datetime(2026, 1, 1, tzinfo=EAST)),
    ],
)
def test_the_moment_of_a_date_time(text: str, expected: datetime) -> None:
    found = moment(text, EAST)
    assert (found, found.utcoffset() is None) == (expected, False)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("1849-12-31T23:59:59Z", "the year 1849 is implausible"),
        ("9999-01-01T00:00:00Z", "the year 9999 is implausible"),
        ("2026-02-30T09:00:00Z", "no such day in the calendar"),
        ("2026-01-31T25:00:00Z", "no such time of day or time zone"),
        ("2026-01-31T09:61:00Z", "no such time of day or time zone"),
        ("2026-01-31T09:00:61Z", "no such time of day or time zone"),
        ("2026-01-31T09:00:00+24:00", "no such time of day or time zone"),
        ("2026-01-31T09:00:00", NO_TIME),
        ("2026-01-31T09Z", NO_TIME),
        ("T", NO_TIME),
        ("2026-01-31 09:00:00Z", NO_DATE),
        ("yesterday", NO_DATE),
        (None, NO_DATE),
        (20260131, NO_DATE),
        (["T"], NO_DATE),
    ],
)
def test_what_is_no_moment_says_why(text: Any, problem: str) -> None:
    with pytest.raises(DateError) as error:
        moment(text, UTC)
    assert str(error.value) == problem


@pytest.mark.parametrize(
    ("text", "day"),
    [("2026-01-31", True), ("2026-01", False), ("2026", False), ("2026-01-31T09:00:00Z", False), (["x"] * 10, False)],
)
def test_a_day_without_a_time_is_told(text: Any, day: bool) -> None:
    assert is_day(text) is day


@pytest.mark.parametrize(
    ("birth", "on", "years"),
    [
        (date(2000, 5, 5), date(2018, 5, 5), 18.0),
        (date(2000, 5, 5), date(2018, 5, 4), 17 + 364 / 365),
        (date(2000, 5, 5), date(2018, 5, 6), 18 + 1 / 365),
        (date(2000, 5, 5), date(2000, 5, 5), 0.0),
        (date(2000, 5, 5), date(2000, 5, 4), -1 + 365 / 366),
        # The day is there in a leap year alone; in others the year is complete on 1 March.
        (date(2004, 2, 29), date(2008, 2, 29), 4.0),
        (date(2004, 2, 29), date(2008, 2, 28), 3 + 364 / 365),
        (date(2004, 2, 29), date(2005, 3, 1), 1.0),
        (date(2004, 2, 29), date(2005, 2, 28), 365 / 366),
    ],
)
def test_an_age_is_completed_years_and_the_part_of_the_running_one(birth: date, on: date, years: float) -> None:
    assert age_in_years(birth, on) == years


def test_a_moment_by_the_clock_of_the_wards() -> None:
    at = datetime(2026, 3, 29, 12, tzinfo=UTC)
    shown = by_the_clock(at, ZoneInfo("Europe/Madrid"))
    assert shown.isoformat() == "2026-03-29T14:00:00+02:00"
    # The clock was put forward that night: what lies between two moments stays so many hours.
    assert shown - moment("2026-03-29T00:30:00+01:00", None) == timedelta(hours=12, minutes=30)
    assert moment("2026-03-30", by_the_clock(at, ZoneInfo("Pacific/Auckland")).tzinfo) <= at
    assert by_the_clock(at, None) == at
