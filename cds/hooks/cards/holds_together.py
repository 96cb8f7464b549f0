"""Reasons to give no size that differ in what they begin with alone, said as one: "Higher and wider than this line reaches"."""

from __future__ import annotations

from collections.abc import Iterable

from rules.model.decision import HoldNotice


def held_together(holds: Iterable[HoldNotice]) -> tuple[HoldNotice, ...]:
    """``holds`` in their order; one whose text differs from an earlier one of its kind in the first word alone joins it."""
    kept: dict[tuple[str, str], HoldNotice] = {}
    for hold in holds:
        first, _, rest = hold.text.partition(" ")
        key = (hold.kind, rest or hold.text)
        kept[key] = _joined(kept[key], hold, first) if key in kept and first != hold.text else hold
    return tuple(kept.values())


def _joined(before: HoldNotice, hold: HoldNotice, first: str) -> HoldNotice:
    begins, _, rest = before.text.partition(" ")
    head, _, summary = before.summary.partition(" ")
    alike = summary == hold.summary.partition(" ")[2] and head == begins
    return before.model_copy(
        update={
            "text": f"{begins} and {first.lower()} {rest}",
            "summary": f"{head} and {first.lower()} {summary}" if alike else before.summary,
            "rules": tuple(dict.fromkeys([*before.rules, *hold.rules])),
        }
    )
