"""Need before size: where a caution leads, a card says it first."""

from __future__ import annotations

from dataclasses import replace

from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft
from cds.hooks.cards.reading_limit import Line
from rules.model.decision import Decision


def need_first(main: Draft, decision: Decision) -> Draft:
    """``main`` with what leads in ``decision`` said before it; ``main`` itself where nothing leads."""
    if not decision.leading:
        return main
    said = " ".join(caution.text for caution in decision.leading)
    critical = main.indicator == "critical"
    return replace(
        main,
        indicator="critical" if critical else "warning",
        summary=main.summary if critical else decision.leading[0].summary,
        lines=(Line("", f"**{markdown.plain(said, 600)}**", needed=True), *main.lines),
        full=lambda: markdown.joined([f"**{markdown.plain(said, 600)}**", main.full()]),
        rules=tuple(dict.fromkeys([*(rule for caution in decision.leading for rule in caution.rules), *main.rules])),
    )


def without_leading(decision: Decision) -> Decision:
    """``decision`` without the cautions that lead, for cards beside one that says them."""
    rest = tuple(caution for caution in decision.cautions if not caution.leads)
    return decision.model_copy(update={"cautions": rest})
