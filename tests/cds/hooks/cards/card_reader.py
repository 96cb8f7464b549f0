"""The cards of a call as their reader sees them: what the texts say, and what the orders that they offer hold."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

Json = dict[str, Any]

_SIZE = re.compile(r"\*\*([^*]+)\*\* \(([^()]+(?:\([^()]*\)[^()]*)*)\)\.")
_LEFT_OUT = re.compile(r"(\d+) cautions?\b")
_GRAVITY = {"Critical": "critical", "Warning": "warning", "Info": "info"}


class CardReader:
    """What stands in ``cards``; Markdown is read as plain text."""

    def __init__(self, cards: list[Json]) -> None:
        self.summaries = [plain(card["summary"]) for card in cards]
        self.text = " ".join(plain(f"{card['summary']} {card['detail']}") for card in cards)
        self._details = [card["detail"] for card in cards]
        suggestions = [one for card in cards for one in card.get("suggestions", ())]
        self.actions: list[Json] = [action for one in suggestions for action in one["actions"]]

    def sizes(self) -> list[tuple[str, str]]:
        """Each size that a detail gives: in words, and by its code in words."""
        found = [match.groups() for detail in self._details for match in _SIZE.finditer(detail)]
        return [(plain(words).lower(), plain(named)) for words, named in found]

    def left_out(self) -> int:
        """How many cautions the details say that they do not show."""
        told = [
            line for detail in self._details for line in detail.splitlines() if line.startswith("More at the link:")
        ]
        return sum(int(number) for line in told for number in _LEFT_OUT.findall(line))

    def noted(self) -> set[tuple[str, str]]:
        """Severity and text of each caution in the notes of what is offered."""
        notes = [note["text"] for action in self.actions for note in action["resource"].get("note", ())]
        parted = [text.partition(": ") for text in notes]
        return {(_GRAVITY[kind], text) for kind, _, text in parted if kind in _GRAVITY}

    def tasks(self) -> dict[str, int]:
        """How many people each task takes, of the orders and the care plan that are offered, by its title."""
        found = [_task(part) for action in self.actions for part in _parts(action["resource"])]
        return {title: people for title, people in found if people is not None}


def plain(text: str) -> str:
    """Markdown without its marks, on one line."""
    return " ".join(re.sub(r"\\([^\w\s])", r"\1", text.replace("**", "")).split())


def _parts(resource: Json) -> Iterator[Mapping[str, Any]]:
    if resource["resourceType"] == "CarePlan":
        yield from (activity["detail"] for activity in resource.get("activity", ()) if "detail" in activity)
    else:
        yield resource


def _task(part: Mapping[str, Any]) -> tuple[str, int | None]:
    people = [one["valuePositiveInt"] for one in part.get("extension", ()) if one["url"].endswith("/people-needed")]
    coded = part.get("code") or part.get("codeCodeableConcept") or {}
    unsaid = None if "resourceType" in part else 1  # An activity of a plan that does not say it takes one.
    return coded.get("text", ""), people[0] if people else unsaid
