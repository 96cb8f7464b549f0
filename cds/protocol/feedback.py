"""Feedback on cards: what clinicians did with them, and where it is kept."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Literal, Protocol

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from cds.protocol.moments import Moment
from rules.errors import NuqueError


class NotKept(NuqueError):
    """Feedback could not be kept; the client should send it again later."""


def _storable(text: str) -> str:
    if "\0" in text:
        raise ValueError("must not hold the character U+0000")
    return text


_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:/-]{0,63}")
_SYSTEM = re.compile(r"[^\s\"<>]+")
MOST_ITEMS = 1000
"""Statements in one call: more than a client that was cut off for a day has to send."""

_Text = Annotated[str, AfterValidator(_storable)]
"""PostgreSQL keeps no text with U+0000."""


class _FeedbackPart(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class AcceptedSuggestion(_FeedbackPart):
    """A suggestion that was accepted, by its uuid."""

    id: str = Field(min_length=1, max_length=128)


class Reason(_FeedbackPart):
    """The reason code that was chosen."""

    code: _Text = Field(min_length=1, max_length=256)
    system: _Text | None = Field(default=None, max_length=512)
    display: str | None = Field(default=None, max_length=512)


class OverrideReason(_FeedbackPart):
    """Why a card was overridden."""

    reason: Reason | None = None
    userComment: str | None = Field(default=None, max_length=4000)

    @model_validator(mode="after")
    def _says_something(self) -> OverrideReason:
        if self.reason is None and not self.userComment:
            raise ValueError("expected a reason or a userComment; leave overrideReason out where there is neither")
        return self

    @property
    def coded_reason(self) -> Reason | None:
        """The reason where it is a code. Some clients put what was typed there, which may name anybody."""
        reason = self.reason
        if reason is None or not _CODE.fullmatch(reason.code) or not _SYSTEM.fullmatch(reason.system or "none"):
            return None
        return reason

    @property
    def words(self) -> str | None:
        """What was typed, wherever it was sent."""
        typed = self.reason.code if self.reason is not None and self.coded_reason is None else None
        return "\n".join(filter(None, (self.userComment, typed))) or None


class FeedbackItem(_FeedbackPart):
    """What became of one card. A card that this service never issued is not an error."""

    card: str = Field(min_length=1, max_length=128, description="the uuid of the card")
    outcome: Literal["accepted", "overridden"]
    acceptedSuggestions: tuple[AcceptedSuggestion, ...] = Field(default=(), max_length=100)
    overrideReason: OverrideReason | None = None
    outcomeTimestamp: Moment

    @model_validator(mode="after")
    def _suggestions_when_accepted(self) -> FeedbackItem:
        if self.outcome == "accepted" and not self.acceptedSuggestions:
            raise ValueError("acceptedSuggestions is required when the outcome is accepted")
        if self.outcome == "overridden" and self.acceptedSuggestions:
            raise ValueError("acceptedSuggestions is only for the outcome accepted")
        return self


class Feedback(_FeedbackPart):
    """The body of a feedback call."""

    feedback: tuple[FeedbackItem, ...] = Field(min_length=1, max_length=MOST_ITEMS)


class FeedbackSink(Protocol):
    """Keeps feedback. When ``keep`` returns, the feedback is durable."""

    def keep(self, service: str, items: Sequence[FeedbackItem], received: datetime) -> None:
        """Keep ``items`` on ``service``, which came at the moment ``received`` (with time zone).

        Raises NotKept where that cannot be done now.
        """
        ...
