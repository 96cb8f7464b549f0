"""Cards before they are sent: what each says, and the budget of how many a clinician is shown in one call."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from cds.hooks.cards import markdown
from cds.hooks.cards.reading_limit import LONGEST_DETAIL, NOT_SHOWN, CardLine, fitted
from cds.protocol.response import Action
from rules.model.ruleset import SEVERITIES, Severity

_MORE = re.compile(r" \(and (\d+) more\)$")
"""How a headline ends that counts what stands below it."""


@dataclass(frozen=True)
class Offer:
    """A suggestion before it has an id: its label, its actions, and whether we recommend it."""

    label: str
    actions: tuple[Action, ...]
    recommended: bool = False


@dataclass(frozen=True)
class Draft:
    """A card before it has an id.

    ``topic`` says what the card is about (a code of our own). ``rules`` are the ids of the rules behind it. ``any_offer``
    is true where several offers may be accepted, false where one excludes the others. ``full`` writes everything behind the
    lines, in Markdown, for a client that asks.
    """

    indicator: Severity
    topic: str
    summary: str
    lines: Sequence[CardLine]
    rules: tuple[str, ...]
    offers: tuple[Offer, ...] = ()
    any_offer: bool = False
    full: Callable[[], str] = str

    def detail(self, longest: int = LONGEST_DETAIL, ending: str = "", rest: str = NOT_SHOWN) -> str:
        """The lines and then ``ending``, in at most ``longest`` characters, where the needed ones allow it.

        ``rest`` leads in the count of what is not shown.
        """
        return fitted(self.lines, self.summary, longest, ending, rest)


def within_budget(drafts: Iterable[Draft], cards_at_most: Mapping[Severity, int]) -> list[Draft]:
    """``drafts`` with the gravest first and no more of each kind than ``cards_at_most`` allows.

    ``cards_at_most`` is a number of cards for each severity. What is over the budget is folded into the last card kept
    of its kind: a critical one with all that is needed of it, any other with its summary; its offers are kept.
    """
    kept: list[Draft] = []
    ordered = sorted(drafts, key=lambda draft: SEVERITIES.index(draft.indicator))
    for severity in SEVERITIES:
        of_kind = [draft for draft in ordered if draft.indicator == severity]
        shown, folded = of_kind[: cards_at_most[severity]], of_kind[cards_at_most[severity] :]
        if folded:
            shown[-1] = _fold(shown[-1], folded)
        kept.extend(shown)
    return kept


def _fold(into: Draft, folded: Sequence[Draft]) -> Draft:
    offers = (*into.offers, *(offer for draft in folded for offer in draft.offers))

    def full() -> str:
        also = [markdown.section(f"Also: {markdown.plain(draft.summary)}", draft.full()) for draft in folded]
        return markdown.joined([into.full(), *also])

    return replace(
        into,
        summary=_counted(into.summary, len(folded)),
        lines=_beside(into.lines, [line for draft in folded for line in _in_short(draft)]),
        rules=tuple(dict.fromkeys([*into.rules, *(rule for draft in folded for rule in draft.rules)])),
        offers=offers,
        any_offer=into.any_offer or len(offers) > len(into.offers) > 0 or any(draft.any_offer for draft in folded),
        full=full,
    )


def _beside(lines: Sequence[CardLine], folded: Sequence[CardLine]) -> tuple[CardLine, ...]:
    """``lines`` with ``folded`` at their end, and what is an alarm right after the last alarm of ``lines``."""
    last = max((place for place, line in enumerate(lines, start=1) if line.alarm), default=0)
    alarms = [line for line in folded if line.alarm and last]
    rest = [line for line in folded if line not in alarms]
    return (*lines[:last], *alarms, *lines[last:], *rest)


def _in_short(draft: Draft) -> list[CardLine]:
    needed = [replace(line, section="Also") for line in draft.lines if line.needed]
    if draft.indicator == "critical" and needed:
        return needed
    return [CardLine("Also", markdown.plain(draft.summary), draft.indicator == "critical", counted=draft.topic)]


def _counted(summary: str, more: int) -> str:
    """``summary`` with how many more there are, added to what it counts already."""
    counted = _MORE.search(summary)
    if counted is not None:
        summary, more = summary[: counted.start()], more + int(counted[1])
    return f"{markdown.shorten(summary, 120)} (and {more} more)"
