"""A decision as readable text for a terminal; colour only where the console has any."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from rules.decision import Caution, Decision, MeasureNext, Task

_STYLES = {"critical": "bold red", "warning": "yellow", "info": "cyan"}


def print_decision(console: Console, decision: Decision, *, title: str, shelf: Iterable[str] = ()) -> None:
    """Print ``decision`` under ``title``; ``shelf`` are lines on the site's stock that fits."""
    console.print(Text(title, style="bold"))
    sections: list[tuple[str, list[RenderableType]]] = [
        ("size", _size(decision)),
        ("try", _tries(decision)),
        ("on the shelf", [Text(line) for line in shelf]),
        ("find out", [_question(entry) for entry in decision.measure_next]),
        ("cautions", [_caution(caution) for caution in decision.cautions]),
        ("tasks", [_task(task) for task in decision.tasks]),
        ("reported", list(_assessments(decision))),
        ("not used", [_indented(f"{n.value}: {n.reason}", [n.fact, n.reference]) for n in decision.not_used]),
        ("site", [Text(f"{c.name}: {c.because}") for c in decision.local_changes]),
        ("rules", list(_rules(decision))),
    ]
    for name, lines in sections:
        if lines:
            console.print(Text(f"  {name}", style="bold cyan"))
            console.print(Padding(Group(*lines), (0, 0, 0, 4)))
    identity = decision.ruleset
    console.print(
        Text(f"  {identity.name} {identity.version}, content {identity.hash[:12]}, at {decision.at.isoformat()}")
    )
    console.print(Text(f"  {decision.disclaimer}", style="italic"))
    console.print()


def _size(decision: Decision) -> list[RenderableType]:
    if decision.size_class is None:
        return [_indented(hold.text, hold.rules, style="bold red") for hold in decision.holds]
    settled = "nothing unknown can change it (settled)" if decision.settled else "not settled"
    return [
        Text.assemble((decision.size_class.code, "bold green"), f"  {decision.size_class.words}"),
        Text(f"{decision.confidence}; {settled}"),
        *(
            Text(
                f"{axis.axis.replace('_', ' ')} {axis.value} ({axis.confidence}): {', '.join(axis.rules)}", style="dim"
            )
            for axis in decision.axes.values()
        ),
    ]


def _tries(decision: Decision) -> list[RenderableType]:
    return [
        Text(f"{number}. {candidate.size_class.code} - {candidate.why}")
        for number, candidate in enumerate(decision.candidates, 1)
    ]


def _question(entry: MeasureNext) -> RenderableType:
    changes = [axis.replace("_", " ") for axis in entry.axes]
    if entry.could_withhold:
        changes.append("whether a size is given at all")
    beside = f" (with {', '.join(entry.with_facts)})" if entry.with_facts else ""
    about = f" - could change {', '.join(changes)}" if changes else " - may matter together with other answers"
    return _indented(f"{entry.label}{beside}{about}", [], below=entry.ask)


def _caution(caution: Caution) -> RenderableType:
    return _indented(f"{caution.severity}: {caution.text}", caution.rules, style=_STYLES[caution.severity])


def _task(task: Task) -> RenderableType:
    people = f", {task.people} people" if task.people > 1 else ""
    head = f"{task.title}: {task.timing_words} ({task.performer_words}{people})"
    return _indented(head, task.rules, below=" ".join([task.instruction, *task.details]))


def _assessments(decision: Decision) -> Iterator[RenderableType]:
    for assessment in decision.assessments:
        if assessment.value is not None:
            yield _indented(f"{assessment.label}: {assessment.value}", assessment.rules)
        elif assessment.missing:
            yield Text(f"{assessment.label}: cannot tell; missing {', '.join(assessment.missing)}")


def _rules(decision: Decision) -> Iterator[RenderableType]:
    for entry in decision.trace:
        yield _indented(f"{entry.rule}: {entry.because}", entry.sources)
    for cited, citation in decision.sources.items():
        yield Text(f"[{cited}] {citation}", style="dim")


def _indented(head: str, ids: Iterable[str | None], *, style: str = "", below: str = "") -> RenderableType:
    """``head``, then what stands ``below`` it, then the ids behind it."""
    lines: list[RenderableType] = [Text(head, style=style)]
    if below:
        lines.append(Padding(Text(below), (0, 0, 0, 2)))
    named = [name for name in ids if name]
    if named:
        lines.append(Padding(Text(", ".join(named), style="dim"), (0, 0, 0, 2)))
    return Group(*lines)
