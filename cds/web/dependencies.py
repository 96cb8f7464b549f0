"""What one running service holds, and how a route gets at it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated

from fastapi import Depends, Request

from cds.hooks.engine.service import Memory
from cds.protocol.feedback import FeedbackSink
from cds.protocol.prefetch import Fetcher
from cds.security.sealed_links import LinkSeal
from cds.settings import Settings
from cds.site.content import Content
from cds.storage.rule_feedback import RuleFeedback
from cds.storage.silent_log import SilentLog
from cds.web.decision_events import Watch

CONTENT = "content"
"""Key of a call's state under which the content in use when it began is left."""

Clock = Callable[[], datetime]
ReadinessCheck = Callable[[], str | None]
"""Says in words what is not ready, or None."""


def utc_now() -> datetime:
    """The machine's clock: the one place where the service reads it."""
    return datetime.now(UTC)


class Withheld(StrEnum):
    """Why nothing is decided by the content that is loaded, in words for whoever runs the service."""

    CHECKING = "the content is being checked, for the first time as it is now"
    REFUSED = "the content did not pass the gate, and the log says why; put it right and reload"


@dataclass
class Service:
    """Settings and content, and the parts that differ between sites: links, clock, feedback, FHIR reading, readiness.

    ``rule_feedback`` says what became of the cards of a rule (by its id), for one tenant or for all (None).

    With ``silent`` hooks show nothing and what they would have shown is kept there.
    ``content`` is replaced as a whole; a call keeps to what was in use when it began.
    """

    settings: Settings
    content: Content
    feedback: FeedbackSink
    watch: Watch
    links: LinkSeal
    rule_feedback: Callable[[str, str | None], RuleFeedback]
    clock: Clock = utc_now
    fetcher: Fetcher | None = None
    memory: Memory | None = None
    readiness: dict[str, ReadinessCheck] = field(default_factory=dict)
    silent: SilentLog | None = None
    withheld: Withheld | None = None
    """Why nothing is decided by ``content``. None: it was checked."""


def of_call(request: Request) -> Service:
    """The service of the application that handles ``request``, with the content that its answer names."""
    service, content = request.app.state.service, getattr(request.state, CONTENT)
    assert isinstance(service, Service) and isinstance(content, Content)
    return replace(service, content=content)


async def _depended_on(request: Request) -> Service:
    # A coroutine, though it waits for nothing: for a plain function the framework takes a thread.
    return of_call(request)


CurrentService = Annotated[Service, Depends(_depended_on)]
"""Type of a route's parameter that takes the service."""
