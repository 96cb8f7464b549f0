"""From a Decision to what cards say: the size card, and cautions of their own, each as lines of which few are needed.

Only words that are in the decision are used; what comes from the record is escaped.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import partial

from cds.fhir.writing.service_request import FIT_TASK
from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft, Offer
from cds.hooks.cards.by_part import by_part
from cds.hooks.cards.distinct_questions import distinct_questions
from cds.hooks.cards.full_text import caution_in_full, coming_with, size_in_full, why_title
from cds.hooks.cards.holds_together import held_together
from cds.hooks.cards.reading_limit import CardLine
from cds.protocol.response import LONGEST_SUMMARY
from rules.evaluation.hit_policy import IF_NOT_THE_FIRST
from rules.model.decision import Candidate, Decision, NotUsed, SizeClass, Task, to_look_up
from rules.model.ruleset import LocalChange, Ruleset, Severity

_MOST_TO_FIND_OUT = 2
_MOST_UNREAD, _MOST_FIRST, _MOST_WRONG, _LONGEST_NAME = 3, 6, 2, 50
"""Of the records that a person has to read, of those that go before a collar, and of values that look wrong, so many are named.

Each in so many characters."""
_FOR_LATER = "Size, for later"
_HOW_SURE = "size detail"
_LOOKS_WRONG = ("implausible", "unit")
"""Why a value is refused that somebody can look at again and record rightly."""


def size_card(
    ruleset: Ruleset,
    decision: Decision,
    shelf: Sequence[str] = (),
    not_had: Sequence[NotUsed] = (),
    offers: tuple[Offer, ...] = (),
    items: Sequence[str] = (),
) -> Draft:
    """The main card on ``decision``: the size class or why there is none, what to find out, and who does what first.

    ``ruleset`` has the words for facts and axes. ``items`` name in Markdown what the site stocks, ``shelf`` says the
    same with the reasons; ``not_had`` is what the client could not send. ``offers`` are what a click on the card does.
    """
    indicator, summary = _headline(ruleset, decision)
    size = (*_size(ruleset, decision), *_shelf(decision, items))
    rest = (
        *unread_line([*decision.not_used, *not_had]),
        *_find_out(decision),
        *caution_lines(decision, ("info",)),
    )
    who = tuple(_who(decision))
    return Draft(
        indicator=indicator,
        topic="size",
        summary=summary,
        lines=(
            *_ordered(decision, size, rest, who),
            *not_used_line([*decision.not_used, *not_had]),
        ),
        rules=_rules_of_size(decision),
        offers=offers,
        full=partial(size_in_full, ruleset, decision, shelf, not_had),
    )


def caution_cards(
    decision: Decision, severities: Iterable[Severity] = ("critical", "warning"), *, beside_size: bool = False
) -> list[Draft]:
    """One card for each caution of ``decision`` of the given ``severities``; a critical one says why it is critical.

    ``beside_size`` leaves out those that come with a reason to withhold the size: the size card says them.
    """
    holds = decision.holds if beside_size else ()
    said = {caution.text for hold in holds for caution in coming_with(decision, hold)}
    return [
        Draft(
            indicator=caution.severity,
            topic="caution",
            summary=caution.summary,
            lines=(
                CardLine(
                    "",
                    markdown.plain(caution.text, 600),
                    needed=True,
                    counted="caution",
                    alarm=caution.severity == "critical",
                ),
                *reasons(decision, caution.rules, caution.severity),
            ),
            rules=caution.rules,
            full=partial(caution_in_full, decision, caution),
        )
        for caution in decision.cautions
        if caution.severity in severities and caution.text not in said
    ]


def caution_lines(decision: Decision, severities: Iterable[Severity]) -> Iterator[CardLine]:
    """The cautions of ``decision`` of the given ``severities``, each in its sentence."""
    for caution in decision.cautions:
        if caution.severity in severities:
            yield CardLine("Keep in mind", markdown.plain(caution.summary), counted="caution")


def reasons(decision: Decision, rules: Iterable[str], severity: Severity) -> Iterator[CardLine]:
    """Why something is critical: the because-line in ``decision`` of each of ``rules`` (ids), each once.

    With another ``severity`` there are none: what is less grave says it in full only.
    """
    if severity != "critical":
        return
    for because in dict.fromkeys(entry.because for entry in decision.traced(rules)):
        yield CardLine(why_title(severity), markdown.plain(because, 600), counted="reason")


def task_lines(tasks: Sequence[Task], section: str, mark: str = "") -> Iterator[CardLine]:
    """``tasks``, one line each under the title ``section``: what, who, and how many people. ``mark`` stands before each."""
    for task in tasks:
        who = markdown.plain(task.who)
        yield CardLine(section, f"{mark}**{markdown.plain(task.title)}**: {who}", counted="task")


def unread_names(not_used: Iterable[NotUsed]) -> str:
    """What of ``not_used`` a person has to read in the record, named in plain text: a few, and how many more, or nothing.

    What may be a danger that goes before a collar stands first, and is named with all its like.
    """
    unread = list(not_used)
    names = to_look_up(unread)
    first = len(to_look_up(one for one in unread if one.may_be))
    shown = [markdown.shorten(name, _LONGEST_NAME) for name in names[: max(_MOST_UNREAD, min(first, _MOST_FIRST))]]
    more = [f"{len(names) - len(shown)} more"] if len(names) > len(shown) else []
    return "; ".join([*shown, *more])


def without(said: Iterable[NotUsed], not_used: Iterable[NotUsed]) -> list[NotUsed]:
    """Those of ``not_used`` that are none of ``said``, told by which they are: there may be thousands of both."""
    left_out = {id(one) for one in said}
    return [one for one in not_used if id(one) not in left_out]


def unread_line(not_used: Iterable[NotUsed]) -> Iterator[CardLine]:
    """What of ``not_used`` (read and refused, or not to be had) may be a danger: it is named."""
    names = unread_names(not_used)
    if names:
        yield CardLine("Find out", f"**Not used here, read it yourself: {markdown.plain(names)}**", needed=True)


def not_used_line(not_used: Sequence[NotUsed]) -> Iterator[CardLine]:
    """How many records are ``not_used``, with the values that look wrong; all stand in the decision beside the cards."""
    if not_used:
        records = "1 record" if len(not_used) == 1 else f"{len(not_used)} records"
        wrong = dict.fromkeys(f"{one.about} {one.value}" for one in not_used if one.fact and one.kind in _LOOKS_WRONG)
        shown = "; ".join(markdown.shorten(name, _LONGEST_NAME) for name in list(wrong)[:_MOST_WRONG])
        named = f" ({markdown.plain(shown)})" if shown else ""
        yield CardLine("", f"Not used: {records}{named}, listed with the decision.", needed=True)


def site_changes(ruleset: Ruleset, decision: Decision, draft: Draft) -> tuple[CardLine, ...]:
    """What the site changed in ``ruleset`` behind ``draft``, a card on ``decision``, each with its reason."""
    changes = [change for change in decision.local_changes if _behind(change, ruleset, draft)]
    return tuple(
        CardLine("Changed by this site", markdown.plain(change.because), counted="local change") for change in changes
    )


def _behind(change: LocalChange, ruleset: Ruleset, draft: Draft) -> bool:
    """Whether ``change`` concerns the rules of ``draft``; what is switched off leaves no rule, and is said with the size."""
    if change.kind == "switched_off":
        return draft.topic == "size"
    return change.name in draft.rules or any(change.name in ruleset.rules[rule].parameters for rule in draft.rules)


def _headline(ruleset: Ruleset, decision: Decision) -> tuple[Severity, str]:
    holds = sorted(held_together(decision.holds), key=lambda hold: hold.kind != "do_not_size")
    if holds and holds[0].kind == "do_not_size":
        return "critical", f"Do not size: {holds[0].summary}"
    if holds:
        return "warning", f"No size yet: {holds[0].summary}"
    if decision.size_class is None:
        return "warning", "No size yet: nothing is known that would decide it"
    sure = by_part(ruleset, decision)
    size = ", ".join(filter(None, (decision.size_class.in_words, decision.size_class.condition)))
    summary = f"Neck collar {size}: {sure[:1].lower()}{sure[1:]}"
    return "info", markdown.shorten(summary, LONGEST_SUMMARY)


def _size(ruleset: Ruleset, decision: Decision) -> Iterator[CardLine]:
    if decision.size_class is None:
        for hold in held_together(decision.holds):
            critical = hold.kind == "do_not_size"
            yield CardLine("", markdown.plain(hold.text, 600), needed=True, alarm=critical)
            for caution in coming_with(decision, hold):
                yield CardLine("", markdown.plain(caution.text, 600), needed=True, alarm=critical)
            yield from reasons(decision, hold.rules, "critical" if critical else "warning")
        return
    size = decision.size_class
    title = _FOR_LATER if _is_emergency(decision) else ""
    words = f"**{markdown.plain(_capital(size.words))}** ({markdown.plain(size.in_words)})."
    yield CardLine(title, words, needed=True)
    # Where something goes before the collar, how sure the size is and which other there is has time.
    later = bool(decision.leading)
    yield CardLine(title, f"{markdown.plain(by_part(ruleset, decision))}.", counted="" if later else _HOW_SURE)
    for option in decision.candidates[1:]:
        yield CardLine("If it does not fit", _alternate(option, size), counted="other size", behind=later)


def _shelf(decision: Decision, items: Sequence[str]) -> Iterator[CardLine]:
    """The nearest item stands whatever the room, but in an emergency none; where no size is given, no item is either."""
    later = _is_emergency(decision)
    for position, item in enumerate(items if decision.size_class else ()):
        yield CardLine(
            "On the shelf", item, needed=position == 0 and not later, counted="item on the shelf", behind=later
        )


def _ordered(
    decision: Decision, size: Sequence[CardLine], rest: Sequence[CardLine], who: Sequence[CardLine]
) -> Iterator[CardLine]:
    """Size, what is to be found out and to be minded, and who does what.

    In an emergency who does what goes first, and which size it is has time; why there is none has not.
    """
    if decision.size_class is None and any(hold.kind == "do_not_size" for hold in decision.holds):
        yield from (*size, *who, *rest)
    elif _is_emergency(decision):
        yield from (*who, *rest, *size)
    else:
        yield from (*size, *rest, *who)


def _is_emergency(decision: Decision) -> bool:
    """Whether something critical goes before the collar."""
    return bool(decision.leading) and decision.leading[0].severity == "critical"


def _alternate(option: Candidate, first: SizeClass) -> str:
    same = first.words.split(", ")
    differs = ", ".join(part for part in option.size_class.words.split(", ") if part not in same)
    words = f" ({markdown.plain(differs)})" if differs else ""
    why = option.why.removeprefix(IF_NOT_THE_FIRST)
    return f"**{markdown.plain(option.size_class.in_words)}**{words}: {markdown.plain(why)}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _find_out(decision: Decision) -> Iterator[CardLine]:
    """The dangers that are not recorded in one line, then two questions in full: dangers before the size."""
    if decision.dangers_not_recorded is not None:
        label, colon, names = markdown.plain(decision.dangers_not_recorded.text, 600).partition(":")
        yield CardLine("Find out", f"**{label}{colon}**{names}", needed=True)
    for question in distinct_questions(decision)[:_MOST_TO_FIND_OUT]:
        yield CardLine("Find out", markdown.plain(question.ask), needed=True)


def _who(decision: Decision) -> Iterator[CardLine]:
    """Who puts the collar on, and what comes before it, where that takes more than one; then how many tasks there are.

    Where no size is given, the fitting is only counted.
    """
    tasks = decision.tasks
    sized = decision.size_class is not None
    shared = [task for task in tasks if task.people > 1 and (sized or task.task != FIT_TASK)]
    fitting = next((position for position, task in enumerate(shared) if task.task == FIT_TASK), None)
    named = shared[:1] if fitting is None else [*shared[:fitting][:1], shared[fitting]]
    for task in named:
        done = "; ".join(hand.replace(" (", ": ").replace(")", "") for hand in task.hands)
        hands = f" ({markdown.plain(done)})" if done else ""
        begins = markdown.plain(f", {task.begins}" if task.begins and not task.title_tells(task.begins) else "")
        people = markdown.plain(f"{task.people} people, {task.performer_words}")
        yield CardLine("Who", f"**{markdown.plain(task.title)}**{begins}: {people}{hands}", needed=True)
    more = len(tasks) - len(named)
    if more:
        yield CardLine(
            "Who", f"{more} {'more ' if named else ''}task{'s' if more > 1 else ''} in the orders", needed=True
        )


def _rules_of_size(decision: Decision) -> tuple[str, ...]:
    sized = decision.size_class is not None
    from_axes = [rule for axis in decision.axes.values() if sized for rule in axis.rules]
    from_holds = [rule for hold in decision.holds for rule in hold.rules]
    from_tasks = [rule for task in decision.tasks for rule in task.rules]
    return tuple(dict.fromkeys([*from_holds, *from_axes, *from_tasks]))
