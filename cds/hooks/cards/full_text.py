"""Everything that a card rests on, as Markdown: what its detail is the short form of. It travels beside the detail.

Only words that are in the decision are used; what comes from the record is escaped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from cds.hooks.cards import markdown
from cds.hooks.cards.by_part import by_part
from rules.model.decision import AxisDecision, Caution, Decision, HoldNotice, MeasureNext, NotUsed, Question, Task
from rules.model.facts import FactValue
from rules.model.ruleset import Ruleset, Severity

_MOST_NOT_USED = 20
_MOST_MISSING = 4


def size_in_full(ruleset: Ruleset, decision: Decision, shelf: Sequence[str], not_had: Sequence[NotUsed]) -> str:
    """The size class of ``decision`` or why there is none, what to do about it, and everything it rests on.

    ``ruleset`` has the words for facts and axes. ``shelf`` says in Markdown what the site stocks; ``not_had`` is what
    the client could not send.
    """
    return markdown.joined(
        [
            _size(ruleset, decision),
            markdown.section("On the shelf", markdown.bullets(shelf)),
            markdown.section("Find out", markdown.bullets(_find_out(decision))),
            cautions_section(decision, ("info",)),
            tasks_section(decision.tasks),
            markdown.section("Also worked out", markdown.bullets(_assessments(ruleset, decision))),
            not_used_section(ruleset, [*decision.not_used, *not_had]),
        ]
    )


def caution_in_full(decision: Decision, caution: Caution) -> str:
    """The ``caution`` and why it is given in ``decision``, as Markdown."""
    return markdown.joined(
        [markdown.plain(caution.text, 600), markdown.section(why_title(caution.severity), why(decision, caution.rules))]
    )


def cautions_section(decision: Decision, severities: Iterable[Severity]) -> str:
    """The cautions of ``decision`` of the given ``severities`` as one part of a card, in Markdown."""
    lines = [markdown.plain(caution.text, 600) for caution in decision.cautions if caution.severity in severities]
    return markdown.section("Keep in mind", markdown.bullets(lines))


def tasks_section(tasks: Sequence[Task], title: str = "Care") -> str:
    """``tasks`` under ``title``, one line each, in Markdown: what, when, who, how many people, where."""
    return markdown.section(title, markdown.bullets(map(task_line, tasks)))


def task_line(task: Task) -> str:
    """One ``task`` in one line."""
    where = f", {task.location}" if task.location else ""
    details = "".join(f" {markdown.plain(detail)}" for detail in task.details)
    who = markdown.plain(f"{task.who}{where}")
    return f"**{markdown.plain(task.title)}**: {markdown.plain(task.timing_words)}; {who}.{details}"


def not_used_section(ruleset: Ruleset, not_used: Sequence[NotUsed]) -> str:
    """What was seen or asked for and is ``not_used``, with the reason, in Markdown; facts by their labels in ``ruleset``."""
    lines = []
    for item in not_used[:_MOST_NOT_USED]:
        what = _label(ruleset, item.fact)
        where = f" ({markdown.code(item.reference)})" if item.reference else ""
        value = markdown.plain(item.value, 80)
        lines.append(f"{' '.join(part for part in (what, value) if part)}{where}: {markdown.plain(item.reason)}")
    if len(not_used) > _MOST_NOT_USED:
        lines.append(
            f"and {len(not_used) - _MOST_NOT_USED} more; all are in the decision that comes with this response"
        )
    return markdown.section("Not used", markdown.bullets(lines))


def _label(ruleset: Ruleset, fact: str | None) -> str:
    if fact is None:
        return ""
    return f"**{markdown.plain(ruleset.vocabulary[fact].label if fact in ruleset.vocabulary else fact)}**"


def why(decision: Decision, rules: Iterable[str]) -> str:
    """The because-line in ``decision`` of each of ``rules``, as bullets, each once. Ids and sources travel in the response."""
    lines = (markdown.plain(entry.because, 600) for entry in decision.traced(rules))
    return markdown.bullets(dict.fromkeys(lines))


def why_title(severity: Severity) -> str:
    """The title over the reasons of a card of that ``severity``."""
    return "Why this is critical" if severity == "critical" else "Why"


def _size(ruleset: Ruleset, decision: Decision) -> str:
    if decision.size_class is None or decision.confidence is None:
        return markdown.joined(_hold(decision, hold) for hold in decision.holds)
    size = decision.size_class
    settled = (
        "Nothing that is still unknown can change it." if decision.settled else "It may change with what is measured."
    )
    sure = markdown.plain(by_part(ruleset, decision))
    stated = f"**{markdown.plain(size.words)}** ({markdown.plain(size.in_words)}). {sure}. {settled}"
    order = [
        f"{position}. **{markdown.plain(option.size_class.in_words)}** ({markdown.plain(option.size_class.words)}): "
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


def _hold(decision: Decision, hold: HoldNotice) -> str:
    title = why_title("critical" if hold.kind == "do_not_size" else "warning")
    cautions = (markdown.plain(caution.text, 600) for caution in coming_with(decision, hold))
    return markdown.joined(
        [markdown.plain(hold.text, 600), *cautions, markdown.section(title, why(decision, hold.rules))]
    )


def coming_with(decision: Decision, hold: HoldNotice) -> list[Caution]:
    """The cautions of ``decision`` that the rules behind ``hold``, and no others, gave."""
    return [caution for caution in decision.cautions if caution.rules and set(caution.rules) <= set(hold.rules)]


def _axis(ruleset: Ruleset, decision: Decision, axis: AxisDecision) -> str:
    because = {entry.rule: entry.because for entry in decision.trace}
    reasons = " ".join(markdown.plain(because[rule], 600) for rule in axis.rules if rule in because)
    values = " or ".join(axis.candidates).replace("_", " ")
    return f"{markdown.plain(ruleset.axes[axis.axis].title)} {values}: {reasons}"


def _find_out(decision: Decision) -> Iterable[str]:
    """The dangers that are not recorded in one line, then every question: dangers before the size."""
    if decision.dangers_not_recorded is not None:
        yield f"**{markdown.plain(decision.dangers_not_recorded.text, 600)}**"
    size = {item.fact: item for item in decision.measure_next}
    questions: tuple[Question | MeasureNext, ...] = (*decision.ask, *decision.measure_next)
    for fact, question in {question.fact: question for question in questions}.items():
        withhold = (
            " The answer could change whether a size is given." if fact in size and size[fact].could_withhold else ""
        )
        yield f"**{markdown.plain(question.label)}**: {markdown.plain(question.ask)}{withhold}"


def _assessments(ruleset: Ruleset, decision: Decision) -> Iterable[str]:
    for item in decision.assessments:
        if item.value is not None:
            value = (
                {True: "yes", False: "no"}.get(item.value)
                if isinstance(item.value, bool)
                else str(item.value).replace("_", " ")
            )
            yield f"{markdown.plain(item.label)}: {markdown.plain(str(value))}"
        elif item.missing:
            lacking = ", ".join(markdown.plain(ruleset.vocabulary[fact].label) for fact in item.missing[:_MOST_MISSING])
            more = len(item.missing) - _MOST_MISSING
            rest = f" and {more} more" if more > 0 else ""
            yield f"{markdown.plain(item.label)}: cannot tell; missing: {lacking}{rest}"


def _said(value: FactValue) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value).replace("_", " ")
