"""A decision on one screen, and many decisions as a table of one line each."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import click

from cds.cli.text.decision_text import COLOURS, TerminalLine, nothing_found, render
from cds.hooks.cards.by_part import by_part
from cds.hooks.cards.distinct_questions import distinct_questions
from cds.hooks.cards.holds_together import held_together
from cds.hooks.cards.markdown import shorten
from cds.site.catalogue_matching import Shelf
from rules.deciding.band_probability import share_in_words
from rules.evaluation.hit_policy import IF_NOT_THE_FIRST
from rules.model.decision import Caution, Decision, Task, to_look_up
from rules.model.ruleset import Ruleset

MOST_LINES = 25
"""Lines for a patient without a critical caution and with at most two warnings; what is critical may take more."""
_MOST_QUESTIONS = 2
_MOST_ITEMS = 2
_LEAST_FOR_TASKS = 4
_PRESSING_HOURS = 1
"""What comes round as often as this is as pressing as what is due now."""


def brief_text(ruleset: Ruleset, decision: Decision, title: str, shelf: Shelf | None = None) -> str:
    """``decision`` under ``title``: what stops, size, warnings, other sizes, what to find out, and the tasks that have room.

    ``ruleset`` has the words for facts and axes, ``shelf`` what the site stocks.
    """
    head = render(_head(ruleset, decision, title, shelf)).splitlines()
    foot = render(_foot(decision)).splitlines()
    room = max(MOST_LINES - len(head) - len(foot), _LEAST_FOR_TASKS)
    critical = any(caution.severity == "critical" for caution in decision.cautions)
    return "\n".join([*head, *_tasks(decision.tasks, room, all_pressing=critical), *foot])


def _head(ruleset: Ruleset, decision: Decision, title: str, shelf: Shelf | None) -> Iterator[TerminalLine]:
    yield TerminalLine(0, title, bold=True)
    yield from nothing_found(decision)
    further = [caution for caution in decision.cautions if not caution.leads]
    yield from (_bold(caution) for caution in decision.leading if caution.severity == "critical")
    for hold in held_together(decision.holds):
        yield TerminalLine(1, f"No size: {hold.text}", colour="red", bold=True)
    yield from (_bold(caution) for caution in further if caution.severity == "critical")
    yield from (_bold(caution) for caution in decision.leading if caution.severity != "critical")
    if decision.size_class is not None:
        size = decision.size_class
        yield TerminalLine(1, f"{size.in_words}: {size.words}", colour="green", bold=True)
        share = decision.candidates[0].probability
        likely = "" if share is None else f"; {share_in_words(share)}"
        yield TerminalLine(1, f"{by_part(ruleset, decision)}{likely}")
        yield from _items(shelf)
    for caution in further:
        if caution.severity == "warning":
            yield TerminalLine(1, f"warning: {caution.summary}", colour=COLOURS["warning"])
    if decision.dangers_not_recorded is not None:
        yield TerminalLine(1, decision.dangers_not_recorded.text, colour=COLOURS["warning"])
    unread = to_look_up(decision.not_used)
    if unread:
        yield TerminalLine(1, f"Not used here, read it yourself: {'; '.join(unread)}", colour=COLOURS["warning"])
    # Where something goes before the collar, which other size there is has time, and stands behind --why.
    for candidate in () if decision.leading else decision.candidates[1:]:
        yield TerminalLine(1, f"else {candidate.size_class.in_words}: {candidate.why.removeprefix(IF_NOT_THE_FIRST)}")
    for question in distinct_questions(decision)[:_MOST_QUESTIONS]:
        yield TerminalLine(1, f"Find out: {question.ask}")


def _bold(caution: Caution) -> TerminalLine:
    return TerminalLine(1, f"{caution.severity}: {caution.text}", colour=COLOURS[caution.severity], bold=True)


def _items(shelf: Shelf | None) -> Iterator[TerminalLine]:
    if shelf is not None:
        for item in shelf.items[:_MOST_ITEMS]:
            yield TerminalLine(1, f"on the shelf: {item.item} {item.name}")
        for reason in shelf.none_because:
            yield TerminalLine(1, f"nothing on the shelf fits: {reason}", colour="yellow")


def _tasks(tasks: Sequence[Task], room: int, *, all_pressing: bool) -> list[str]:
    """A title and the tasks in ``room`` lines, the last of them a count where there are more.

    What is due now stands first, then the rest, each in the order of doing. With ``all_pressing`` nothing that is due now is
    left out, whatever the room.
    """
    least = sum(map(_is_pressing, tasks)) if all_pressing else 0
    for shown in range(len(tasks), -1, -1):
        lines = render(_named(tasks, shown)).splitlines()
        if len(lines) <= room or shown == least:
            return lines
    return []


def _named(tasks: Sequence[Task], shown: int) -> Iterator[TerminalLine]:
    if tasks:
        yield TerminalLine(1, "Tasks", colour="cyan", bold=True)
    pressing = sorted(range(len(tasks)), key=lambda position: not _is_pressing(tasks[position]))
    for task in (tasks[position] for position in pressing[:shown]):
        yield TerminalLine(2, task_line(task))
    if shown < len(tasks):
        yield TerminalLine(2, f"and {len(tasks) - shown} more")


def task_line(task: Task) -> str:
    """The ``task`` in a line: what, who, how many people, and when it begins."""
    begins = f": {task.begins}" if task.begins else ""
    return f"{task.title} ({task.who}){begins}"


def _is_pressing(task: Task) -> bool:
    every = task.timing.interval_hours
    return task.timing.within_hours == 0 or (every is not None and every <= _PRESSING_HOURS)


def _foot(decision: Decision) -> Iterator[TerminalLine]:
    infos = sum(caution.severity == "info" for caution in decision.cautions)
    counts = [f"{infos} more to keep in mind"] if infos else []
    if decision.not_used:
        counts.append(f"{len(decision.not_used)} of the record not used")
    if counts:
        yield TerminalLine(1, f"{', '.join(counts).capitalize()}: --why", dim=True)
    identity = decision.ruleset
    yield TerminalLine(
        1, f"Content {identity.hash[:12]}, {decision.at:%Y-%m-%d %H:%M %Z}; --why: reasons; --full: all", dim=True
    )
    yield TerminalLine(1, decision.disclaimer, dim=True)


class PatientRow(NamedTuple):
    """One patient in the table: how it is called for, the name, and what was decided."""

    number: str
    name: str
    decision: Decision


def table(rows: Iterable[PatientRow]) -> str:
    """``rows``, one line a patient: number, name, size or none, how many tasks, and the first caution (``!``: critical)."""
    width = min(shutil.get_terminal_size((100, 24)).columns, 100)
    lines = [click.style(f"{'':4}{'patient':21}{'size':23}{'tasks':>5}  first caution", bold=True)]
    for row in rows:
        size = row.decision.size_class.in_words if row.decision.size_class else "none"
        start = f"{row.number:4}{shorten(row.name, 20):21}{size:23}{len(row.decision.tasks):>5}  "
        severity, caution = _first(row.decision)
        lines.append(start + click.style(shorten(caution, width - len(start)), fg=COLOURS.get(severity)))
    return "\n".join(lines)


def _first(decision: Decision) -> tuple[str, str]:
    """The gravest thing that is said: why there is no size, or the first caution."""
    for hold in decision.holds:
        return "critical", f"{'! ' if hold.kind == 'do_not_size' else ''}{hold.summary}"
    for caution in decision.cautions:
        return caution.severity, f"{'! ' if caution.severity == 'critical' else ''}{caution.summary}"
    return "", ""
