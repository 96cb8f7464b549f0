"""The advice after a fit check for a terminal: what to do now first; rules and sources where they are asked for."""

from __future__ import annotations

from collections.abc import Iterator

from cds.cli.text.brief import task_line
from cds.cli.text.decision_text import COLOURS, TerminalLine, render, sources_text
from rules.deciding.fit_check import FitAdvice, FitCorrection, findings_of
from rules.model.ruleset import Ruleset

_COLOURS = {"stop": "red", "refer": "yellow", "fits": "green"}


def advice_text(ruleset: Ruleset, advice: FitAdvice, *, why: bool = False) -> str:
    """``advice`` by ``ruleset`` as text: the one thing to do, what is dangerous, what to correct, and who does it.

    ``why`` adds the rules and sources.
    """
    text = render(_lines(ruleset, advice, why))
    return f"{text}\n{sources_text(dict(advice.sources))}" if why and advice.sources else text


def _lines(ruleset: Ruleset, advice: FitAdvice, why: bool) -> Iterator[TerminalLine]:
    yield TerminalLine(0, advice.summary, colour=_COLOURS.get(advice.outcome), bold=True)
    for hold in advice.holds:
        yield TerminalLine(1, f"No size: {hold.text}", colour="red", bold=True)
    for caution in advice.cautions:
        critical = caution.severity == "critical"
        yield TerminalLine(1, f"{caution.severity}: {caution.text}", colour=COLOURS[caution.severity], bold=critical)
    yield from (TerminalLine(1, _correction(entry, why)) for entry in advice.corrections)
    yield from (TerminalLine(1, task_line(task)) for task in advice.tasks)
    if advice.dangers_not_recorded is not None:
        yield TerminalLine(1, advice.dangers_not_recorded.text, colour=COLOURS["warning"])
    yield TerminalLine(1, f"Worn: {advice.worn.words} ({advice.worn.in_words})")
    labels = {name: fact.label for name, fact in findings_of(ruleset).items()}
    sizes = {value: words for axis in ruleset.axes.values() for value, words in axis.words.items()}
    for title, names, words in (
        ("Not looked at", () if advice.outcome == "stop" else advice.unchecked, labels),
        ("Not offered again", advice.not_offered_again, sizes),
    ):
        if names:
            yield TerminalLine(1, f"{title}: {', '.join(words[name] for name in names)}")
    if not why:
        yield TerminalLine(1, "--why: rules and sources", dim=True)
    yield TerminalLine(1, advice.disclaimer, dim=True)


def _correction(entry: FitCorrection, why: bool) -> str:
    about = f"{entry.label[:1].upper()}{entry.label[1:]}: " if entry.label else ""
    rule = f" ({entry.rule})" if why else ""
    return f"{about}{entry.cause} {entry.correction}{rule}"
