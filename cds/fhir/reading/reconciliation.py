"""What was found for each fact, and the choice between several: the newest usable value, or none where they contradict."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.rejection import RejectionReason
from rules.model.decision import NotUsed
from rules.model.durations import duration_words
from rules.model.facts import FactDefinition, FactValue, RecordedFact
from rules.model.ruleset import Ruleset

_MAY_STILL_HOLD = ("no time", "future", "unit", "code", "malformed", "modifier")
"""Kinds of reasons to refuse what may be so for all that; what is of old, taken back or another patient's is not among them."""
_SCORE_MAY_HOLD = ("implausible", "incomplete")
"""Kinds of reasons to refuse a score that may be low for all that: 2T of a coma score, or two of its three parts."""
_NEVER = datetime(1, 1, 2, tzinfo=UTC)
"""Sorts a record without a time below all others."""


class Accepted(NamedTuple):
    """A usable value of a fact. Higher ``standing`` goes before newer: a birth date stands above an age once noted.

    ``ages`` is False where the record says what is so now, however long ago it was written (a birth date, a collar whose
    use goes on). ``latest`` is the last moment of which it may speak, where that is later than ``recorded`` (a danger of a
    period that goes on, of a day without a time, of an active diagnosis without a date): it is as old as that. Of what
    ``may_hold_on`` a person has to look whether it still does, where it is stale. ``reference`` is None where the record has no
    id, and ``label`` names it in messages in any case.
    """

    fact: str
    value: FactValue
    written: str
    label: str
    reference: str | None
    recorded: datetime | None
    standing: int = 0
    ages: bool = True
    latest: datetime | None = None
    may_hold_on: bool = False

    @property
    def speaks_of(self) -> datetime | None:
        """The last moment of which it may speak: it is as old as that."""
        return self.latest or self.recorded


class Rejected(NamedTuple):
    """Something that was seen and cannot be used, and exactly why.

    ``says`` is what it would say of its fact, where that can be told.
    """

    fact: str | None
    value: str
    why: RejectionReason
    label: str
    recorded: datetime | None = None
    says: FactValue | None = None


def may_still_hold(why: RejectionReason) -> bool:
    """Whether what is refused for ``why`` may be so for all that."""
    return why.unsettled or why.kind in _MAY_STILL_HOLD


def unmodified(record: Record, findings: Iterable[Accepted | Rejected]) -> Iterator[Accepted | Rejected]:
    """``findings`` of ``record``, all refused where an element is present that may change the meaning of the whole."""
    if record.modifier is None:
        return iter(findings)
    why = RejectionReason("modifier", f"the resource carries {record.modifier}, which may change its meaning")
    return all_refused(why, findings)


def all_refused(why: RejectionReason, findings: Iterable[Accepted | Rejected]) -> Iterator[Rejected]:
    """``findings``, those that could be used refused for ``why``."""
    for finding in findings:
        if isinstance(finding, Accepted):
            yield _refuse(finding, why)
        else:
            yield finding


@dataclass(frozen=True)
class Choice:
    """The facts that are used, one value each, and everything refused."""

    facts: tuple[RecordedFact, ...]
    not_used: tuple[NotUsed, ...]


def choose(findings: Iterable[Accepted | Rejected], ruleset: Ruleset, code_map: CodeMap, at: datetime) -> Choice:
    """One value for each fact of ``ruleset`` out of ``findings`` at the moment ``at``.

    The newest value that is not stale is used, and older ones are left unmentioned. Where all are too old, or the
    others stand below it, the newest is used if it is an answer that lasts (a fixed head, a failed swallow screen). Of
    values of the same moment that contradict each other none is used, nor anything older, and the fact is unknown: a
    guess between them, or a return to what was true before, would look certain and be neither. Facts under ``safer`` of
    ``code_map`` are the exception: the dangerous answer is used. What answers for an earlier injury than the newest on
    record is refused. Everything refused is listed, and where an older value stands in, that is said.
    """
    refused: list[Rejected] = []
    by_fact: dict[str, list[Accepted]] = defaultdict(list)
    for finding in findings:
        if isinstance(finding, Rejected):
            refused.append(finding)
        else:
            by_fact[finding.fact].append(finding)
    chooser = _Chooser(ruleset, code_map, at)
    # When the injury was is told first: what others say may be of an earlier one.
    hours = code_map.episode.hours
    counted = chooser.one(by_fact[hours]) if hours in by_fact else None
    injury = chooser.injury(by_fact, counted)
    counted = chooser.of_an_injury_noted_since(counted, injury)
    used: dict[str, Accepted] = {}
    for name in [name for name in ruleset.vocabulary if name in by_fact]:
        one = counted if name == hours else chooser.one(chooser.of_this_injury(name, by_fact[name], injury))
        if one is not None:
            used[name] = one
    every = [*refused, *chooser.refused]
    return Choice(
        facts=tuple(_recorded(found) for found in used.values()),
        not_used=tuple(chooser.listed(item, used.get(item.fact or "")) for item in every),
    )


class _Injury(NamedTuple):
    """An injury that ``began`` then, or as far before as ``noted_late``; ``first`` is the moment of the first on record."""

    began: datetime
    noted_late: timedelta
    first: datetime | None

    def is_newer_than(self, recorded: datetime | None) -> bool:
        """Whether what was ``recorded`` then may be about an earlier injury.

        An injury is often noted when the CT is done. Whatever had an injury of its own before it is about that one.
        """
        if recorded is None:
            return True
        another = self.first is not None and self.first <= recorded
        return recorded < self.began and (another or recorded < self.began - self.noted_late)

    def refusal(self, recorded: datetime | None) -> RejectionReason:
        """Why what was ``recorded`` then counts no longer."""
        text = (
            f"no time is recorded, so it may be about an earlier injury than that of {self.began:%Y-%m-%d %H:%M}"
            if recorded is None
            else f"before the injury of {self.began:%Y-%m-%d %H:%M}: it says nothing about that one"
        )
        return RejectionReason("before injury", text)


class _Chooser:
    def __init__(self, ruleset: Ruleset, code_map: CodeMap, at: datetime) -> None:
        self.ruleset = ruleset
        self.code_map = code_map
        self.at = at
        self.refused: list[Rejected] = []

    def of_this_injury(self, fact: str, founds: list[Accepted], injury: _Injury | None) -> list[Accepted]:
        """``founds`` (of ``fact``) without those that answer for an earlier injury than ``injury``, the newest on record."""
        episode = self.code_map.episode
        if injury is None or fact not in episode.answers:
            return founds
        of_earlier: list[Accepted] = []
        kept: list[Accepted] = []
        for found in founds:
            earlier = episode.binds(fact, found.value) and injury.is_newer_than(found.recorded)
            (of_earlier if earlier else kept).append(found)
        newest = max((found.recorded or _NEVER for found in kept), default=_NEVER)
        for found in of_earlier:
            if kept and (found.recorded or _NEVER) <= newest:
                continue  # A newer value stands, and older ones are left unmentioned.
            self.refused.append(_refuse(found, injury.refusal(found.recorded)))
        return kept

    def of_an_injury_noted_since(self, counted: Accepted | None, injury: _Injury | None) -> Accepted | None:
        """The hours ``counted`` since an injury, unless ``injury``, the newest on record, was noted a good while after them."""
        if counted is None or injury is None or counted.recorded is None:
            return counted
        if counted.recorded >= injury.began - injury.noted_late:
            return counted
        self.refused.append(_refuse(counted, injury.refusal(counted.recorded)))
        return None

    def injury(self, by_fact: Mapping[str, list[Accepted]], counted: Accepted | None) -> _Injury | None:
        """The newest injury on record, by what is dated and by the hours ``counted`` since it; None where neither is there."""
        episode = self.code_map.episode
        dated = sorted(
            found.recorded
            for fact in episode.injuries
            for found in self._within(
                by_fact.get(fact, ()), self.ruleset.looked_back_hours(self.ruleset.vocabulary[fact])
            )
            if found.recorded is not None and episode.is_injury(fact, found.value)
        )
        gap = timedelta(hours=episode.gap_hours)
        began = None
        for earlier, noted in zip([None, *dated], dated, strict=False):
            if earlier is None or noted - earlier > gap:
                began = noted
        if counted is None or counted.recorded is None or (began is not None and counted.recorded < began):
            return None if began is None else _Injury(began, gap, dated[0])
        # Hours are noted as whole ones.
        return _Injury(self.at - timedelta(hours=float(counted.value) + 1), timedelta(0), dated[0] if dated else None)

    def one(self, founds: list[Accepted]) -> Accepted | None:
        """The value to use of ``founds`` (of one fact), or None."""
        if not founds:
            return None
        if len(founds) > 1:
            founds.sort(
                key=lambda found: (-found.standing, -(found.recorded or _NEVER).timestamp(), found.label, found.written)
            )
        fact = self.ruleset.vocabulary[founds[0].fact]
        fresh = self._within(founds, self.ruleset.stale_after_hours(fact))
        older = [] if fact.lasting is None else self._within(founds, self.ruleset.looked_back_hours(fact))
        if fact.lasting is not None and older and (not fresh or older[0].standing > fresh[0].standing):
            one = self._newest(older)
            if (one is None and not fresh) or (one is not None and one.value in fact.lasting.answers):
                self._list_overruled(older)
                return one
        if fresh:
            self._list_overruled(fresh)
            self._list_undated(fact, founds, fresh[0])
            return self._newest(fresh)
        newest, others = founds[0], len(founds) - 1
        more = f"; {others} older value{'s' if others > 1 else ''} not listed" if others else ""
        limit = self.ruleset.usable_for_hours(fact, newest.value)
        assert limit is not None  # what does not age is never too old
        why = self._too_old(newest, limit, more)
        look_up = newest.may_hold_on or self._is_danger_of_late(fact, newest)
        self.refused.append(_refuse(newest, why._replace(look_up=look_up)))
        return None

    def _newest(self, usable: Sequence[Accepted]) -> Accepted | None:
        """The first of ``usable``, which is sorted, unless another of its moment contradicts it."""
        first = usable[0]
        rivals = [first, *(f for f in usable[1:] if (f.standing, f.recorded) == (first.standing, first.recorded))]
        return first if all(self._same(first, rival) for rival in rivals[1:]) else self._contradictory(rivals)

    def _list_overruled(self, usable: Sequence[Accepted]) -> None:
        """List each finding of ``usable``, which is sorted, that is newer than the one used and denies it, yet stands below."""
        first = usable[0]
        for found in usable[1:] if isinstance(first.value, bool) else ():
            newer = (found.recorded or _NEVER) > (first.recorded or _NEVER)
            if found.standing < first.standing and newer and not self._same(first, found):
                text = (
                    f"newer than {first.written} ({first.label}), which stands above it and is used: have one corrected"
                )
                self.refused.append(_refuse(found, RejectionReason("contradiction", text)))

    def _list_undated(self, fact: FactDefinition, founds: Sequence[Accepted], used: Accepted) -> None:
        """List the graver of ``founds`` that have no time: nobody can say that the value ``used`` is newer."""
        gravity = self.code_map.gravity
        for found in founds:
            if found.ages and found.speaks_of is None and gravity(fact, found.value) > gravity(fact, used.value):
                self.refused.append(
                    _refuse(found, RejectionReason("no time", "no time is recorded, so it may be newer"))
                )

    def _within(self, founds: Sequence[Accepted], limit: float | None) -> list[Accepted]:
        return [found for found in founds if not self._stale(found, limit)]

    def _stale(self, found: Accepted, limit: float | None) -> bool:
        if limit is None or not found.ages:
            return False
        spoken = found.speaks_of
        return spoken is None or (self.at - spoken).total_seconds() > limit * 3600

    def _is_danger_of_late(self, fact: FactDefinition, found: Accepted) -> bool:
        """Whether ``found``, the newest of ``fact`` and stale, is a danger of which nobody says that it is over."""
        if found.speaks_of is None or not self.code_map.gravity(fact, found.value):
            return False
        return (self.at - found.speaks_of).total_seconds() <= self.code_map.stale_danger_hours * 3600

    def _too_old(self, found: Accepted, limit: float, more: str) -> RejectionReason:
        if found.speaks_of is None:
            return RejectionReason(
                "no time", f"no time is recorded, so it may be older than the limit of {duration_words(limit)}{more}"
            )
        return stale((self.at - found.speaks_of).total_seconds() / 3600, limit, more)

    def _same(self, one: Accepted, other: Accepted) -> bool:
        a, b = one.value, other.value
        if isinstance(a, (bool, str)) or isinstance(b, (bool, str)):
            return a == b
        return abs(a - b) <= max(abs(a), abs(b)) * self.code_map.same_within_percent / 100

    def _contradictory(self, rivals: list[Accepted]) -> Accepted | None:
        safe = self.code_map.safer.get(rivals[0].fact)
        taken = next((found for found in rivals if safe is not None and found.value == safe), None)
        opposites = self._opposites(rivals)
        for found in rivals:
            if taken is None:
                against = next((other for other in opposites if not self._same(found, other)), rivals[0])
                text = f"contradicts {against.written} ({against.label}) of the same moment; none is used"
                self.refused.append(_refuse(found, RejectionReason("contradiction", text)))
            elif found.value != taken.value:
                text = f"contradicts {taken.written} ({taken.label}) of the same moment, which is safer to assume"
                self.refused.append(_refuse(found, RejectionReason("contradiction", text)))
        return taken

    def listed(self, refused: Rejected, used: Accepted | None) -> NotUsed:
        """``refused`` with its reason, beside what is ``used`` for its fact; what may be a danger is to be looked up."""
        why = refused.why
        reason = why.text
        older = used if used and used.recorded and refused.recorded and used.recorded < refused.recorded else None
        if older is not None and f"({older.label})" not in reason:
            reason += f"; the older value {older.written} ({older.label}) is used instead"
        look_up = self._look_up(refused, used)
        return NotUsed(
            fact=refused.fact,
            value=refused.value,
            kind=why.kind,
            reason=reason,
            reference=refused.label,
            look_up=look_up,
            may_be=why.may_be if look_up else None,
        )

    def _look_up(self, refused: Rejected, used: Accepted | None) -> str | None:
        """What a person has to look up of ``refused``, in a few words, or None."""
        if refused.why.kind == "unread":
            return refused.value
        if refused.why.look_up and (used is None or not (used.value is True or _is_later(used, refused))):
            return self._dated(refused) if self._names_its_fact_only(refused) else refused.value
        if refused.why.kind == "before injury" and used is None and refused.fact is not None:
            return f"{self.ruleset.vocabulary[refused.fact].label}: {refused.value} ({refused.why.text})"
        return self._danger(refused, used)

    def _names_its_fact_only(self, refused: Rejected) -> bool:
        """Whether what ``refused`` says is nothing without the name of its fact: a yes, a score, a grade."""
        fact = self.ruleset.vocabulary.get(refused.fact or "")
        grave = fact is not None and refused.says is not None and self.code_map.gravity(fact, refused.says) > 0
        return refused.value == "true" or grave or (fact is not None and fact.numeric)

    def _dated(self, refused: Rejected) -> str:
        """What ``refused`` said, and when: the same words from one hour to the next."""
        label = self.ruleset.vocabulary[refused.fact].label if refused.fact else ""
        return f"{label}: {refused.value}" + (f", {refused.recorded:%Y-%m-%d %H:%M}" if refused.recorded else "")

    def _danger(self, refused: Rejected, used: Accepted | None) -> str | None:
        """In a few words the danger that ``refused`` may be; None where it is none, is denied since, or is used already."""
        fact = self.ruleset.vocabulary.get(refused.fact or "")
        if fact is None or not self.code_map.may_be_grave(fact) or not self._may_hold(refused, used):
            return None
        gravity = self._gravity(refused, fact)
        if not gravity or (used is not None and self.code_map.gravity(fact, used.value) >= gravity):
            return None
        if used is not None and _is_later(used, refused):
            return None
        return f"{fact.label}: {refused.value} ({refused.why.text})"

    def _may_hold(self, refused: Rejected, used: Accepted | None) -> bool:
        """Whether ``refused`` may be so for all that."""
        if may_still_hold(refused.why):
            return True
        undecided = refused.why.kind == "contradiction" and used is None and refused.fact not in self.code_map.safer
        return undecided or (refused.why.kind in _SCORE_MAY_HOLD and refused.fact in self.code_map.grave_at_most)

    def _gravity(self, refused: Rejected, fact: FactDefinition) -> float:
        """How grave ``refused`` is at the most: what cannot be read may be the worst."""
        if refused.says is not None:
            return self.code_map.gravity(fact, refused.says)
        if fact.numeric:
            return math.inf
        every: Sequence[FactValue] = (True, False) if fact.type == "boolean" else fact.values
        gravity = {str(value).lower(): self.code_map.gravity(fact, value) for value in every}
        return gravity.get(refused.value.strip('"').lower(), max(gravity.values()))

    def _opposites(self, rivals: list[Accepted]) -> list[Accepted]:
        """A few of ``rivals`` among which each finds one that contradicts it: comparing all with all would take too long."""
        first = rivals[0]
        other = next(found for found in rivals if not self._same(first, found))
        if isinstance(first.value, (bool, str)):
            return [first, other]
        low, high = (ends(rivals, key=lambda found: found.value) for ends in (min, max))
        return [first, other, low, high]


def _is_later(used: Accepted, refused: Rejected) -> bool:
    """Whether ``used`` was recorded after ``refused``; of what has no time nobody can say so, but for what is so now."""
    if used.recorded is None:
        return True
    return refused.recorded is not None and used.recorded >= refused.recorded


def stale(hours: float, limit: float, more: str = "") -> RejectionReason:
    """That a value is ``hours`` old and may be no older than ``limit`` hours; ``more`` ends the sentence."""
    age, most = duration_words(hours), duration_words(limit)
    over = "over " if age == most else ""
    return RejectionReason("stale", f"stale: {over}{age} old, and the limit is {most}{more}")


def _refuse(found: Accepted, why: RejectionReason) -> Rejected:
    return Rejected(found.fact, found.written, why, found.label, found.recorded, found.value)


def _recorded(found: Accepted) -> RecordedFact:
    return RecordedFact(
        name=found.fact,
        value=found.value,
        reference=found.reference,
        recorded=found.recorded,
        original=found.written,
    )
