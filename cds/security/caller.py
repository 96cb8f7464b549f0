"""Who makes the call that is being answered, and what is known of the call before its body is read."""

from __future__ import annotations

from collections.abc import Mapping
from contextvars import ContextVar
from dataclasses import dataclass

from cds.security.clients import Client
from rules.errors import NuqueError


class NotTrusted(NuqueError):
    """A call is refused: HTTP ``status``, ``reason`` (a fixed word, for the metrics) and a message without any token content."""

    def __init__(self, status: int, reason: str, message: str, retry_after: int | None = None) -> None:
        """Refuse with ``status`` because of ``reason``."""
        self.status, self.reason, self.retry_after = status, reason, retry_after
        super().__init__(message)


@dataclass(frozen=True)
class Caller:
    """Who calls. ``issuer`` is ``open`` where everybody on this machine may call; ``patient`` is the one whose chart is open."""

    issuer: str
    tenant: str | None = None
    client: Client | None = None
    patient: str | None = None

    @property
    def namespace(self) -> str:
        """Whose patients are meant: one client's patient 7 is not another's."""
        return f"{self.issuer}\n{self.tenant or ''}"


NOBODY = Caller("open")

current_caller: ContextVar[Caller] = ContextVar("current_caller", default=NOBODY)
"""Who made the call that is being answered. Authentication sets it; everything below may read it."""


@dataclass(frozen=True)
class HttpCall:
    """Where a call came from and went to, without its body. Header names are lower case."""

    path: str
    headers: Mapping[str, list[str]]
    peer: str | None = None
    local: str | None = None

    def one(self, name: str) -> str | None:
        """The header ``name``; None where it is missing. Raises NotTrusted where it is given twice."""
        values = self.headers.get(name, [])
        if len(values) > 1:
            raise NotTrusted(400, "header_twice", f"the header {name} is given more than once")
        return values[0] if values else None
