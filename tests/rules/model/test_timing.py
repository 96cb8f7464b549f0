"""Timings: which of several is the strictest, and their words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from rules.model.timing import Timing, once_all, strictest

TRIGGERS = {"move": "at each move", "theatre": "before theatre"}
TIMINGS = st.one_of(
    st.builds(Timing, every_hours=st.sampled_from([1, 2, 4, 8, 12]), for_days=st.sampled_from([None, 2, 5])),
    st.builds(Timing, times_per_day=st.integers(1, 6), within_hours=st.sampled_from([None, 0, 1, 24])),
    st.builds(
        Timing, within_hours=st.sampled_from([None, 0, 2]), on=st.sampled_from([(), ("move",), ("theatre", "move")])
    ),
)


@given(st.lists(TIMINGS, min_size=1, max_size=5))
def test_the_strictest_satisfies_each_of_them(timings):
    merged = strictest(timings)
    assert timings
    for timing in timings:
        if timing.interval_hours is not None:
            assert merged.interval_hours <= timing.interval_hours
            assert merged.for_days is None or (timing.for_days is not None and merged.for_days >= timing.for_days)
        if timing.within_hours is not None:
            assert merged.within_hours <= timing.within_hours
        assert set(timing.on) <= set(merged.on)


@given(st.lists(TIMINGS, min_size=1, max_size=5))
def test_it_does_not_depend_on_the_order_but_for_the_order_of_events(timings):
    merged, reverse = strictest(timings), strictest(reversed(timings))
    assert merged.interval_hours == reverse.interval_hours
    assert merged.within_hours == reverse.within_hours
    assert set(merged.on) == set(reverse.on)


@pytest.mark.parametrize(
    ("timing", "words"),
    [
        (Timing(), "once"),
        (Timing(within_hours=0), "now"),
        (Timing(within_hours=0.5), "within 30 minutes"),
        (Timing(every_hours=1), "every hour"),
        (Timing(every_hours=4, within_hours=1), "every 4 hours, first within 1 hour"),
        (Timing(times_per_day=2, for_days=3), "twice a day, for 3 days"),
        (Timing(on=("move", "theatre")), "at each move, before theatre"),
    ],
)
def test_words(timing, words):
    assert timing.describe(TRIGGERS) == words


@pytest.mark.parametrize(
    ("timing", "words"),
    [
        (Timing(), ""),
        (Timing(within_hours=0, on=("move",)), "now"),
        (Timing(within_hours=4), "within 4 hours"),
        (Timing(every_hours=8, within_hours=2), "first within 2 hours"),
        (Timing(every_hours=8, on=("move",)), "every 8 hours"),
        (Timing(times_per_day=2), "twice a day"),
        (Timing(on=("theatre", "move")), "before theatre"),
    ],
)
def test_words_for_when_it_begins(timing, words):
    assert timing.first(TRIGGERS) == words


WAITS = {**TRIGGERS, "decided": "once somebody decides", "safe": "once all is safe", "known": "once it is known"}


@pytest.mark.parametrize(
    ("timing", "words"),
    [
        (Timing(on=("move", "decided")), "once somebody decides"),
        (Timing(on=("safe", "decided")), "once somebody decides and all is safe"),
        (Timing(on=("known", "safe", "decided")), "once somebody decides, all is safe, and it is known"),
        (Timing(within_hours=1, on=("decided",)), "once somebody decides, within 1 hour"),
        (Timing(within_hours=0, on=("decided",)), "once somebody decides, at once"),
        (Timing(every_hours=8, on=("decided",)), "once somebody decides, every 8 hours"),
    ],
)
def test_all_that_a_task_waits_for_is_said_in_the_order_of_the_knowledge(timing, words):
    assert timing.first(WAITS) == words


def test_what_is_waited_for_twice_is_said_once():
    assert once_all(["once a", "once b", "once a"]) == "once a and b"
    assert once_all([]) == ""


@pytest.mark.parametrize("wrong", [{"every_hours": 0}, {"times_per_day": -1}, {"every_hours": 2, "times_per_day": 2}])
def test_an_impossible_timing_is_refused(wrong):
    with pytest.raises(ValidationError):
        Timing(**wrong)


@pytest.mark.parametrize(
    ("timing", "worn", "left", "words"),
    [
        (Timing(within_wear_hours=4), None, 4, "within 4 hours"),
        (Timing(within_wear_hours=4), 3.5, 0.5, "within 30 minutes (by 4 hours of wear)"),
        (Timing(within_wear_hours=4), 9, 0, "now"),
        (Timing(within_wear_hours=4, within_hours=1), 2, 1, "within 1 hour"),
        (Timing(within_wear_hours=4, within_hours=3), 2, 2, "within 2 hours (by 4 hours of wear)"),
        (Timing(within_hours=3), 2, 3, "within 3 hours"),
        (Timing(within_wear_hours=24), 5.5, 18.5, "within 18 hours (by 24 hours of wear)"),
        (
            Timing(within_wear_hours=24, every_hours=24),
            1.5,
            22.5,
            "every 24 hours, first within 22 hours (by 24 hours of wear)",
        ),
        (Timing(within_wear_hours=4), 3.995, 4 - 3.995, "now"),
    ],
)
def test_a_deadline_of_wear_says_what_is_left(timing, worn, left, words):
    counted = timing.counted_from_now(worn)
    assert counted.within_hours == left
    assert counted.describe({}) == words


def test_a_deadline_of_wear_reads_as_such_where_no_patient_is_known():
    assert Timing(every_hours=24, within_wear_hours=4).describe({}) == "every 24 hours, first within 4 hours of wear"


def test_of_two_deadlines_of_wear_the_earlier_holds():
    assert strictest([Timing(within_wear_hours=4), Timing(within_wear_hours=24)]).within_wear_hours == 4
