"""Judging the fit: what was found on the patient in, what to correct out; and why a sequence of checks comes to its end.

The rules (``knowledge/fit_check.yaml``) say what a finding comes from and what answers it. This module adds what only the
earlier checks can tell. Whatever stops the fitting, and whatever withholds a size, goes before every correction. A sequence
comes to its end because a size is seated again only so often, and because a step to another size narrows the sizes that are
left: what was left upwards bounds its axis from below, what was left downwards from above, and neither is ever offered again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Any, Literal

from pydantic import Field

from rules.deciding.decider import Decider
from rules.errors import FactError, InvalidFact
from rules.evaluation.hit_policy import read_size_class, size_class
from rules.model.decision import (
    Caution,
    Decision,
    FrozenModel,
    HoldNotice,
    NotRecorded,
    RulesetIdentity,
    SizeClass,
    Task,
    TraceEntry,
)
from rules.model.facts import FactDefinition
from rules.model.ruleset import Correction, CorrectiveAction, Rule, Ruleset, Step

Outcome = Literal["fits", "incomplete", "reseat", "change_size", "refer", "stop"]
SizeValues = Mapping[str, str]

SEATED_BEFORE = "refits_in_this_size"
WITHOUT_SUCCESS = "corrections_without_success"
NO_SIZE_LEFT = "no_size_left"
WORN_LINE = "worn_line"
FROM_HISTORY = (SEATED_BEFORE, WITHOUT_SUCCESS, NO_SIZE_LEFT, WORN_LINE)
"""Facts that are worked out here and cannot be given."""

WORN = "collar_in_place"
"""True at every check: only a collar that is on can be checked."""

CORRECTING = "refit_collar"
"""The task of correcting the fit: who does it, and how many."""


class FitAttempt(FrozenModel):
    """One check: the size class worn (as ``adult H3 G2``), the site's item where known, and what was found (name to yes/no)."""

    size: str
    item: str | None = None
    findings: dict[str, bool] = Field(default_factory=dict)


class StockedItem(FrozenModel):
    """An item that the site stocks: its name, and the size classes that it serves."""

    name: str
    sizes: tuple[str, ...] = Field(min_length=1)


class FitCheck(FitAttempt):
    """The check to be judged, with facts about the patient, and the earlier checks of this fitting, oldest first.

    A fitting starts anew when the neck was measured again. ``shelf`` limits what is offered; None offers every size class.
    """

    facts: dict[str, Any] = Field(default_factory=dict)
    history: tuple[FitAttempt, ...] = ()
    shelf: tuple[StockedItem, ...] | None = None


class FitCorrection(FrozenModel):
    """What one finding (None: the fit as a whole) comes from and what to do about it, with the rule that says so."""

    finding: str | None
    label: str | None
    cause: str
    correction: str
    action: CorrectiveAction
    rule: str


class FitAdvice(FrozenModel):
    """What to do after a check.

    ``fits``: nothing to correct. ``incomplete``: nothing found, but not everything was looked at (``unchecked``).
    ``reseat``: seat the same size again. ``change_size``: try ``next_size``, up or down on ``axis``. ``refer``: ask an
    orthotist. ``stop``: stop fitting and call. ``no_item_for`` are size classes that were passed over because no item for
    them is left on the shelf. ``holds`` say why no collar is to be fitted. ``cautions`` are those of the check and every
    critical one of the patient.
    """

    at: datetime
    ruleset: RulesetIdentity
    outcome: Outcome
    summary: str
    worn: SizeClass
    next_size: SizeClass | None
    next_item: str | None
    axis: str | None
    corrections: tuple[FitCorrection, ...]
    unchecked: tuple[str, ...]
    not_offered_again: tuple[str, ...]
    no_item_for: tuple[str, ...]
    holds: tuple[HoldNotice, ...]
    dangers_not_recorded: NotRecorded | None
    cautions: tuple[Caution, ...]
    tasks: tuple[Task, ...]
    trace: tuple[TraceEntry, ...]
    sources: dict[str, str]
    disclaimer: str


Said = tuple[Rule, Correction]


def findings_of(ruleset: Ruleset) -> Mapping[str, FactDefinition]:
    """The facts of ``ruleset`` that are looked for at a check, by name, in vocabulary order."""
    return {name: fact for name, fact in ruleset.vocabulary.items() if fact.finding}


# --- what the earlier checks tell ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Standing:
    """Where a fitting stands: the size worn, what was left for a reason, and how corrections went.

    ``above`` and ``below`` bound each axis by rank, both exclusive.
    """

    worn: SizeValues
    item: str | None
    above: Mapping[str, int]
    below: Mapping[str, int]
    items_left: frozenset[str]
    seated_before: int
    without_success: int

    def allows(self, axis: str, rank: int) -> bool:
        """Whether the value at ``rank`` of ``axis`` (counted from 0) was neither left nor lies beyond one that was."""
        return self.above[axis] < rank < self.below[axis]


def standing(ruleset: Ruleset, check: FitCheck) -> Standing:
    """Where the fitting stands at ``check``. Raises ValueError where a size is not written as a size class of ``ruleset``."""
    attempts = [*check.history, check]
    sizes = [read_size_class(ruleset, attempt.size) for attempt in attempts]
    above = dict.fromkeys(ruleset.axes, -1)
    below = {name: len(axis.values) for name, axis in ruleset.axes.items()}
    items_left: set[str] = set()
    for (earlier, old), (later, new) in pairwise(zip(attempts, sizes, strict=True)):
        if not _found(earlier):
            continue
        if earlier.item is not None and earlier.item != later.item:
            items_left.add(earlier.item)
        for name, axis in ruleset.axes.items():
            left, taken = axis.rank(old[name]), axis.rank(new[name])
            if taken > left:
                above[name] = max(above[name], left)
            elif taken < left:
                below[name] = min(below[name], left)
    return Standing(
        worn=sizes[-1],
        item=check.item,
        above=above,
        below=below,
        items_left=frozenset(items_left),
        seated_before=_seated_before(attempts, sizes),
        without_success=_without_success(attempts),
    )


def _found(attempt: FitAttempt) -> frozenset[str]:
    return frozenset(name for name, present in attempt.findings.items() if present)


def _seated_before(attempts: Sequence[FitAttempt], sizes: Sequence[SizeValues]) -> int:
    """How often the size now worn was corrected without a change, since it was put on or last fitted well."""
    count = 0
    for attempt, size in zip(attempts[-2::-1], sizes[-2::-1], strict=True):
        if size != sizes[-1] or attempt.item != attempts[-1].item or not _found(attempt):
            break
        count += 1
    return count


def _without_success(attempts: Sequence[FitAttempt]) -> int:
    """How many corrections in a row, up to now, left something that was found as it was."""
    count = 0
    for later, earlier in pairwise(reversed(attempts)):
        if not _found(earlier) & _found(later):
            break
        count += 1
    return count


# --- what to do ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Move:
    """What is done next, with the corrections behind it; ``size`` and ``item`` where another size is tried.

    ``no_item_for`` are the size classes on the way for which the shelf has nothing left.
    """

    action: CorrectiveAction
    said: tuple[Said, ...]
    step: Step | None = None
    size: SizeValues | None = None
    item: str | None = None
    no_item_for: tuple[str, ...] = ()


def next_move(
    ruleset: Ruleset,
    said: Sequence[Said],
    standing: Standing,
    shelf: Sequence[StockedItem] | None,
    *,
    withheld: bool,
) -> Move | None:
    """The move that answers ``said``, or None where only a change of size would help and no size is left.

    ``withheld``: a reason stands to give no size, which stops the fitting whatever was found. ``ruleset`` holds the
    axes on which a correction moves, ``standing`` what was tried and left, and ``shelf`` the items in stock, or None
    where every size class may be offered.
    """
    by_action: dict[CorrectiveAction, list[Said]] = {"stop": [], "refer": [], "reseat": [], "size": []}
    for rule, correction in _gravest_first(said):
        by_action[correction.action].append((rule, correction))
    if by_action["stop"] or withheld:
        return Move("stop", tuple(by_action["stop"]))
    if any(correction.finding is None for _, correction in by_action["refer"]):
        return Move("refer", tuple(by_action["refer"]))
    if by_action["reseat"]:
        return Move("reseat", tuple(by_action["reseat"]))
    passed: tuple[str, ...] = ()
    for step, wanted in _steps(by_action["size"]):
        way = _Way.along(ruleset, step, standing, shelf)
        passed += way.no_item_for
        if way.size is not None:
            return Move("size", wanted, step, way.size, way.item, passed)
    if by_action["refer"]:
        return Move("refer", tuple(by_action["refer"]), no_item_for=passed)
    return None


def sizes_without_item(
    ruleset: Ruleset, said: Sequence[Said], standing: Standing, shelf: Sequence[StockedItem] | None
) -> tuple[str, ...]:
    """The size classes that ``said`` asks for and for which the shelf has nothing left.

    They are written short. ``standing`` holds what was tried and left; with ``shelf`` None, where every size class may
    be offered, there are none. ``ruleset`` gives the axes.
    """
    steps = _steps([(rule, correction) for rule, correction in _gravest_first(said) if correction.step is not None])
    return tuple(code for step, _ in steps for code in _Way.along(ruleset, step, standing, shelf).no_item_for)


def _gravest_first(said: Sequence[Said]) -> list[Said]:
    return sorted(said, key=lambda pair: -pair[0].priority)


def _steps(said: Sequence[Said]) -> list[tuple[Step, tuple[Said, ...]]]:
    """The steps asked for, in the order of ``said``; an axis that is asked to go both ways is left alone."""
    wanted: dict[Step, list[Said]] = {}
    for rule, correction in said:
        assert correction.step is not None
        wanted.setdefault(correction.step, []).append((rule, correction))
    return [(step, tuple(behind)) for step, behind in wanted.items() if Step(step.axis, -step.by) not in wanted]


@dataclass(frozen=True)
class _Way:
    """Where a step leads: the nearest size that was not left and is stocked (None: none), its item, what was passed over."""

    size: SizeValues | None
    item: str | None
    no_item_for: tuple[str, ...]

    @classmethod
    def along(cls, ruleset: Ruleset, step: Step, standing: Standing, shelf: Sequence[StockedItem] | None) -> _Way:
        axis = ruleset.axes[step.axis]
        passed: list[str] = []
        rank = axis.rank(standing.worn[step.axis]) + step.by
        while 0 <= rank < len(axis.values) and standing.allows(step.axis, rank):
            size = {**standing.worn, step.axis: axis.values[rank]}
            if not _within_the_line(ruleset, size):
                return cls(None, None, tuple(passed))
            if shelf is None:
                return cls(size, None, ())
            code = size_class(ruleset, size).code
            item = _item(shelf, code, standing)
            if item is not None:
                return cls(size, item, tuple(passed))
            passed.append(code)
            rank += step.by
        return cls(None, None, tuple(passed))


def _within_the_line(ruleset: Ruleset, size: SizeValues) -> bool:
    """Whether collars of the line reach every dimension of ``size`` (``largest`` of an axis)."""
    return all(
        ruleset.axes[other].rank(size[other]) <= ruleset.axes[other].rank(most)
        for name, axis in ruleset.axes.items()
        for other, most in axis.largest.get(size[name], {}).items()
    )


def _item(shelf: Sequence[StockedItem], code: str, standing: Standing) -> str | None:
    """An item for ``code`` that is neither worn now nor was left: another size of the same item would change nothing."""
    spent = standing.items_left | ({standing.item} if standing.item is not None else frozenset())
    return next((item.name for item in shelf if code in item.sizes and item.name not in spent), None)


# --- the advice ------------------------------------------------------------------------------------------------------


def advise(decider: Decider, check: FitCheck, at: datetime) -> FitAdvice:
    """What to do after ``check``, at the moment ``at`` (with time zone), by the rules of ``decider``.

    Raises FactError where a size, a fact or a finding cannot be used, ValueError where ``at`` has no time zone.
    """
    ruleset = decider.ruleset
    facts = _checked(ruleset, check)
    now = standing(ruleset, check)
    facts |= {SEATED_BEFORE: now.seated_before, WITHOUT_SUCCESS: now.without_success, WORN: True}
    if WORN_LINE in ruleset.vocabulary and "line" in now.worn:
        facts[WORN_LINE] = now.worn["line"]
    decision = decider.decide(facts, at)
    said = corrections_of(ruleset, decision)
    move = next_move(ruleset, said, now, check.shelf, withheld=_withheld(decision))
    if move is None and _found(check):
        decision = decider.decide({**facts, NO_SIZE_LEFT: True}, at)
        ended = next_move(ruleset, corrections_of(ruleset, decision), now, check.shelf, withheld=_withheld(decision))
        move = replace(ended or Move("refer", ()), no_item_for=sizes_without_item(ruleset, said, now, check.shelf))
    unchecked = tuple(name for name in findings_of(ruleset) if name not in check.findings)
    return _written(ruleset, decision, now, move, unchecked)


def _withheld(decision: Decision) -> bool:
    return any(hold.kind == "do_not_size" for hold in decision.holds)


def corrections_of(ruleset: Ruleset, decision: Decision) -> list[Said]:
    """The corrections of the rules of ``ruleset`` that fired in ``decision``, each with its rule, in the order of firing."""
    fired = (ruleset.rules[entry.rule] for entry in decision.trace)
    return [(rule, correction) for rule in fired for correction in rule.then.corrections]


def _checked(ruleset: Ruleset, check: FitCheck) -> dict[str, Any]:
    known = findings_of(ruleset)
    problems = list(_size_problems(ruleset, check))
    problems += [
        InvalidFact(name, value, "is worked out from the earlier checks and cannot be given", "nothing; leave it out")
        for name, value in check.facts.items()
        if name in FROM_HISTORY
    ]
    if check.facts.get(WORN) is False:
        problems.append(InvalidFact(WORN, False, "but a fit is checked on a collar that is on", "true, or nothing"))
    for attempt in (*check.history, check):
        problems += [
            InvalidFact(name, value, "is not a finding of a fit check", "one of " + ", ".join(known))
            for name, value in attempt.findings.items()
            if name not in known
        ]
    problems += [
        InvalidFact(name, value, "is a finding; give it under findings", "nothing under facts")
        for name, value in check.facts.items()
        if name in known
    ]
    if problems:
        raise FactError(problems)
    return {**ruleset.vocabulary.check(check.facts), **check.findings}


def _size_problems(ruleset: Ruleset, check: FitCheck) -> Iterable[InvalidFact]:
    for attempt in (*check.history, check):
        try:
            read_size_class(ruleset, attempt.size)
        except ValueError as error:
            yield InvalidFact("size", attempt.size, str(error), "a size class, such as adult H3 G2")


_OUTCOMES: Mapping[CorrectiveAction, Outcome] = {
    "reseat": "reseat",
    "size": "change_size",
    "refer": "refer",
    "stop": "stop",
}


def _written(
    ruleset: Ruleset, decision: Decision, now: Standing, move: Move | None, unchecked: tuple[str, ...]
) -> FitAdvice:
    outcome: Outcome = ("incomplete" if unchecked else "fits") if move is None else _OUTCOMES[move.action]
    shown = [entry for entry in decision.trace if _belongs(ruleset, entry.rule)]
    ids = {entry.rule for entry in shown}
    pressing = {rule for caution in decision.cautions if caution.presses for rule in caution.rules}
    following = None if move is None or move.size is None else size_class(ruleset, move.size)
    return FitAdvice(
        at=decision.at,
        ruleset=decision.ruleset,
        outcome=outcome,
        summary=_summary(ruleset, outcome, following, move, len(unchecked)),
        worn=size_class(ruleset, now.worn),
        next_size=following,
        next_item=None if move is None else move.item,
        axis=None if move is None or move.step is None else move.step.axis,
        corrections=() if move is None else tuple(_correction(ruleset, *said) for said in move.said),
        unchecked=unchecked,
        not_offered_again=tuple(_not_again(ruleset, now)),
        no_item_for=() if move is None else move.no_item_for,
        holds=tuple(hold for hold in decision.holds if hold.kind == "do_not_size"),
        dangers_not_recorded=decision.dangers_not_recorded,
        cautions=tuple(caution for caution in decision.cautions if _stays(ruleset, caution, ids)),
        tasks=tuple(task for task in decision.tasks if _is_asked(ruleset, task, move, ids, pressing)),
        trace=tuple(shown),
        sources={cited: decision.sources[cited] for cited in sorted({s for entry in shown for s in entry.sources})},
        disclaimer=decision.disclaimer,
    )


_OF_THE_PATIENT = "dangers"
"""The topic of rules that speak of the patient whatever is done with the collar."""


def _stays(ruleset: Ruleset, caution: Caution, shown: Set[str]) -> bool:
    """Whether ``caution`` is said with the advice: one of the check itself, or one that holds whatever is done."""
    of_the_patient = any(ruleset.rules[rule].topic == _OF_THE_PATIENT for rule in caution.rules)
    return caution.presses or of_the_patient or bool(shown & set(caution.rules))


def _is_asked(ruleset: Ruleset, task: Task, move: Move | None, shown: Set[str], pressing: Set[str]) -> bool:
    """Whether ``task`` goes with the advice.

    Where fitting stops: what the rules of ``pressing`` ask for now without opening the collar, and nothing that a correction
    asks for; a correction only where one is made.
    """
    asking = shown & set(task.rules)
    if move is not None and move.action == "stop":
        if task.timing.within_hours == 0 and ruleset.tasks[task.task].kind != "opening" and pressing & set(task.rules):
            return True
        stopping = {rule.id for rule, _ in move.said}
        asking = {rule for rule in asking if rule in stopping or not ruleset.rules[rule].then.corrections}
    corrected = move is not None and move.action in ("reseat", "size")
    return bool(asking) and (corrected or task.task != CORRECTING)


def _belongs(ruleset: Ruleset, rule: str) -> bool:
    then = ruleset.rules[rule].then
    return bool(then.corrections) or any(hold.kind == "do_not_size" for hold in then.holds)


def _correction(ruleset: Ruleset, rule: Rule, correction: Correction) -> FitCorrection:
    return FitCorrection(
        finding=correction.finding,
        label=None if correction.finding is None else ruleset.vocabulary[correction.finding].label,
        cause=correction.cause,
        correction=correction.correction,
        action=correction.action,
        rule=rule.id,
    )


def _not_again(ruleset: Ruleset, now: Standing) -> Iterable[str]:
    for name, axis in ruleset.axes.items():
        for rank, value in enumerate(axis.values):
            if not now.allows(name, rank) and value != now.worn[name]:
                yield value


def size_words(ruleset: Ruleset, code: str) -> str:
    """The size class of ``ruleset`` written as ``code`` in words. Raises ValueError where it is none."""
    return size_class(ruleset, read_size_class(ruleset, code)).words


def _summary(ruleset: Ruleset, outcome: Outcome, following: SizeClass | None, move: Move | None, unchecked: int) -> str:
    lacking = () if move is None else tuple(size_words(ruleset, code) for code in move.no_item_for)
    missing = f" No item left for {'; nor for '.join(lacking)}." if lacking else ""
    if outcome == "change_size":
        assert following is not None and move is not None and move.step is not None
        way = "up" if move.step.by > 0 else "down"
        labelled = f" ({following.in_words})" if move.item is None else f", item {move.item}"
        said = f"Try {following.words}{labelled}: {ruleset.axes[move.step.axis].title} {way}"
        return f"{said}.{missing} One person holds head and neck throughout."
    return {
        "fits": "Nothing to correct: the collar fits as it was checked.",
        "incomplete": f"Nothing found, but {unchecked} points were not looked at; look at them before the fit is called good.",
        "reseat": "Seat the same size again, one person holding head and neck, and check again.",
        "refer": f"Stop trying on and ask the orthotist.{missing}",
        "stop": "Stop, hold the head by hand, and call now.",
    }[outcome]
