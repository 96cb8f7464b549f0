"""From a Decision to what cards say: the size card, and cautions of their own.

Only words that are in the decision are used; what comes from the record is escaped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf

from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft, Offer
from cds.protocol.response import LONGEST_SUMMARY
from rules.model.decision import AxisDecision, Caution, Decision, HoldNotice, MeasureNext, NotUsed, Question, Task
from rules.model.ruleset import BASES, LocalChange, Ruleset, Severity

_MOST_TO_FIND_OUT = 2
_MOST_NOT_USED = 20
_MOST_MISSING = 4

MEASURED_AXES = ("height_band", "girth_band")
"""What a tape decides; the head of the card says how sure these two are."""

_SURE = {"measured": "recorded", "observed": "estimated", "assumed": "not recorded"}
_IN_SHORT = {"measured": "measured", "observed": "estimated", "assumed": "assumed, measure first"}


def size_card(
    ruleset: Ruleset,
    decision: Decision,
    shelf: Sequence[str] = (),
    not_had: Sequence[NotUsed] = (),
    offers: tuple[Offer, ...] = (),
) -> Draft:
    """The main card: the size class or why there is none, what to do about it, and everything it rests on.

    ``shelf`` says in Markdown what the site stocks; ``not_had`` is what the client could not send.
    """
    indicator, summary = _headline(decision)
    return Draft(
        indicator=indicator,
        topic="size",
        summary=summary,
        detail=markdown.joined(
            [
                _size(ruleset, decision),
                markdown.section("On the shelf", markdown.bullets(shelf)),
                markdown.section("Find out", markdown.bullets(_find_out(decision))),
                cautions_section(decision, ("info",)),
                tasks_section(decision.tasks),
                markdown.section("Also worked out", markdown.bullets(_assessments(ruleset, decision))),
                not_used_section([*decision.not_used, *not_had]),
            ]
        ),
        rules=_rules_of_size(decision),
        offers=offers,
    )


def caution_cards(decision: Decision, severities: Iterable[Severity] = ("critical", "warning")) -> list[Draft]:
    """One card a caution of the given severities; a critical one says why it is critical.

    Of one severity those come first whose rules also ask for care, the soonest due first. Those that come with a reason to
    withhold the size are left out: the size card says them.
    """
    said = {caution.text for hold in decision.holds for caution in _coming_with(decision, hold)}
    pressing = sorted(decision.cautions, key=lambda caution: _hours_left(decision, caution))
    return [
        Draft(
            indicator=caution.severity,
            topic="caution",
            summary=caution.summary,
            detail=_caution_detail(decision, caution),
            rules=caution.rules,
        )
        for caution in pressing
        if caution.severity in severities and caution.text not in said
    ]


def _hours_left(decision: Decision, caution: Caution) -> float:
    """Hours until the care that the caution's rules ask for is due; infinite where they ask for none with a deadline."""
    due = [task.timing.within_hours for task in decision.tasks if set(task.rules) & set(caution.rules)]
    return min((hours for hours in due if hours is not None), default=inf)


def cautions_section(decision: Decision, severities: Iterable[Severity]) -> str:
    """The cautions of the given severities as one part of a card."""
    lines = [markdown.plain(caution.text, 600) for caution in decision.cautions if caution.severity in severities]
    return markdown.section("Keep in mind", markdown.bullets(lines))


def tasks_section(tasks: Sequence[Task], title: str = "Care") -> str:
    """Tasks, one line each: what, when, who, how many people, where."""
    return markdown.section(title, markdown.bullets(map(task_line, tasks)))


def task_line(task: Task) -> str:
    """One task in one line."""
    people = f", {task.people} people" if task.people > 1 else ""
    where = f", {task.location}" if task.location else ""
    details = "".join(f" {markdown.plain(detail)}" for detail in task.details)
    who = markdown.plain(f"{task.performer_words}{people}{where}")
    return f"**{markdown.plain(task.title)}**: {markdown.plain(task.timing_words)}; {who}.{details}"


def not_used_section(not_used: Sequence[NotUsed]) -> str:
    """What was seen or asked for and could not be used, with the reason."""
    lines = []
    for item in not_used[:_MOST_NOT_USED]:
        named = [markdown.code(part) for part in (item.reference, item.fact) if part]
        value = markdown.plain(item.value, 80)
        lines.append(f"{' '.join([*named, value]).strip()}: {markdown.plain(item.reason)}")
    if len(not_used) > _MOST_NOT_USED:
        lines.append(
            f"and {len(not_used) - _MOST_NOT_USED} more; all are in the decision that comes with this response"
        )
    return markdown.section("Not used", markdown.bullets(lines))


def why(decision: Decision, rules: Iterable[str]) -> str:
    """The because-line of each of ``rules``, as bullets, each once. Their ids and sources travel in the response."""
    wanted = set(rules)
    lines = (markdown.plain(entry.because, 600) for entry in decision.trace if entry.rule in wanted)
    return markdown.bullets(dict.fromkeys(lines))


def footing(ruleset: Ruleset, decision: Decision, draft: Draft) -> str:
    """What each card ends with: what the site changed behind it, the rule set, and the disclaimer."""
    local = [
        f"{change.kind.replace('_', ' ')} {markdown.code(change.name)}: {markdown.plain(change.because)}"
        for change in decision.local_changes
        if _behind(change, ruleset, draft)
    ]
    identity = f"{markdown.plain(ruleset.title)} {markdown.plain(ruleset.version)}, content {markdown.code(ruleset.hash[:12])}."
    return markdown.joined(
        [
            markdown.section("Changed by this site", markdown.bullets(local)),
            f"{identity} {markdown.plain(decision.disclaimer, 600)}",
        ]
    )


def _behind(change: LocalChange, ruleset: Ruleset, draft: Draft) -> bool:
    """Whether ``change`` concerns the rules of ``draft``; what is switched off leaves no rule, and is said with the size."""
    if change.kind == "switched_off":
        return draft.topic == "size"
    return change.name in draft.rules or any(change.name in ruleset.rules[rule].parameters for rule in draft.rules)


def _headline(decision: Decision) -> tuple[Severity, str]:
    holds = sorted(decision.holds, key=lambda hold: hold.kind != "do_not_size")
    if holds:
        first = holds[0]
        start, indicator = ("Do not size", "critical") if first.kind == "do_not_size" else ("No size yet", "warning")
        summary = f"{start}: {first.summary}"
        return ("critical" if indicator == "critical" else "warning"), summary
    if decision.size_class is None or decision.confidence is None:
        return "warning", "No size yet: nothing is known that would decide it"
    size = decision.size_class
    weakest = max((decision.axes[name].confidence or "assumed" for name in MEASURED_AXES), key=BASES.index)
    summary = f"Neck collar {size.code} ({_IN_SHORT[weakest]}): {size.words}"
    return "info", markdown.shorten(summary, LONGEST_SUMMARY)


def _size(ruleset: Ruleset, decision: Decision) -> str:
    if decision.size_class is None or decision.confidence is None:
        return markdown.joined(_hold(decision, hold) for hold in decision.holds)
    size = decision.size_class
    settled = (
        "Nothing that is still unknown can change it." if decision.settled else "It may change with what is measured."
    )
    stated = f"**{markdown.plain(size.words)}** ({markdown.plain(size.code)}). {_by_part(ruleset, decision)} {settled}"
    order = [
        f"{position}. **{markdown.plain(option.size_class.code)}** ({markdown.plain(option.size_class.words)}): "
        f"{markdown.plain(option.why)}"
        for position, option in enumerate(decision.candidates, start=1)
    ]
    axes = [_axis(ruleset, decision, axis) for axis in decision.axes.values()]
    return markdown.joined(
        [
            stated,
            markdown.section("Try in this order", "\n".join(order)) if len(order) > 1 else "",
            markdown.section("Why", markdown.bullets(axes)),
        ]
    )


def _by_part(ruleset: Ruleset, decision: Decision) -> str:
    """How sure each part of the size is: ``Line, height and girth recorded; contour and back not recorded.``."""
    parts = []
    for basis, words in _SURE.items():
        titles = [ruleset.axes[name].title for name, axis in decision.axes.items() if axis.confidence == basis]
        if titles:
            parts.append(f"{' and '.join([', '.join(titles[:-1]), titles[-1]] if titles[:-1] else titles)} {words}")
    said = "; ".join(parts)
    return markdown.plain(f"{said[:1].upper()}{said[1:]}.")


def _hold(decision: Decision, hold: HoldNotice) -> str:
    title = "Why this is critical" if hold.kind == "do_not_size" else "Why"
    cautions = (markdown.plain(caution.text, 600) for caution in _coming_with(decision, hold))
    return markdown.joined(
        [markdown.plain(hold.text, 600), *cautions, markdown.section(title, why(decision, hold.rules))]
    )


def _coming_with(decision: Decision, hold: HoldNotice) -> list[Caution]:
    """The cautions that the rules behind ``hold``, and no others, gave."""
    return [caution for caution in decision.cautions if set(caution.rules) <= set(hold.rules)]


def _axis(ruleset: Ruleset, decision: Decision, axis: AxisDecision) -> str:
    because = {entry.rule: entry.because for entry in decision.trace}
    reasons = " ".join(markdown.plain(because[rule], 600) for rule in axis.rules if rule in because)
    values = " or ".join(axis.candidates)
    return f"{markdown.plain(ruleset.axes[axis.axis].title)} {values}: {reasons}"


def _find_out(decision: Decision) -> Iterable[str]:
    """The dangers that are not recorded in one line, then the first questions in full: dangers before the size."""
    if decision.dangers_not_recorded is not None:
        yield f"**{markdown.plain(decision.dangers_not_recorded.text, 600)}**"
    size = {item.fact: item for item in decision.measure_next}
    questions: tuple[Question | MeasureNext, ...] = (*decision.ask, *decision.measure_next)
    asked = {question.fact: question for question in questions}
    for fact, question in list(asked.items())[:_MOST_TO_FIND_OUT]:
        withhold = " The answer could mean that no size is given." if fact in size and size[fact].could_withhold else ""
        yield f"**{markdown.plain(question.label)}**: {markdown.plain(question.ask)}{withhold}"
    rest = [item for item in decision.measure_next if item.fact not in list(asked)[:_MOST_TO_FIND_OUT]]
    if rest:
        yield "then: " + ", ".join(markdown.plain(item.label) for item in rest)


def _assessments(ruleset: Ruleset, decision: Decision) -> Iterable[str]:
    for item in decision.assessments:
        if item.value is not None:
            value = {True: "yes", False: "no"}.get(item.value) if isinstance(item.value, bool) else str(item.value)
            yield f"{markdown.plain(item.label)}: {markdown.plain(str(value))}"
        elif item.missing:
            lacking = ", ".join(markdown.plain(ruleset.vocabulary[fact].label) for fact in item.missing[:_MOST_MISSING])
            more = len(item.missing) - _MOST_MISSING
            rest = f" and {more} more" if more > 0 else ""
            yield f"{markdown.plain(item.label)}: cannot tell; missing: {lacking}{rest}"


def _caution_detail(decision: Decision, caution: Caution) -> str:
    title = "Why this is critical" if caution.severity == "critical" else "Why"
    return markdown.joined([markdown.plain(caution.text, 600), markdown.section(title, why(decision, caution.rules))])


def _rules_of_size(decision: Decision) -> tuple[str, ...]:
    sized = decision.size_class is not None
    from_axes = [rule for axis in decision.axes.values() if sized for rule in axis.rules]
    from_holds = [rule for hold in decision.holds for rule in hold.rules]
    from_tasks = [rule for task in decision.tasks for rule in task.rules]
    return tuple(dict.fromkeys([*from_holds, *from_axes, *from_tasks]))
