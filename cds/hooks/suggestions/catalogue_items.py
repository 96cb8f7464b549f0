"""The site's shelf on a card and in an order: which items fit, which one an order names, and what speaks against that one."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from cds.fhir.json_access import codings, items
from cds.hooks.cards import markdown
from cds.protocol.request import Resource
from cds.site.catalogue import Catalogue
from cds.site.catalogue_matching import Item, Shelf
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset

_MOST_SHOWN = 4
_MOST_NAMED = 2


@dataclass(frozen=True)
class OrderedItem:
    """An item of the catalogue that an order names, and the code by which it does."""

    item: Item
    coding: dict[str, Any]


@dataclass(frozen=True)
class Misfit:
    """Why an item does not suit a decision: the axis, in words, and the rules behind that axis."""

    axis: str
    text: str
    rules: tuple[str, ...]


def shelf_lines(shelf: Shelf | None) -> list[str]:
    """``shelf`` in Markdown, one line an item, nearest first; or why nothing fits. None: the site has no catalogue."""
    if shelf is None:
        return []
    shown = [
        f"**{markdown.plain(item.item)}** {markdown.plain(item.name)}: {markdown.plain(item.said)}"
        for item in shelf.items[:_MOST_SHOWN]
    ]
    more = len(shelf.items) - _MOST_SHOWN
    nothing = [f"nothing fits: {markdown.plain(reason)}" for reason in shelf.none_because]
    return [*shown, *([f"and {more} more"] if more > 0 else []), *nothing]


def shelf_items(shelf: Shelf | None) -> list[str]:
    """The nearest items of ``shelf`` in Markdown, by name; or why nothing fits. None: the site has no catalogue."""
    if shelf is None:
        return []
    named = [f"**{markdown.plain(item.item)}** {markdown.plain(item.name)}" for item in shelf.items[:_MOST_NAMED]]
    return named or [f"nothing fits: {markdown.plain(reason)}" for reason in shelf.none_because]


def ordered_item(order: Resource, catalogue: Catalogue | None) -> OrderedItem | None:
    """The item that ``order`` names, by a coding of the system of ``catalogue``, in its code or its details; else None."""
    if catalogue is None:
        return None
    stocked = {item.item: item for item in catalogue.items}
    for coding in codings([order.get("code"), order.get("codeCodeableConcept"), *items(order, "orderDetail")]):
        code, system = coding.get("code"), coding.get("system")
        if isinstance(code, str) and code in stocked and (catalogue.system is None or system == catalogue.system):
            return OrderedItem(stocked[code], coding)
    return None


def misfits(item: Item, decision: Decision, ruleset: Ruleset) -> Iterator[Misfit]:
    """What ``decision`` says against ``item``, on each axis of ``ruleset``. What rests on assumptions alone says nothing."""
    facts = {fact.name: fact.value for fact in decision.facts}
    for axis in ruleset.axes.values():
        decided = decision.axes[axis.name]
        if decided.confidence == "assumed" or not decided.candidates:
            continue
        measured = None if axis.fact is None else facts.get(axis.fact)
        if axis.name in item.axes and not set(item.axes[axis.name]) & set(decided.candidates):
            made_for = " or ".join(axis.words[value] for value in item.axes[axis.name])
            wanted = " or ".join(axis.words[value] for value in decided.candidates)
            text = f"Item {item.item} is made for {made_for}, and the patient needs {wanted}."
            yield Misfit(axis.name, text, decided.rules)
        elif axis.name in item.ranges and isinstance(measured, (int, float)):
            low, high = item.ranges[axis.name]
            if not low <= measured <= high:
                text = f"Item {item.item} takes {axis.title} {low:g} to {high:g} mm; {measured:.0f} mm is measured."
                yield Misfit(axis.name, text, decided.rules)


def with_item(order: Resource, ordered: OrderedItem, shelf: Shelf) -> Resource:
    """``order`` with the nearest item of ``shelf`` that fits in place of the one ``ordered``; without one where nothing fits."""
    nearest = _nearest(ordered, shelf)
    changed = copy.deepcopy(order)
    for key in ("code", "codeCodeableConcept"):
        if ordered.coding in codings([order.get(key)]):
            del changed[key]
            changed |= {key: nearest} if nearest else {}
    details = items(order, "orderDetail")
    kept = [detail for detail in details if ordered.coding not in codings([detail])]
    if len(kept) < len(details):
        changed["orderDetail"] = [*kept, *([nearest] if nearest else [])]
    return changed


def _nearest(ordered: OrderedItem, shelf: Shelf) -> dict[str, Any] | None:
    if not shelf.items:
        return None
    item = shelf.items[0]
    system = {"system": ordered.coding["system"]} if isinstance(ordered.coding.get("system"), str) else {}
    return {"coding": [{**system, "code": item.item, "display": item.name}], "text": item.name}
