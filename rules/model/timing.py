"""When a task is due, as data: how often, from when, on which events, for how long; and which of two is stricter."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pydantic import BaseModel, ConfigDict, Field, model_validator

from rules.model.durations import deadline_words, duration_words

ONCE = "once "
"""How the words of an event begin that the task waits for; at any other event it is due as well."""

_A_MINUTE = 1 / 60
"""In hours: nobody has less than that for anything."""


class Timing(BaseModel):
    """How often and when. Repeating either every so many hours or so many times a day, or a single time.

    ``within_hours`` is the latest moment for the first (or only) time, counted from the decision; ``within_wear_hours`` the
    same counted from the moment when the collar was put on.
    ``on`` lists events (codes of the ruleset's ``triggers``) at which the task is due as well.
    ``for_days`` bounds a repeating task. Nothing set means: once, with no deadline.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    every_hours: float | None = Field(default=None, gt=0)
    times_per_day: int | None = Field(default=None, gt=0)
    within_hours: float | None = Field(default=None, ge=0)
    within_wear_hours: float | None = Field(default=None, ge=0)
    on: tuple[str, ...] = ()
    for_days: float | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _one_rhythm(self) -> Timing:
        if self.every_hours is not None and self.times_per_day is not None:
            raise ValueError("give every_hours or times_per_day, not both")
        return self

    @property
    def interval_hours(self) -> float | None:
        """Hours between two times, or None where the task does not repeat by the clock."""
        if self.every_hours is not None:
            return self.every_hours
        return None if self.times_per_day is None else 24 / self.times_per_day

    def counted_from_now(self, worn_hours: float | None) -> Timing:
        """The same with what is left of the deadline after ``worn_hours`` in the collar (None: not recorded, so all of it).

        ``within_wear_hours`` stays only where it is the nearer deadline and the hours are recorded.
        """
        if self.within_wear_hours is None:
            return self
        left = max(self.within_wear_hours - (worn_hours or 0), 0)
        if self.within_hours is not None and self.within_hours <= left:
            return self.model_copy(update={"within_wear_hours": None})
        of_wear = None if worn_hours is None else self.within_wear_hours
        return self.model_copy(update={"within_hours": left, "within_wear_hours": of_wear})

    def describe(self, triggers: Mapping[str, str]) -> str:
        """In words; ``triggers`` gives the words for each event."""
        parts = [part for part in (self._rhythm(), self._deadline()) if part]
        parts.extend(triggers[event] for event in self.on)
        if self.for_days is not None:
            parts.append(f"for {duration_words(self.for_days * 24)}")
        return ", ".join(parts) or "once"

    def first(self, triggers: Mapping[str, str]) -> str:
        """When the task begins: all that it waits for, in the order of ``triggers``, and its deadline or else its rhythm.

        Where it has none of these, its first event; nothing where it is done once.
        """
        waits = once_all(words for event, words in triggers.items() if event in self.on and words.startswith(ONCE))
        then = self._deadline() or self._rhythm()
        if waits:
            return f"{waits}, {'at once' if then == 'now' else then}" if then else waits
        return then or (triggers[self.on[0]] if self.on else "")

    def _rhythm(self) -> str:
        if self.every_hours is not None:
            return "every hour" if self.every_hours == 1 else f"every {duration_words(self.every_hours)}"
        words = {None: "", 1: "once a day", 2: "twice a day"}
        return words.get(self.times_per_day, f"{self.times_per_day} times a day")

    def _deadline(self) -> str:
        if self.within_hours is not None and self.within_hours < _A_MINUTE:
            return "now"
        first = "first " if self.interval_hours is not None else ""
        of_wear = f"{duration_words(self.within_wear_hours)} of wear" if self.within_wear_hours is not None else ""
        if self.within_hours is None:
            return f"{first}within {of_wear}" if of_wear else ""
        return f"{first}within {deadline_words(self.within_hours)}" + (f" (by {of_wear})" if of_wear else "")


def once_all(waits: Iterable[str]) -> str:
    """The ``waits``, words that begin with "once", as one: "once the clinician decides and the airway is judged safe"."""
    parts = list(dict.fromkeys(words.removeprefix(ONCE) for words in waits))
    if len(parts) > 1:
        parts = [", ".join(parts[:-1]) + (", and " if len(parts) > 2 else " and ") + parts[-1]]
    return "".join(f"{ONCE}{part}" for part in parts)


def strictest(timings: Iterable[Timing]) -> Timing:
    """One timing that satisfies all of ``timings``: shortest interval, earliest deadline, every event, longest span."""
    timings = list(timings)
    repeating = [timing for timing in timings if timing.interval_hours is not None]
    tightest = min(repeating, key=lambda timing: timing.interval_hours or 0, default=None)
    deadlines = [timing.within_hours for timing in timings if timing.within_hours is not None]
    of_wear = [timing.within_wear_hours for timing in timings if timing.within_wear_hours is not None]
    bounded = bool(repeating) and all(timing.for_days is not None for timing in repeating)
    return Timing(
        every_hours=None if tightest is None else tightest.every_hours,
        times_per_day=None if tightest is None else tightest.times_per_day,
        within_hours=min(deadlines, default=None),
        within_wear_hours=min(of_wear, default=None),
        on=tuple(dict.fromkeys(event for timing in timings for event in timing.on)),
        for_days=max((timing.for_days or 0 for timing in repeating), default=None) if bounded else None,
    )
