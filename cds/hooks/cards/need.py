"""Before size: where a caution leads, of an emergency or of the need, a card says it first."""

from __future__ import annotations

from dataclasses import replace

from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft
from cds.hooks.cards.reading_limit import CardLine
from rules.model.decision import Decision
from rules.model.ruleset import SEVERITIES

DIED = "The record says that this patient has died: check that it is the right patient."


def need_first(main: Draft, decision: Decision) -> Draft:
    """``main`` with what leads in ``decision`` said before it; ``main`` itself where nothing leads."""
    if not decision.leading:
        return main
    first = decision.leading[0]
    said = [f"**{markdown.plain(caution.text, 600)}**" for caution in decision.leading]
    graver = SEVERITIES.index(first.severity) <= SEVERITIES.index(main.indicator)
    return replace(
        main,
        indicator=first.severity if graver else main.indicator,
        summary=first.summary if graver else main.summary,
        lines=(
            *(
                CardLine("", text, needed=True, alarm=caution.severity == "critical")
                for text, caution in zip(said, decision.leading, strict=True)
            ),
            *main.lines,
        ),
        full=lambda: markdown.joined([*said, main.full()]),
        rules=tuple(dict.fromkeys([*(rule for caution in decision.leading for rule in caution.rules), *main.rules])),
    )


def without_leading(decision: Decision) -> Decision:
    """``decision`` without the cautions that lead, for cards beside one that says them."""
    rest = tuple(caution for caution in decision.cautions if not caution.leads)
    return decision.model_copy(update={"cautions": rest})
