"""What the standard asks of an answer, looked at one by one: https://cds-hooks.hl7.org/2.0/."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

Answer = Mapping[str, Any]


@dataclass(frozen=True)
class Checked:
    """One thing that the standard asks for, and whether it was so."""

    words: str
    kept: bool


def checked(answer: Answer) -> list[Checked]:
    """Every check on ``answer``, the JSON of a call's response."""
    return [Checked(words, all(test(card) for card in answer.get("cards", ()))) for words, test in _CARD.items()] + [
        Checked(words, test(answer)) for words, test in _ANSWER.items()
    ]


def _suggestions(card: Answer) -> list[Any]:
    return list(card.get("suggestions", ()))


def _actions(card: Answer) -> list[Any]:
    return [action for suggestion in _suggestions(card) for action in suggestion.get("actions", ())]


def _is_uuid(text: str) -> bool:
    try:
        return str(UUID(text)) == text
    except ValueError:
        return False


def _action_is_whole(action: Answer) -> bool:
    resource = action.get("resource", {})
    return bool(action.get("description")) and {
        "create": "resourceType" in resource and "id" not in resource,
        "update": "resourceType" in resource and "id" in resource,
        "delete": "resourceId" in action,
    }.get(str(action.get("type")), False)


def _is_link(link: Answer) -> bool:
    absolute = str(link.get("url", "")).startswith(("https://", "http://"))
    return bool(link.get("label")) and absolute and link.get("type") in ("absolute", "smart")


_CARD: Mapping[str, Callable[[Answer], bool]] = {
    "Each summary is shorter than 140 characters": lambda card: 0 < len(card.get("summary", "")) < 140,
    "Each indicator is info, warning or critical": lambda card: (
        card.get("indicator") in ("info", "warning", "critical")
    ),
    "Each source has a label": lambda card: bool(card.get("source", {}).get("label")),
    "Each link has a label, a type and an absolute address": lambda card: all(map(_is_link, card.get("links", ()))),
    "Each suggestion has a label": lambda card: all(one.get("label") for one in _suggestions(card)),
    "A card with suggestions says how many may be taken": lambda card: (
        not _suggestions(card) or card.get("selectionBehavior") in ("any", "at-most-one")
    ),
    "Each action has a description, and the resource that its type asks for": lambda card: all(
        map(_action_is_whole, _actions(card))
    ),
    "Each reason to override has a code and words": lambda card: all(
        reason.get("code") and reason.get("display") for reason in card.get("overrideReasons", ())
    ),
}


def _ids(answer: Answer) -> list[str]:
    cards = answer.get("cards", ())
    return [one["uuid"] for card in cards for one in (card, *_suggestions(card)) if isinstance(one.get("uuid"), str)]


def _empty(value: Any) -> Iterator[Any]:
    if value is None or (isinstance(value, (str, dict, list)) and not value):
        yield value
    for part in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from _empty(part)


_ANSWER: Mapping[str, Callable[[Answer], bool]] = {
    "There is a list of cards, which may be empty": lambda answer: isinstance(answer.get("cards"), list),
    "Ids are UUIDs, and none is used twice": lambda answer: (
        all(map(_is_uuid, _ids(answer))) and max(Counter(_ids(answer)).values(), default=1) == 1
    ),
    "Nothing is null, and nothing empty": lambda answer: (
        not any(True for card in answer.get("cards", ()) for _ in _empty(card))
    ),
}
