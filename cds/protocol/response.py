"""The response of a CDS Hooks call, as the standard describes it (HL7 CDS Hooks 2.0): cards, suggestions, actions.

What the standard demands of the parts is checked when they are made. ``as_json`` leaves out what is absent: no null and no
empty element is ever sent, except an empty ``cards``. Resources that we create have none to begin with; in a client's own
order, sent back with a correction, whatever is absent is dropped.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from cds.protocol.request import Resource
from rules.model.json_cleaning import without_absent

LONGEST_SUMMARY = 139
"""The standard asks for fewer than 140 characters."""


class _ResponsePart(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    def as_json(self) -> dict[str, Any]:
        """What is sent of this part: its elements that are not absent."""
        sent: dict[str, Any] = {}
        for name, value in self.__dict__.items():
            if isinstance(value, tuple):
                if value:
                    sent[name] = [each.as_json() if isinstance(each, _ResponsePart) else each for each in value]
            elif isinstance(value, _ResponsePart):
                sent[name] = value.as_json()
            elif value is not None and value not in ("", {}):
                sent[name] = value
        return sent


class Coding(_ResponsePart):
    """A code with its system, and the words for it."""

    system: str
    code: str
    display: str


class Source(_ResponsePart):
    """Where a card comes from."""

    label: str = Field(min_length=1)
    url: str | None = None
    topic: Coding | None = None


class Link(_ResponsePart):
    """A place to read on: an address that a browser opens."""

    label: str = Field(min_length=1)
    url: str
    type: Literal["absolute"] = "absolute"


class Action(_ResponsePart):
    """One change that a suggestion makes: create or update ``resource``, or delete ``resourceId``."""

    type: Literal["create", "update", "delete"]
    description: str = Field(min_length=1)
    resource: Resource | None = None
    resourceId: str | None = None

    def as_json(self) -> dict[str, Any]:
        """What is sent; of an order of the client's own without what is absent in it."""
        sent = super().as_json()
        return {**sent, "resource": without_absent(self.resource)} if self.type == "update" else sent

    @model_validator(mode="after")
    def _has_its_object(self) -> Action:
        if (self.type == "delete") != (self.resourceId is not None) or (self.type == "delete") == bool(self.resource):
            raise ValueError("create and update carry a resource, delete carries a resourceId")
        return self


class Suggestion(_ResponsePart):
    """Changes that the clinician can accept together."""

    label: str = Field(min_length=1)
    uuid: str
    isRecommended: bool | None = None
    actions: tuple[Action, ...] = Field(min_length=1)


class Card(_ResponsePart):
    """One card."""

    uuid: str
    summary: str = Field(min_length=1, max_length=LONGEST_SUMMARY)
    detail: str = Field(min_length=1)
    indicator: Literal["info", "warning", "critical"]
    source: Source
    links: tuple[Link, ...] = ()
    suggestions: tuple[Suggestion, ...] = ()
    selectionBehavior: Literal["at-most-one", "any"] | None = None
    overrideReasons: tuple[Coding, ...] = ()
    extension: dict[str, Any] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _selection_is_clear(self) -> Card:
        if bool(self.suggestions) != (self.selectionBehavior is not None):
            raise ValueError("selectionBehavior is there exactly when suggestions are")
        recommended = sum(bool(suggestion.isRecommended) for suggestion in self.suggestions)
        if self.selectionBehavior == "at-most-one" and recommended > 1:
            raise ValueError("at most one suggestion is recommended where at most one can be chosen")
        return self


class HookResponse(_ResponsePart):
    """All cards of one call. ``systemActions`` are never sent: a clinician decides."""

    cards: tuple[Card, ...]
    extension: dict[str, Any] = Field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """What is sent."""
        return {"cards": [], **super().as_json()}
