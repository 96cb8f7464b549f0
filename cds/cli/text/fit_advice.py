"""The advice after a fit check as readable text for a terminal; colour only where the console has any."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from rules.deciding.fit_check import FitAdvice, FitCorrection

_STYLES = {"stop": "bold red", "refer": "bold yellow", "fits": "bold green"}


def print_advice(console: Console, advice: FitAdvice) -> None:
    """Print ``advice``: what to do first, then why, what was not looked at, and on which evidence."""
    console.print(Text(f"{advice.worn.in_words}: {advice.summary}", style=_STYLES.get(advice.outcome, "bold")))
    sections: list[tuple[str, Iterable[str]]] = [
        ("no collar", (hold.text for hold in advice.holds)),
        ("cautions", (f"{caution.severity}: {caution.text}" for caution in advice.cautions)),
        ("corrections", (_correction(entry) for entry in advice.corrections)),
        ("not recorded", () if advice.dangers_not_recorded is None else (advice.dangers_not_recorded.text,)),
        ("tasks", (f"{task.title}: {task.timing_words}, {task.performer_words}" for task in advice.tasks)),
        ("not looked at", (name.replace("_", " ") for name in advice.unchecked)),
        ("no item left for", advice.no_item_for),
        ("not offered again", advice.not_offered_again),
        ("sources", (f"{name}: {citation}" for name, citation in advice.sources.items())),
    ]
    for title, lines in sections:
        shown = list(lines)
        if shown:
            console.print(Text(f"  {title}", style="bold cyan"))
            for line in shown:
                console.print(Padding(Text(line), (0, 0, 0, 4)))
    console.print(Text(f"  {advice.disclaimer}", style="italic"))


def _correction(entry: FitCorrection) -> str:
    about = f"{entry.label}: " if entry.label else ""
    return f"{about}{entry.cause} {entry.correction} ({entry.rule})"
