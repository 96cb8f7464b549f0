"""How much of a card is read: lines that must stand, lines that stand while there is room, and a count of the rest."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from cds.hooks.cards import markdown

LONGEST_DETAIL = 1600
"""Characters of detail on any card; a service may ask for fewer. Lines that are needed stand even beyond it."""

NOT_SHOWN = "Not shown here"
AT_THE_LINK = "More at the link"
"""How the count of what is left out is led in: without and with a link beside the card that shows all of it."""


@dataclass(frozen=True)
class CardLine:
    """One line of a card in Markdown: a bullet under the title ``section``, or a paragraph where that is empty.

    ``needed`` lines are never left out, those ``behind`` always. ``counted`` is what a line is called, in the singular, where it
    is left out; nothing where it is not missed. An ``alarm`` says what is critical: nothing else stands between two of them.
    """

    section: str
    text: str
    needed: bool = False
    counted: str = "reason"
    behind: bool = False
    alarm: bool = False


def fitted(
    lines: Sequence[CardLine], summary: str, longest: int = LONGEST_DETAIL, ending: str = "", rest: str = NOT_SHOWN
) -> str:
    """``lines`` as the detail of a card headed ``summary``, in at most ``longest`` characters where the needed ones allow it.

    What the summary says already is not said again. Of one kind the first lines stay, so that the gravest do. ``ending``
    stands last, and counts. ``rest`` leads in the count of what is not shown.
    """
    said = markdown.plain(summary).casefold()
    fresh = [line for line in lines if line.text.casefold().strip("*").rstrip(".") not in said]
    shown = [line for line in fresh if line.needed]
    full: set[str] = set()
    for line in fresh:
        if line.needed or line.behind or line.counted in full:
            continue
        tried = [each for each in fresh if each in shown or each is line]
        if len(_text(tried, fresh, ending, rest)) <= longest:
            shown = tried
        else:
            full.add(line.counted)
    return _text(shown, fresh, ending, rest)


def _text(shown: Sequence[CardLine], fresh: Sequence[CardLine], ending: str, rest: str) -> str:
    parts = []
    for section, lines in groupby(shown, key=lambda line: line.section):
        texts = [line.text for line in lines]
        parts.append(markdown.section(section, markdown.bullets(texts)) if section else markdown.joined(texts))
    left_out = _left_out(Counter(line.counted for line in fresh if line not in shown), rest)
    return markdown.joined([*parts, left_out, ending])


def _left_out(counts: Counter[str], rest: str) -> str:
    """``More at the link: 2 cautions, 1 reason.``; empty where everything is shown."""
    named = [f"{number} {what}{'' if number == 1 else 's'}" for what, number in counts.items() if what]
    return f"{rest}: {', '.join(named)}." if named else ""
