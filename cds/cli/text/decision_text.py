"""A decision as readable lines for a terminal. ``click.echo`` drops the colour where there is no terminal."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import click

from cds.hooks.cards.holds_together import held_together
from cds.reports.report_blocks import count
from cds.site.catalogue_matching import Shelf
from rules.model.decision import Decision, MeasureNext, Task
from rules.model.quantity_words import value_words
from rules.model.rule_text import in_words
from rules.model.ruleset import Ruleset

COLOURS = {"critical": "red", "warning": "yellow", "info": "cyan"}
_WIDEST = 110


class TerminalLine(NamedTuple):
    """One paragraph: how deep it is indented, its text, and how it is emphasised."""

    depth: int
    text: str
    colour: str | None = None
    bold: bool = False
    dim: bool = False


def decision_text(
    ruleset: Ruleset, decision: Decision, title: str, shelf: Shelf | None = None, *, full: bool = False
) -> str:
    """``decision`` by ``ruleset`` under ``title`` with what is on the site's ``shelf``, wrapped to the terminal.

    ``full`` adds each task's instruction, and each rule that fired with its reason and comparisons.
    """
    return render(_Lines(ruleset, decision, full).all(title, shelf))


def sources_text(citations: dict[str, str]) -> str:
    """The sources cited, one a paragraph; ``citations`` has each by its name."""
    return render(
        [
            TerminalLine(0, "Sources", bold=True),
            *(TerminalLine(1, f"[{name}] {citations[name]}") for name in sorted(citations)),
        ]
    )


def render(lines: Iterable[TerminalLine]) -> str:
    """``lines`` wrapped to the width of the terminal, at most 110 columns."""
    width = min(shutil.get_terminal_size((100, 24)).columns, _WIDEST)
    return "\n".join(_render(line, width) for line in lines)


def _render(line: TerminalLine, width: int) -> str:
    indent = "  " * line.depth
    wrapped = textwrap.fill(
        line.text, width, initial_indent=indent, subsequent_indent=indent + "  ", break_on_hyphens=False
    )
    return click.style(wrapped, fg=line.colour, bold=line.bold or None, dim=line.dim or None)


def nothing_found(decision: Decision) -> Iterator[TerminalLine]:
    """That ``decision`` knows nothing of this patient, where that is so.

    What follows would read as if it were about somebody.
    """
    if not decision.facts:
        unused = len(decision.not_used)
        of_record = f" (not used: {count(unused, 'record')}; --full names them)" if unused else ""
        text = f"Nothing that the rules read was found{of_record}: what follows holds for a patient of whom nothing is known."
        yield TerminalLine(1, text, colour=COLOURS["warning"], bold=True)


class _Lines:
    """One decision being written as lines."""

    def __init__(self, ruleset: Ruleset, decision: Decision, full: bool) -> None:
        self.ruleset = ruleset
        self.axes = {name: axis.title for name, axis in ruleset.axes.items()}
        self.decision = decision
        self.full = full
        self.cited = {entry.rule: entry.sources for entry in decision.trace}

    def all(self, title: str, shelf: Shelf | None) -> Iterator[TerminalLine]:
        decision = self.decision
        yield TerminalLine(0, title, bold=True)
        yield from nothing_found(decision)
        for name, lines in (
            ("Size", self.size()),
            ("Try in this order", self.tries()),
            ("On the shelf", self.shelf(shelf)),
            ("Find out next", self.questions()),
            ("Cautions", self.cautions()),
            ("Tasks", self.tasks()),
            ("Assessed", self.assessments()),
            ("Seen and not used", self.not_used()),
            (
                "Set by the site",
                (TerminalLine(2, f"{change.name}: {change.because}") for change in decision.local_changes),
            ),
            ("Rules that fired", self.fired()),
        ):
            first = next(lines := iter(lines), None)
            if first is not None:
                yield TerminalLine(1, name, colour="cyan", bold=True)
                yield first
                yield from lines
        identity = decision.ruleset
        moment = f"{decision.at:%Y-%m-%d %H:%M %Z}"
        yield TerminalLine(1, f"{identity.name} {identity.version}, content {identity.hash[:12]}, {moment}", dim=True)
        yield TerminalLine(1, decision.disclaimer, dim=True)
        yield TerminalLine(0, "")

    def rules(self, rules: Iterable[str], depth: int = 3) -> Iterator[TerminalLine]:
        """The rules behind the line above, each with its sources, indented by ``depth`` levels."""
        named = [f"{rule} [{', '.join(self.cited[rule])}]" for rule in rules]
        yield TerminalLine(depth, "; ".join(named), dim=True)

    def size(self) -> Iterator[TerminalLine]:
        decision = self.decision
        for hold in held_together(decision.holds):
            yield TerminalLine(2, f"none: {hold.text}", colour="red", bold=True)
            yield from self.rules(hold.rules)
        if decision.size_class is None:
            return
        settled = "settled: nothing that is still unknown can change it" if decision.settled else "not settled"
        yield TerminalLine(2, f"{decision.size_class.in_words}: {decision.size_class.words}", colour="green", bold=True)
        yield TerminalLine(2, f"{decision.confidence}; {settled}")
        for axis in decision.axes.values():
            yield TerminalLine(2, f"{self.axes[axis.axis]} {value_words(axis.value or 'none')}, {axis.confidence}")
            yield from self.rules(axis.rules)

    def tries(self) -> Iterator[TerminalLine]:
        for number, candidate in enumerate(self.decision.candidates, 1):
            yield TerminalLine(2, f"{number}. {candidate.size_class.in_words}: {candidate.why}")

    def shelf(self, shelf: Shelf | None) -> Iterator[TerminalLine]:
        if shelf is None:
            return
        for item in shelf.items:
            yield TerminalLine(2, f"{item.item} {item.name}: {item.said}")
        for reason in shelf.none_because:
            yield TerminalLine(2, f"nothing fits: {reason}", colour="yellow")

    def questions(self) -> Iterator[TerminalLine]:
        if self.decision.dangers_not_recorded is not None:
            yield TerminalLine(2, self.decision.dangers_not_recorded.text, colour="yellow", bold=True)
        for question in self.decision.ask:
            yield TerminalLine(2, f"{question.label}: {question.ask}")
        for entry in self.decision.measure_next:
            yield TerminalLine(2, f"{entry.label}{_beside(entry)}: {self._changes(entry)}. {entry.ask}")

    def _changes(self, entry: MeasureNext) -> str:
        changes = [self.axes[axis] for axis in entry.axes]
        if entry.could_withhold:
            changes.append("whether a size is given at all")
        return f"could change {', '.join(changes)}" if changes else "may matter together with other answers"

    def cautions(self) -> Iterator[TerminalLine]:
        for caution in self.decision.cautions:
            yield TerminalLine(2, f"{caution.severity}: {caution.text}", colour=COLOURS[caution.severity])
            yield from self.rules(caution.rules)

    def tasks(self) -> Iterator[TerminalLine]:
        for task in self.decision.tasks:
            yield TerminalLine(2, _task(task))
            for text in (task.instruction, *task.details) if self.full else task.details:
                yield TerminalLine(3, text)
            yield from self.rules(task.rules)

    def assessments(self) -> Iterator[TerminalLine]:
        for assessment in self.decision.assessments:
            if assessment.value is not None:
                yield TerminalLine(2, f"{assessment.label}: {value_words(assessment.value)}")
                yield from self.rules(assessment.rules)
            elif assessment.missing:
                missing = ", ".join(map(value_words, assessment.missing))
                yield TerminalLine(2, f"{assessment.label}: cannot tell; missing {missing}")

    def not_used(self) -> Iterator[TerminalLine]:
        for refused in self.decision.not_used:
            where = ", ".join(part for part in (refused.about, refused.reference) if part)
            yield TerminalLine(2, f"{refused.value}: {refused.reason}" + (f" ({where})" if where else ""))

    def fired(self) -> Iterator[TerminalLine]:
        for entry in self.decision.trace if self.full else ():
            compared = "; ".join(
                in_words(self.ruleset, comparison.text) + (f" [{comparison.reference}]" if comparison.reference else "")
                for comparison in entry.comparisons
            )
            yield TerminalLine(2, f"{entry.rule}: {entry.because}")
            yield TerminalLine(3, f"{compared or 'always'}; {', '.join(entry.sources)}", dim=True)


def _beside(entry: MeasureNext) -> str:
    return f" (with {', '.join(entry.with_labels)})" if entry.with_labels else ""


def _task(task: Task) -> str:
    return f"{task.title}: {task.timing_words} ({task.who})"
